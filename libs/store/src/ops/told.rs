//! Records and service events as readers of the feed are told them, spelled canonically, so that what is sent is also what is
//! hashed.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::{Record, Version};
use model::{Instant, edit::RecordKind, event::ServiceEvent, private::SEALED};
use proof::{Canonical, Hash};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, contested, events,
    log::{self, LogRow},
    private_texts::{self, Texts},
    records::{self, Stored},
    schema::{change_log, model_adoption, service_event},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{Change, EditionView},
};

/// Service events of units among these.
macro_rules! of_units {
    ($organization:expr, $among:expr) => {
        service_event::table.filter(service_event::organization.eq($organization)).filter($among).select((
            service_event::id,
            service_event::unit_id.nullable(),
            service_event::body,
            (service_event::occurred_at.nullable(), service_event::recorded_at),
            service_event::author,
        ))
    };
}
/// Adoptions for models among these, with their rows of the log.
macro_rules! for_models {
    ($organization:expr, $among:expr) => {
        model_adoption::table
            .inner_join(
                change_log::table.on(change_log::organization
                    .eq(model_adoption::organization)
                    .and(change_log::edit_id.eq(model_adoption::id))
                    .and(change_log::row_kind.eq_any(log::ACCEPTED))),
            )
            .filter(model_adoption::organization.eq($organization))
            .filter($among)
            .select((
                model_adoption::id,
                change_log::unit_id,
                model_adoption::body,
                (change_log::recorded_at, change_log::author, change_log::on_behalf_of, change_log::row_kind),
            ))
    };
}
/// What the canonical body of an event has in it whose time a handset's clock told.
const BY_A_CLOCK: &str = r#""occurred_source":"clock""#;

/// Something as it is told.
pub(crate) struct Told {
    pub(crate) kind: RecordKind,
    pub(crate) id: Key,
    /// The unit that an event is of.
    pub(crate) unit: Option<Key>,
    pub(crate) text: Canonical,
}

impl Told {
    /// What a fingerprint covers of it.
    pub(crate) fn hash(&self) -> Hash {
        proof::content_hash(self.kind, self.id.0, &self.text)
    }

    /// The change that tells it.
    pub(crate) fn change(self) -> Change {
        Change::Record { kind: self.kind, id: self.id.0, unit: self.unit.map(Key::id), record: self.text }
    }
}

/// Records with fields, in the order given.
pub(crate) fn records(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    rows: &[(Key, Stored)],
) -> Result<Vec<Told>> {
    let edits: Vec<Key> =
        rows.iter().flat_map(|(_, stored)| records::sealing_edits(kind, &stored.record)).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    let mut told = Vec::with_capacity(rows.len());
    for (id, stored) in rows {
        let text = record(conn, organization, kind, stored, &texts)?;
        told.push(Told { kind, id: *id, unit: None, text });
    }
    Ok(told)
}

/// A record with fields: its version, its fields, and the names of their values.
fn record(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    stored: &Stored,
    texts: &Texts,
) -> Result<Canonical> {
    let spelled = |value: &Value| {
        proof::canonical(value).map(Canonical::into_string).map_err(|e| StoreError::corrupt("record")(&e))
    };
    let mut members = vec![("version", stored.version.to_string()), ("fields", fields(kind, stored, texts)?)];
    if let Some(most) = most_named(&stored.record) {
        members.push(("stamp", spelled(&json!(most))?));
        let other = |version: &Version, removed: bool| removed || *version != most;
        let tops = stored.record.registers().map(|(field, register)| (field, register.top()));
        let stamps: Map<String, Value> = tops
            .filter(|(_, top)| other(&top.version(), top.value.is_null()))
            .map(|(field, top)| (field.to_owned(), json!(top.version())))
            .collect();
        if !stamps.is_empty() {
            members.push(("stamps", spelled(&Value::Object(stamps))?));
        }
    }
    if records::contested(&stored.record) > 0 {
        members.push(("contested", spelled(&rivals(conn, organization, kind, stored)?)?));
    }
    let members: Vec<(&str, &str)> = members.iter().map(|(name, text)| (*name, text.as_str())).collect();
    Ok(Canonical::spelled_before("{}".to_owned()).with(&members))
}

/// The fields that are there, private text joined in.
fn fields(kind: RecordKind, stored: &Stored, texts: &Texts) -> Result<String> {
    let private: Vec<(&str, Value)> = records::private_fields(kind)
        .filter_map(|field| Some((field, stored.record.register(field)?.top())))
        .map(|(field, top)| (field, contested::said(kind, field, top, texts)))
        .collect();
    let there = stored.record.registers().filter(|(_, register)| !register.top().value.is_null());
    let fields = there.map(|(field, register)| {
        let joined = private.iter().find(|(private, _)| *private == field);
        (field, joined.map_or(&register.top().value, |(_, text)| text))
    });
    let text = proof::canonical_object(fields).map_err(|e| StoreError::corrupt("record")(&e))?;
    Ok(text.into_string())
}

