//! Records with fields that people set without knowing of each other.

use std::collections::BTreeMap;

use diesel::{dsl::sql, prelude::*, sql_types::Bool};
use merge::Held as HeldValue;
use model::{
    Instant, SiteId,
    edit::{RecordKind, Target},
};

use super::super::Conn;
use super::{
    log::{self, LogRow},
    private_texts::{self, Texts},
    records,
    schema::{record, unit_state},
};
use crate::{
    body::private_pointers,
    error::{Result, StoreError},
    key::Key,
    view::{ContestedField, ContestedRecord, ContestedValue, Page, one_more},
};

/// A page of contested units, then of contested sites, each by id; only those in scope of `sites` where given.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    sites: Option<&[SiteId]>,
    after: Option<uuid::Uuid>,
    limit: usize,
) -> Result<Page<ContestedRecord>> {
    let mut query = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(kind.as_str()))
        // Said in the words of the index, which knows nothing of bound values.
        .filter(sql::<Bool>("contested > 0"))
        .order(record::id)
        .limit(one_more(limit))
        .select(record::id)
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(record::id.gt(Key(after)));
    }
    if let Some(sites) = sites {
        let sites: Vec<Key> = sites.iter().copied().map(Key::from).collect();
        query = if kind == RecordKind::Unit {
            let in_scope = unit_state::table
                .filter(unit_state::organization.eq(organization))
                .filter(
                    unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites)),
                )
                .select(unit_state::unit_id);
            query.filter(record::id.eq_any(in_scope))
        } else {
            query.filter(record::id.eq_any(sites))
        };
    }
    let Page { items, more } = Page::<Key>::cut(query.load(conn)?, limit);
    let items: Result<Vec<_>> = items.into_iter().map(|id| of_record(conn, organization, kind, id)).collect();
    Ok(Page { items: items?.into_iter().flatten().collect(), more })
}

fn of_record(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    id: Key,
) -> Result<Option<ContestedRecord>> {
    let target = if kind == RecordKind::Unit { Target::Unit(id.id()) } else { Target::Site(id.id()) };
    let Some(stored) = records::find(conn, organization, target)? else { return Ok(None) };
    let held = |field: &str| stored.record.register(field).into_iter().flat_map(|register| register.all());
    let fields = stored.record.contested();
    let edits: Vec<Key> =
        fields.iter().flat_map(|field| held(field).map(|held| Key::from(held.edit))).collect();
    let rows: BTreeMap<Key, LogRow> =
        log::of_edits(conn, organization, &edits)?.into_iter().map(|row| (row.edit_id, row)).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    let value = |field: &str, held: &HeldValue| {
        let row = rows.get(&Key::from(held.edit));
        let row = row.ok_or_else(|| StoreError::corrupt("registers")(&"an edit is not in the log"))?;
        Ok(ContestedValue {
            value: said(kind, field, held, &texts),
            edit: held.edit,
            raw: held.raw,
            author: row.made_by().id(),
            handset: row.handset.map(Key::id),
            recorded_at: Instant::from_micros(row.recorded_at),
        })
    };
    let fields: Result<Vec<ContestedField>> = fields
        .iter()
        .map(|field| {
            let values: Result<Vec<ContestedValue>> = held(field).map(|held| value(field, held)).collect();
            Ok(ContestedField { field: (*field).to_owned(), values: values? })
        })
        .collect();
    Ok(Some(ContestedRecord { kind, id: id.0, etag: stored.etag(), fields: fields? }))
}

/// A value as a reader sees it, private text joined.
fn said(kind: RecordKind, field: &str, held: &HeldValue, texts: &Texts) -> serde_json::Value {
    let pointer = format!("/{field}");
    let mut value = serde_json::json!({ field: held.value });
    let private: Vec<&str> = private_pointers(kind, &serde_json::Value::Null)
        .iter()
        .copied()
        .filter(|at| **at == *pointer)
        .collect();
    proof::unseal(&mut value, &private, |pointer, _| {
        texts.get(&(Key::from(held.edit), pointer.to_owned())).map(|(_, text)| text.clone())
    });
    value.get_mut(field).map(serde_json::Value::take).unwrap_or_default()
}
