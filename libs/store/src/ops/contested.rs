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
    records::{self, Stored},
    schema::{record, unit_sent},
    scope::units_at,
};
use crate::{
    body::private_pointers,
    error::{Result, StoreError},
    key::Key,
    view::{ContestedField, ContestedRecord, ContestedValue, Page, one_more},
};

/// A page of contested fields of records of a kind, by id and name; only of records in scope of one site of each of
/// `sets`. The first and the last record may have more of them than the page.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    sets: &[Vec<SiteId>],
    after: Option<&(uuid::Uuid, String)>,
    limit: usize,
) -> Result<Page<ContestedRecord>> {
    let mut query = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(kind.as_str()))
        // Said in the words of the index, which knows nothing of bound values.
        .filter(sql::<Bool>("contested > 0"))
        .order(record::id)
        // The record of the last page's last field may have no other; and one more tells whether a page follows.
        .limit(one_more(limit.saturating_add(1)))
        .select(record::id)
        .into_boxed();
    if let Some((id, _)) = after {
        query = query.filter(record::id.ge(Key(*id)));
    }
    for sites in sets {
        let sites: Vec<Key> = sites.iter().copied().map(Key::from).collect();
        query = if kind == RecordKind::Unit {
            query.filter(record::id.eq_any(units_at!(organization, sites).select(unit_sent::unit_id)))
        } else {
            query.filter(record::id.eq_any(sites))
        };
    }
    let (mut items, mut left) = (Vec::new(), limit);
    for id in query.load::<Key>(conn)? {
        let Some(mut record) = of_record(conn, organization, kind, id)? else { continue };
        let told = |field: &str| after.is_some_and(|(id, name)| record.id == *id && field <= name.as_str());
        record.fields.retain(|field| !told(&field.field));
        let more = record.fields.len() > left;
        record.fields.truncate(left);
        left -= record.fields.len();
        if !record.fields.is_empty() {
            items.push(record);
        }
        if more {
            return Ok(Page { items, more });
        }
    }
    Ok(Page { items, more: false })
}

fn of_record(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    id: Key,
) -> Result<Option<ContestedRecord>> {
    let target = if kind == RecordKind::Unit { Target::Unit(id.id()) } else { Target::Site(id.id()) };
    let Some(stored) = records::find(conn, organization, target)? else { return Ok(None) };
    let mut fields = fields(conn, organization, kind, &stored)?;
    fields.sort_by(|a, b| a.field.cmp(&b.field));
    Ok(Some(ContestedRecord { kind, id: id.0, etag: stored.etag(), fields }))
}

/// The contested fields of a record, each with all its values.
pub(crate) fn fields(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    stored: &Stored,
) -> Result<Vec<ContestedField>> {
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
    fields
        .iter()
        .map(|field| {
            let values: Result<Vec<ContestedValue>> = held(field).map(|held| value(field, held)).collect();
            Ok(ContestedField { field: (*field).to_owned(), values: values? })
        })
        .collect()
}

/// A value as a reader sees it, private text joined.
pub(crate) fn said(kind: RecordKind, field: &str, held: &HeldValue, texts: &Texts) -> serde_json::Value {
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
