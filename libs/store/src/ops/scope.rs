//! Who is told of a change: the sites in whose scope a unit is, and the lines of the feed.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::{Input, Policy};
use merge::Told;
use model::{Instant, SiteId, edit::RecordKind};

use super::super::Conn;
use super::{
    IDS_AT_ONCE,
    log::{FeedRow, LogRow},
    schema::unit_sent,
    units::Unit,
};
use crate::{error::Result, key::Key};

/// The rows of units in scope of some sites, by the indexes of what is told of them; the states have none by site.
macro_rules! units_at {
    ($organization:expr, $sites:expr) => {{
        let sites: Vec<Key> = $sites;
        unit_sent::table.filter(unit_sent::organization.eq($organization)).filter(
            super::super::dialect::among(unit_sent::home_site, sites.clone())
                .or(super::super::dialect::among(unit_sent::standing_site, sites)),
        )
    }};
}
pub(crate) use units_at;

/// A line by which a site gains a unit with all its events.
pub(crate) const ENTER: &str = "enter";
/// A line by which a site loses a unit.
pub(crate) const LEAVE: &str = "leave";

/// The sites in whose scope a unit is: home, and where it stands.
pub(crate) fn of_unit(unit: &Unit) -> Result<BTreeSet<SiteId>> {
    Ok(BTreeSet::from([unit.home_site()?, standing(unit)?]))
}

/// The sites in whose scope a unit was at an instant.
pub(crate) fn of_unit_at(unit: &Unit, at: Instant) -> Result<BTreeSet<SiteId>> {
    Ok(BTreeSet::from([unit.home_site()?, standing_at(unit, at)?]))
}

/// Where a unit stands as far as scope goes: its last placement, one that a fast clock dates a little ahead included,
/// because nothing moves the scope of a unit but its events. Days count in UTC, so that the feed follows from the
/// unit's rows alone.
pub(crate) fn standing(unit: &Unit) -> Result<SiteId> {
    standing_at(unit, Instant::LAST)
}

fn standing_at(unit: &Unit, at: Instant) -> Result<SiteId> {
    let input = Input {
        unit: unit.id,
        facts: &unit.facts()?,
        events: &unit.events,
        zones: &BTreeMap::new(),
        editions: &BTreeMap::new(),
        policy: &Policy::standard(),
    };
    Ok(interval::standing_site(&input, at))
}

/// The lines of a row about a unit, from the sites that had it in scope before and have it after; `revived` says that the row
/// ends its retirement.
pub(crate) fn lines_of_unit(
    row: &LogRow,
    before: &BTreeSet<SiteId>,
    after: &BTreeSet<SiteId>,
    revived: bool,
) -> Vec<FeedRow> {
    let unit = row.unit_id.unwrap_or(Key::NIL);
    let told = |(site, told)| match told {
        Told::Change => line(row, Key::from(site), &row.record_kind, row.record_id),
        Told::Enter => line(row, Key::from(site), ENTER, unit),
        Told::Leave => line(row, Key::from(site), LEAVE, unit),
    };
    merge::lines(before, after, revived).into_iter().map(told).collect()
}

/// The line of a row about anything else: a site's own, or the whole organization's.
pub(crate) fn line_of_record(row: &LogRow) -> FeedRow {
    let site = if row.record_kind == RecordKind::Site.as_str() { row.record_id } else { Key::NIL };
    line(row, site, &row.record_kind, row.record_id)
}

fn line(row: &LogRow, site: Key, kind: &str, record: Key) -> FeedRow {
    FeedRow {
        organization: row.organization,
        site_id: site,
        seq: row.seq,
        unit_id: row.unit_id,
        kind: kind.to_owned(),
        record_id: record,
    }
}

/// Those of these units that are in scope of one of these sites.
pub(crate) fn of_units_at(
    conn: &mut Conn,
    organization: Key,
    units: &[Key],
    sites: &[SiteId],
) -> Result<BTreeSet<Key>> {
    let sites: Vec<Key> = sites.iter().copied().map(Key::from).collect();
    let mut found = BTreeSet::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let at_sites = units_at!(organization, sites.clone());
        let some = at_sites.filter(unit_sent::unit_id.eq_any(some.to_vec()));
        found.extend(some.select(unit_sent::unit_id).load::<Key>(conn)?);
    }
    Ok(found)
}
