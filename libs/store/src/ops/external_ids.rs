//! Which record has which id in another system: a fold of the records' fields.
//!
//! Two records may have the same one, since handsets give ids without knowing of each other; what is asked for at once is
//! refused then ([`super::write`]).

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::Record;
use model::{
    SiteId,
    edit::{RecordKind, Target},
    external::EXTERNAL_IDS,
};

use super::super::{Conn, dialect};
use super::{IDS_AT_ONCE, folds, inserts, private_texts, records, records::Stored, schema::external_id};
use crate::{
    error::Result,
    imports::{Found, Wanted},
    key::Key,
    view::{Among, ExternalQuery, Page, RecordView},
};

/// An id that a record of a kind may have in another system.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct ExternalId {
    pub(crate) kind: &'static str,
    pub(crate) system: String,
    pub(crate) id: String,
}

impl ExternalId {
    pub(crate) fn new(kind: RecordKind, system: &str, id: &str) -> Self {
        Self { kind: kind.as_str(), system: system.to_owned(), id: id.to_owned() }
    }
}

/// An id that a record has in another system, as a row.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Queryable, Selectable)]
#[diesel(table_name = external_id)]
pub(crate) struct ExternalIdRow {
    pub(crate) organization: Key,
    pub(crate) kind: String,
    pub(crate) system: String,
    pub(crate) id: String,
    pub(crate) record_id: Key,
}

/// The ids of a record in other systems, each by its system.
pub(crate) fn of_record(record: &Record) -> Vec<(String, String)> {
    let tops = record.registers().map(|(field, register)| (field, &register.top().value));
    let ids = tops.filter_map(|(field, value)| {
        let system = field.strip_prefix(EXTERNAL_IDS)?.strip_prefix('/')?;
        Some((system.to_owned(), value.as_str()?.to_owned()))
    });
    ids.collect()
}

/// The same as rows.
pub(crate) fn rows(organization: Key, kind: &str, record_id: Key, record: &Record) -> Vec<ExternalIdRow> {
    let row = |(system, id)| ExternalIdRow { organization, kind: kind.to_owned(), system, id, record_id };
    of_record(record).into_iter().map(row).collect()
}

/// What a record has after a transaction that changes it.
pub(crate) struct ExternalIds {
    record_id: Key,
    /// Whether the record was not there before, so that nothing has to go.
    pub(crate) is_new: bool,
    rows: Vec<ExternalIdRow>,
}

impl ExternalIds {
    pub(crate) fn new(organization: Key, target: Target, stored: &Stored, is_new: bool) -> Self {
        let record_id = Key(target.uuid());
        let rows = rows(organization, target.kind().as_str(), record_id, &stored.record);
        Self { record_id, is_new, rows }
    }
}

/// Writes what some records have, in the place of what they had.
pub(crate) fn put(conn: &mut Conn, organization: Key, changed: &[ExternalIds]) -> Result<()> {
    let before: Vec<Key> = changed.iter().filter(|ids| !ids.is_new).map(|ids| ids.record_id).collect();
    for some in before.chunks(IDS_AT_ONCE) {
        let of_them = external_id::table
            .filter(external_id::organization.eq(organization))
            .filter(external_id::record_id.eq_any(some.to_vec()));
        diesel::delete(of_them).execute(conn)?;
    }
    let rows: Vec<ExternalIdRow> = changed.iter().flat_map(|ids| ids.rows.iter().cloned()).collect();
    Ok(inserts::external_ids(conn, &rows)?)
}