/// The name that most of the values have which are there, of several the latest: it is said once for all of them.
fn most_named(record: &Record) -> Option<Version> {
    let mut named: BTreeMap<Version, usize> = BTreeMap::new();
    for (_, register) in record.registers() {
        *named.entry(register.top().version()).or_default() += usize::from(!register.top().value.is_null());
    }
    named.into_iter().max_by_key(|(version, times)| (*times, *version)).map(|(version, _)| version)
}

/// Every value of the fields that are contested.
fn rivals(conn: &mut Conn, organization: Key, kind: RecordKind, stored: &Stored) -> Result<Value> {
    let fields = contested::fields(conn, organization, kind, stored)?;
    let fields = fields.into_iter().map(|field| {
        let value = |value: crate::view::ContestedValue| {
            json!({
                "value": value.value,
                "raw": value.raw.to_string(),
                "edit": value.edit.to_string(),
                "author": value.author.to_string(),
                "at": value.recorded_at.to_string(),
            })
        };
        (field.field, field.values.into_iter().map(value).collect())
    });
    Ok(Value::Object(fields.collect()))
}

/// An edition.
pub(crate) fn edition(view: &EditionView) -> Result<Told> {
    let corrupt = StoreError::corrupt("edition");
    let text = proof::canonical(&view.sent().map_err(|e| corrupt(&e))?).map_err(|e| corrupt(&e))?;
    Ok(Told { kind: RecordKind::Edition, id: Key::from(view.id), unit: None, text })
}

/// A service event in the log: its id, its unit and its body, then when it happened and was recorded, and who made it.
type Row = (Key, Option<Key>, String, (Option<i64>, i64), Key);

/// An adoption for a model beside its row of the log, as far as that says who made it.
type Adopted = (Key, Option<Key>, String, (i64, Key, Option<Key>, String));

fn made((id, unit, body, (recorded_at, author, on_behalf_of, row_kind)): Adopted) -> Row {
    // No handset makes one, so that no clock was put right.
    (id, unit, body, (None, recorded_at), log::made_by(&row_kind, author, on_behalf_of))
}

/// Events by id, those for models included; those that are not there are left out.
pub(crate) fn events(conn: &mut Conn, organization: Key, ids: &[Key]) -> Result<Vec<Told>> {
    let mut told = Vec::with_capacity(ids.len());
    for some in ids.chunks(IDS_AT_ONCE) {
        let rows = of_units!(organization, among(service_event::id, some.to_vec())).load(conn)?;
        let found: BTreeSet<Key> = rows.iter().map(|(id, ..): &Row| *id).collect();
        told.extend(joined(conn, organization, rows)?);
        let rest: Vec<Key> = some.iter().filter(|id| !found.contains(*id)).copied().collect();
        if !rest.is_empty() {
            let rows: Vec<Adopted> = for_models!(organization, model_adoption::id.eq_any(rest)).load(conn)?;
            told.extend(joined(conn, organization, rows.into_iter().map(made).collect())?);
        }
    }
    Ok(told)
}

/// All events of some units, unit by unit.
pub(crate) fn events_of(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<Told>> {
    let mut told = Vec::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let mut rows: Vec<Row> =
            of_units!(organization, among(service_event::unit_id, some.to_vec())).load(conn)?;
        // Here and not by the database, which would carry all their bodies through its sort.
        rows.sort_unstable_by_key(|(id, unit, ..)| (*unit, *id));
        told.extend(joined(conn, organization, rows)?);
    }
    Ok(told)
}

/// The events of one unit after an id, in the order of ids, which never changes.
pub(crate) fn events_after(
    conn: &mut Conn,
    organization: Key,
    unit: Key,
    after: Key,
    limit: usize,
) -> Result<Vec<Told>> {
    let mut ids = event_ids(conn, organization, &[unit])?;
    ids.retain(|id| *id > after);
    ids.truncate(limit);
    in_order(conn, organization, &ids)
}

