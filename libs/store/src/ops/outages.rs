//! Incidents and promises as their readers see them.

use std::collections::{BTreeMap, BTreeSet};

use model::{
    PromiseId, SiteId, UnitId,
    edit::{RecordKind, Target},
    outage,
    outage::PromiseFields,
    site::SiteFields,
    unit::UnitFields,
};

use super::super::Conn;
use super::{private_texts, records};
use crate::{
    error::Result,
    key::Key,
    view::{Among, Fields, Page, RecordView},
};

/// So many records are read at a time while those are picked that somebody sees.
const READ_AT_ONCE: usize = 200;

/// A page of incidents or promises by id: those of the whole organization, and those at one of the sites that `sees` names; all where
/// it names none.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    kind: RecordKind,
    sees: Option<&BTreeSet<SiteId>>,
    mut after: Option<uuid::Uuid>,
    limit: usize,
) -> Result<Page<RecordView>> {
    let Some(sees) = sees else {
        return records::list(conn, organization, kind, &Among::All, after, limit);
    };
    let mut seen = Vec::new();
    while seen.len() <= limit {
        let rows = records::stored_after(conn, organization, kind, &Among::All, after, READ_AT_ONCE)?;
        let Some((last, _)) = rows.last() else { break };
        after = Some(last.0);
        seen.extend(rows.into_iter().filter(|(_, stored)| {
            let places = outage::places(kind, &merge::nest(stored.record.values()));
            places.is_empty() || !places.is_disjoint(sees)
        }));
    }
    let Page { items, more } = Page::cut(seen, limit);
    let edits: Vec<Key> =
        items.iter().flat_map(|(_, stored)| records::sealing_edits(kind, &stored.record)).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    let items = items.iter().map(|(id, stored)| records::joined(kind, id.0, stored, &texts)).collect();
    Ok(Page { items, more })
}

/// The fields of these units and sites, private text sealed; those that are not there are left out.
pub(crate) fn fields(
    conn: &mut Conn,
    organization: Key,
    units: &BTreeSet<UnitId>,
    sites: &BTreeSet<SiteId>,
) -> Result<Fields> {
    let targets = units.iter().copied().map(Target::Unit).chain(sites.iter().copied().map(Target::Site));
    let mut fields = Fields { units: BTreeMap::new(), sites: BTreeMap::new() };
    for (target, stored) in records::some(conn, organization, &targets.collect())? {
        match target {
            Target::Unit(id) => {
                drop(fields.units.insert(id, records::fields(&stored.record, UnitFields::read)?));
            }
            Target::Site(id) => {
                drop(fields.sites.insert(id, records::fields(&stored.record, SiteFields::read)?));
            }
            _ => {}
        }
    }
    Ok(fields)
}

/// The promises that are not taken back, by id; of one spare where it is given.
pub(crate) fn promises(
    conn: &mut Conn,
    organization: Key,
    spare: Option<UnitId>,
) -> Result<Vec<(PromiseId, PromiseFields)>> {
    let kind = RecordKind::Promise;
    let rows = match spare {
        Some(spare) => records::belonging_to(conn, organization, kind, Key::from(spare))?,
        None => records::stored_after(conn, organization, kind, &Among::All, None, usize::MAX)?,
    };
    let mut promises = Vec::new();
    for (id, stored) in rows {
        let fields = records::fields(&stored.record, PromiseFields::read)?;
        if fields.retired.is_none() {
            promises.push((id.id(), fields));
        }
    }
    Ok(promises)
}