/// The records that have each of these ids; those that nobody has are there without any.
pub(crate) fn holders(
    conn: &mut Conn,
    organization: Key,
    asked: BTreeSet<ExternalId>,
) -> Result<BTreeMap<ExternalId, BTreeSet<Key>>> {
    let mut by_system: BTreeMap<(&'static str, &str), Vec<String>> = BTreeMap::new();
    for ExternalId { kind, system, id } in &asked {
        by_system.entry((*kind, system.as_str())).or_default().push(id.clone());
    }
    let mut found: BTreeMap<ExternalId, BTreeSet<Key>> =
        asked.iter().map(|id| (id.clone(), BTreeSet::new())).collect();
    for ((kind, system), ids) in by_system {
        for some in ids.chunks(IDS_AT_ONCE) {
            let rows = dialect::holders(conn, organization, kind, system, some.to_vec())?;
            for (id, record) in rows {
                let id = ExternalId { kind, system: system.to_owned(), id };
                found.entry(id).or_default().insert(record);
            }
        }
    }
    Ok(found)
}

/// A page of the records that have an id in another system, those in scope of one site of each of the query's sets.
pub(crate) fn list(conn: &mut Conn, query: &ExternalQuery) -> Result<Page<RecordView>> {
    let organization = Key::from(query.organization);
    let asked = ExternalId::new(query.kind, query.system.as_str(), query.id.as_str());
    let found = holders(conn, organization, [asked].into())?.into_values().flatten();
    let mut seen = BTreeSet::new();
    for key in found {
        let sites: BTreeSet<SiteId> = match query.kind {
            RecordKind::Unit => folds::scope_of(conn, organization, key.id())?,
            _ => [key.id()].into(),
        };
        if query.sets.iter().all(|set| set.iter().any(|site| sites.contains(site))) {
            seen.insert(key.0);
        }
    }
    if seen.is_empty() {
        return Ok(Page { items: Vec::new(), more: false });
    }
    records::list(conn, organization, query.kind, &Among::Ids(seen), query.after, query.limit)
}

/// What is known of the records that a slice of an import names.
pub(crate) fn find_for_import(conn: &mut Conn, organization: Key, wanted: Wanted) -> Result<Found> {
    let Wanted { external, records: mut targets } = wanted;
    let asked: Vec<(RecordKind, String, String)> = external.into_iter().collect();
    let ids = asked.iter().map(|(kind, system, id)| ExternalId::new(*kind, system, id)).collect();
    let mut of_ids = holders(conn, organization, ids)?;
    let mut found = Found::default();
    for (kind, system, id) in asked {
        let keys = of_ids.remove(&ExternalId::new(kind, &system, &id)).unwrap_or_default();
        let keys: BTreeSet<uuid::Uuid> = keys.into_iter().map(|key| key.0).collect();
        targets.extend(keys.iter().filter_map(|id| target_of(kind, *id)));
        found.holders.insert((kind, system, id), keys);
    }
    let stored = records::some(conn, organization, &targets)?;
    let units: Vec<Key> =
        stored.keys().filter(|target| target.kind() == RecordKind::Unit).map(|t| Key(t.uuid())).collect();
    let states = folds::states_of(conn, organization, &units)?;
    let states: BTreeMap<Key, _> = states.into_iter().map(|state| (state.unit_id, state)).collect();
    let edits: Vec<Key> = stored
        .iter()
        .flat_map(|(target, stored)| records::sealing_edits(target.kind(), &stored.record))
        .collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    for (target, stored) in &stored {
        let sites = match target {
            Target::Site(site) => [*site].into(),
            Target::Unit(unit) => {
                let state = states.get(&Key::from(*unit));
                state.map(|state| [state.home_site.id(), state.standing_site.id()].into()).unwrap_or_default()
            }
            _ => BTreeSet::new(),
        };
        let view = records::joined(target.kind(), target.uuid(), stored, &texts);
        found.records.insert(*target, (view, sites));
    }
    Ok(found)
}

fn target_of(kind: RecordKind, id: uuid::Uuid) -> Option<Target> {
    match kind {
        RecordKind::Site => Some(Target::Site(model::Id::from_uuid(id))),
        RecordKind::Unit => Some(Target::Unit(model::Id::from_uuid(id))),
        _ => None,
    }
}

/// Every row, in order; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<Vec<ExternalIdRow>> {
    let mut rows: Vec<ExternalIdRow> = external_id::table
        .filter(external_id::organization.eq(organization))
        .select(ExternalIdRow::as_select())
        .load(conn)?;
    rows.sort();
    Ok(rows)
}