/// The ids of all events of some units, in order. Asked for a range of ids, a planner may go through all events of the
/// organization instead.
fn event_ids(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<Key>> {
    let mut ids: Vec<Key> = service_event::table
        .filter(service_event::organization.eq(organization))
        .filter(among(service_event::unit_id, units.to_vec()))
        .select(service_event::id)
        .load(conn)?;
    ids.sort_unstable();
    Ok(ids)
}

/// Events with these ids, in their order.
fn in_order(conn: &mut Conn, organization: Key, ids: &[Key]) -> Result<Vec<Told>> {
    let mut told = Vec::with_capacity(ids.len());
    for some in ids.chunks(IDS_AT_ONCE) {
        let rows = of_units!(organization, among(service_event::id, some.to_vec())).load(conn)?;
        told.extend(joined(conn, organization, rows)?);
    }
    told.sort_by_key(|event| event.id);
    Ok(told)
}

/// The events of some units whose ids lie between two, these included.
pub(crate) fn events_between(
    conn: &mut Conn,
    organization: Key,
    units: &[Key],
    (first, last): (Key, Key),
) -> Result<Vec<Told>> {
    let mut ids = event_ids(conn, organization, units)?;
    ids.retain(|id| (first..=last).contains(id));
    in_order(conn, organization, &ids)
}

/// Adoptions for models after an id.
pub(crate) fn adoptions_after(
    conn: &mut Conn,
    organization: Key,
    after: Key,
    limit: usize,
) -> Result<Vec<Told>> {
    // Their ids first: asked for all at once, a planner may go through the whole log instead.
    let ids: Vec<Key> = model_adoption::table
        .filter(model_adoption::organization.eq(organization))
        .filter(model_adoption::id.gt(after))
        .order(model_adoption::id)
        .limit(i64::try_from(limit).unwrap_or(i64::MAX))
        .select(model_adoption::id)
        .load(conn)?;
    let mut told = Vec::with_capacity(ids.len());
    for some in ids.chunks(IDS_AT_ONCE) {
        let rows: Vec<Adopted> =
            for_models!(organization, model_adoption::id.eq_any(some.to_vec())).load(conn)?;
        told.extend(joined(conn, organization, rows.into_iter().map(made).collect())?);
    }
    told.sort_by_key(|adoption| adoption.id);
    Ok(told)
}

/// Events as they are told, private text joined in.
fn joined(conn: &mut Conn, organization: Key, rows: Vec<Row>) -> Result<Vec<Told>> {
    let sealed: Vec<Key> =
        rows.iter().filter(|(_, _, body, ..)| may_have_sealed(body)).map(|(id, ..)| *id).collect();
    let texts = private_texts::of_edits(conn, organization, &sealed)?;
    let mut sealed = sealed.into_iter().peekable();
    let told = |(id, unit, body, (counts_at, recorded_at), author): Row| {
        let is_sealed = sealed.next_if_eq(&id).is_some();
        let happened_at =
            counts_at.filter(|_| may_be_put_right(&body)).map(|at| put_right(&body, at)).transpose()?;
        let body = if is_sealed { unsealed(id, &body, &texts)? } else { Canonical::spelled_before(body) };
        let text = event(&body, happened_at.flatten(), recorded_at, author);
        Ok(Told { kind: RecordKind::ServiceEvent, id, unit, text })
    };
    rows.into_iter().map(told).collect()
}

/// The events of rows that have just been written.
pub(crate) fn just_written<'r>(
    conn: &mut Conn,
    organization: Key,
    rows: impl Iterator<Item = &'r LogRow>,
) -> Result<Vec<Told>> {
    let row = |row: &LogRow| {
        let when = (row.occurred_at, row.recorded_at);
        (row.record_id, row.unit_id, row.body.clone(), when, row.made_by())
    };
    joined(conn, organization, rows.map(row).collect())
}

fn may_have_sealed(body: &str) -> bool {
    // Without parsing, which most events can do without.
    body.contains(SEALED)
}

fn may_be_put_right(body: &str) -> bool {
    // As above.
    body.contains(BY_A_CLOCK)
}

fn put_right(body: &str, counts_at: i64) -> Result<Option<Instant>> {
    Ok(events::put_right(&events::parsed(body)?, counts_at))
}

/// An event as it was recorded, with when and by whom.
fn event(body: &Canonical, happened_at: Option<Instant>, recorded_at: i64, author: Key) -> Canonical {
    let mut spelled = Uuid::encode_buffer();
    let author = ["\"", author.0.hyphenated().encode_lower(&mut spelled), "\""].concat();
    let recorded_at = format!("\"{}\"", Instant::from_micros(recorded_at));
    let happened_at = happened_at.map(|at| format!("\"{at}\""));
    let happened_at = happened_at.as_deref().map(|at| ("happened_at", at));
    let more: Vec<_> = [Some(("author", &*author)), happened_at, Some(("recorded_at", &*recorded_at))]
        .into_iter()
        .flatten()
        .collect();
    body.with(&more)
}

fn unsealed(id: Key, body: &str, texts: &Texts) -> Result<Canonical> {
    let mut body = events::parsed(body)?;
    let private = ServiceEvent::private(&body);
    proof::unseal(&mut body, private, |pointer, _| {
        texts.get(&(id, pointer.to_owned())).map(|(_, text)| text.clone())
    });
    proof::canonical(&body).map_err(|e| StoreError::corrupt("service event")(&e))
}
