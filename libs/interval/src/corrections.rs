//! What corrections say about events and units; of two about the same thing the later counts.

use std::collections::{BTreeMap, BTreeSet};

use model::{
    EventId, Instant, UnitId, Zone,
    event::{CorrectionAction, Details, Replacement, ServiceEvent},
    time::When,
};

use crate::input::Input;

/// All corrections of an input. Corrections of corrections are nowhere looked up, and so have no effect.
#[derive(Default)]
pub(crate) struct Corrections<'a> {
    /// Whether the target is taken out, by the last correction that says so or otherwise.
    voids: BTreeMap<EventId, (bool, EventId)>,
    amends: BTreeMap<EventId, (&'a Replacement, EventId)>,
    moves: BTreeMap<EventId, (UnitId, EventId)>,
    /// Events whose reading somebody looked at twice.
    pub(crate) confirmed: BTreeSet<EventId>,
    /// Pairs of services that are, or are not, the same work; the lower id first.
    pub(crate) links: BTreeMap<(EventId, EventId), bool>,
    units: BTreeMap<(UnitId, UnitId), bool>,
}

impl<'a> Corrections<'a> {
    pub(crate) fn of(input: &Input<'a>) -> Self {
        let mut all: Vec<(Instant, EventId, &'a ServiceEvent, &'a CorrectionAction)> = Vec::new();
        for event in input.events {
            if let Details::Correction(correction) = &event.details {
                all.push((taken_at(input, event), event.id, event, &correction.action));
            }
        }
        all.sort_unstable_by_key(|(instant, id, ..)| (*instant, *id));
        let mut found = Self::default();
        for (_, id, event, action) in all {
            found.add(id, event.unit_id, action);
        }
        found
    }

    fn add(&mut self, id: EventId, unit: UnitId, action: &'a CorrectionAction) {
        match action {
            CorrectionAction::Void { target_id } => {
                self.voids.insert(*target_id, (true, id));
            }
            CorrectionAction::Reinstate { target_id } => {
                self.voids.insert(*target_id, (false, id));
            }
            CorrectionAction::Confirm { target_id } => {
                self.confirmed.insert(*target_id);
            }
            CorrectionAction::Amend { target_id, replacement } => {
                self.amends.insert(*target_id, (replacement, id));
            }
            CorrectionAction::Reassign { target_id, to_unit_id } => {
                self.moves.insert(*target_id, (*to_unit_id, id));
            }
            CorrectionAction::LinkEvents { target_id, other_id } => {
                self.links.insert(pair(*target_id, *other_id), true);
            }
            CorrectionAction::UnlinkEvents { target_id, other_id } => {
                self.links.insert(pair(*target_id, *other_id), false);
            }
            CorrectionAction::LinkUnits { other_unit_id } => {
                self.units.insert(pair(unit, *other_unit_id), true);
            }
            CorrectionAction::UnlinkUnits { other_unit_id } => {
                self.units.insert(pair(unit, *other_unit_id), false);
            }
        }
    }

    /// The correction by which an event does not count.
    pub(crate) fn void(&self, event: EventId) -> Option<EventId> {
        self.voids.get(&event).filter(|(void, _)| *void).map(|(_, correction)| *correction)
    }

    /// Events that are taken out.
    pub(crate) fn voided(&self) -> impl Iterator<Item = EventId> {
        self.voids.iter().filter(|(_, (void, _))| *void).map(|(event, _)| *event)
    }

    /// What took the place of an event's content, and the correction by which.
    pub(crate) fn amendment(&self, event: EventId) -> Option<(&'a Replacement, EventId)> {
        self.amends.get(&event).copied()
    }

    /// The unit that an event was moved to, and the correction by which.
    pub(crate) fn moved(&self, event: EventId) -> Option<(UnitId, EventId)> {
        self.moves.get(&event).copied()
    }

    /// Whether any says more than that an event does not count.
    pub(crate) fn are_only_voids(&self) -> bool {
        let Self { voids: _, amends, moves, confirmed, links, units } = self;
        amends.is_empty() && moves.is_empty() && confirmed.is_empty() && links.is_empty() && units.is_empty()
    }

    /// The unit and those that are the same machine.
    pub(crate) fn machine(&self, unit: UnitId) -> BTreeSet<UnitId> {
        let mut machine = BTreeSet::from([unit]);
        let linked: Vec<_> =
            self.units.iter().filter(|(_, linked)| **linked).map(|(pair, _)| *pair).collect();
        // Each round but the last takes in another unit.
        loop {
            let known = machine.len();
            for (one, other) in &linked {
                if machine.contains(one) || machine.contains(other) {
                    machine.extend([*one, *other]);
                }
            }
            if machine.len() == known {
                return machine;
            }
        }
    }
}

/// The units that are one machine with the input's, itself among them, by the links among its events.
pub fn machine(input: &Input<'_>) -> BTreeSet<UnitId> {
    Corrections::of(input).machine(input.unit)
}

/// The order in which units that are one machine stand for it, the least first: those in use, then by id.
pub fn stands_for(unit: UnitId, is_retired: bool) -> (bool, UnitId) {
    (is_retired, unit)
}

/// Where the unit stood may itself be corrected, so a correction's day is counted at the home site.
fn taken_at(input: &Input<'_>, event: &ServiceEvent) -> Instant {
    match &event.occurred.when {
        When::At { instant, .. } => *instant,
        When::On(date) => {
            let home = input.zones.get(&input.facts.home_site);
            home.map_or_else(|| Zone::utc().midnight(*date), |zone| zone.midnight(*date))
        }
    }
}

pub(crate) fn pair<T: Ord>(one: T, other: T) -> (T, T) {
    if one <= other { (one, other) } else { (other, one) }
}
