//! Units as the feed looks at them: where they are in scope, and how much there is to be told of them.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{
    UnitId,
    edit::{RecordKind, Target},
};

use super::super::super::Conn;
use super::super::super::dialect::among;
use super::super::{
    IDS_AT_ONCE, kin,
    records::{self, Stored},
    schema::unit_sent,
    told::{self, Told},
};
use super::{Reader, Seen};
use crate::{
    error::Result,
    key::Key,
    view::{Stage, Within},
};

/// Where a unit is in scope, and how many events it has.
pub(super) struct Placed {
    pub(super) id: Key,
    pub(super) sites: BTreeSet<Key>,
    /// At least as far as they have been counted.
    events: usize,
}

impl Placed {
    pub(super) fn is_seen(&self, by: &Seen) -> bool {
        self.sites.iter().any(|site| by.has(*site))
    }

    /// How many changes tell all of it.
    pub(super) fn changes(&self) -> usize {
        self.events.saturating_add(1)
    }

    fn of((id, home, standing, events): (Key, Key, Key, i64)) -> Self {
        let events = usize::try_from(events).unwrap_or_default();
        Self { id, sites: BTreeSet::from([home, standing]), events }
    }
}

/// Some units.
pub(super) fn placed(
    conn: &mut Conn,
    organization: Key,
    units: &BTreeSet<Key>,
) -> Result<BTreeMap<Key, Placed>> {
    let mut placed = BTreeMap::new();
    for some in units.iter().copied().collect::<Vec<_>>().chunks(IDS_AT_ONCE) {
        let rows: Vec<(Key, Key, Key, i64)> = unit_sent::table
            .filter(unit_sent::organization.eq(organization))
            .filter(among(unit_sent::unit_id, some.to_vec()))
            .select((unit_sent::unit_id, unit_sent::home_site, unit_sent::standing_site, unit_sent::events))
            .load(conn)?;
        placed.extend(rows.into_iter().map(|row| (row.0, Placed::of(row))));
    }
    Ok(placed)
}

/// The next units in scope of some sites.
pub(super) fn after(
    conn: &mut Conn,
    organization: Key,
    sites: &Seen,
    after: Key,
    limit: usize,
) -> Result<Vec<Placed>> {
    let mut query = unit_sent::table
        .filter(unit_sent::organization.eq(organization))
        .filter(unit_sent::unit_id.gt(after))
        .order(unit_sent::unit_id)
        .limit(i64::try_from(limit).unwrap_or(i64::MAX))
        .select((unit_sent::unit_id, unit_sent::home_site, unit_sent::standing_site, unit_sent::events))
        .into_boxed();
    if let Some(sites) = sites.list() {
        query = query
            .filter(unit_sent::home_site.eq_any(sites.clone()).or(unit_sent::standing_site.eq_any(sites)));
    }
    let rows: Vec<(Key, Key, Key, i64)> = query.load(conn)?;
    Ok(rows.into_iter().map(Placed::of).collect())
}

impl Reader<'_> {
    /// Tells units from the first on, as far as there is room, and then at least the first; gives the place.
    ///
    /// None of the units that were given is left where the place is none. Of a retired one nothing is told, or that it is to
    /// be `forgotten`, where the reader may have it as it was; but one that a correction names with others bears on these.
    pub(super) fn tell_units(&mut self, units: &[Placed], forgotten: bool) -> Result<Option<Stage>> {
        let room = self.room().max(1);
        let mut sum = 0_usize;
        let fit = units.iter().take_while(|unit| {
            sum = sum.saturating_add(unit.changes());
            sum <= room
        });
        let fit = fit.count();
        let some = units.get(..fit.max(1)).unwrap_or(units);
        let stored = self.records_of(some)?;
        let retired = stored.iter().filter(|(_, stored)| stored.record.is_retired());
        let retired = retired.map(|(id, _)| id.id()).collect();
        let groups = kin::of_units(self.conn, self.organization, &retired)?;
        let is_alone = |id: UnitId| retired.contains(&id) && groups.of(id).is_none();
        let (gone, told): (Vec<_>, _) = stored.into_iter().partition(|(id, _)| is_alone(id.id()));
        for (id, _) in gone.into_iter().filter(|_| forgotten) {
            self.forget(RecordKind::Unit, id);
        }
        let records = told::records(self.conn, self.organization, RecordKind::Unit, &told)?;
        let last = some.last().map(|unit| unit.id.id());
        // More of one unit than there is room for is told over several pages.
        if fit == 0 && !records.is_empty() {
            self.tell_all(records);
            return Ok(last.map(|unit| Stage::Within(Within { unit, after: None })));
        }
        self.tell_whole(records)?;
        Ok(last.filter(|_| some.len() < units.len()).map(|last| Stage::Units(Some(last))))
    }

    /// Tells units in the order of their ids, each followed by its events.
    pub(super) fn tell_whole(&mut self, units: Vec<Told>) -> Result<()> {
        let ids: Vec<Key> = units.iter().map(|unit| unit.id).collect();
        let mut events = told::events_of(self.conn, self.organization, &ids)?.into_iter().peekable();
        for unit in units {
            let id = Some(unit.id);
            self.tell_all([unit]);
            while let Some(event) = events.next_if(|event| event.unit == id) {
                self.tell_all([event]);
            }
        }
        Ok(())
    }

    fn records_of(&mut self, units: &[Placed]) -> Result<Vec<(Key, Stored)>> {
        let targets = units.iter().map(|unit| Target::Unit(unit.id.id())).collect();
        let stored = records::some(self.conn, self.organization, &targets)?;
        Ok(stored.into_iter().map(|(target, stored)| (Key(target.uuid()), stored)).collect())
    }
}
