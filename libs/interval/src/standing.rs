//! Which events count, and in which order.

use std::collections::BTreeSet;

use model::{
    EventId, Instant, LocalDate, UnitId,
    event::{Details, EventKind, JobDone, ServiceEvent},
    time::When,
    unit::Ignition,
};

use crate::{
    corrections::Corrections,
    input::Input,
    placed::{Placed, What},
    places::Stays,
    settled::Settled,
};

/// The events that count after what is settled, in canonical order, and those that a correction took out.
pub(crate) struct Standing<'a> {
    pub(crate) settled: &'a Settled,
    pub(crate) events: Vec<Placed<'a>>,
    /// Events that are taken out, or happened to another unit.
    pub(crate) voided: Vec<Void<'a>>,
    /// Events that were taken out before they came.
    pub(crate) voided_ahead: Vec<EventId>,
    /// Events that count otherwise than they were recorded.
    pub(crate) altered: Vec<Altered>,
    pub(crate) corrections: Corrections<'a>,
    /// Whether the events are those of several units.
    pub(crate) is_joined: bool,
    /// How the engine is lit, if that is known.
    pub(crate) ignition: Option<Ignition>,
    pub(crate) stays: Stays,
}

/// An event that does not count, and the correction that says so.
#[derive(Clone, Copy)]
pub(crate) struct Void<'a> {
    pub(crate) event: &'a ServiceEvent,
    pub(crate) correction: EventId,
}

/// An event that a correction moved here or gave another content.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Altered {
    pub(crate) event: EventId,
    pub(crate) correction: EventId,
    pub(crate) is_moved: bool,
}

/// What an event says, by what amendments made of it.
#[derive(Clone, Copy)]
pub(crate) struct Said<'a> {
    pub(crate) id: EventId,
    pub(crate) when: &'a When,
    pub(crate) details: &'a Details,
}

impl<'a> Said<'a> {
    pub(crate) fn of(event: &'a ServiceEvent) -> Self {
        Self { id: event.id, when: &event.occurred.when, details: &event.details }
    }

    fn corrected(event: &'a ServiceEvent, corrections: &Corrections<'a>) -> Self {
        let said = Self::of(event);
        match corrections.amendment(event.id) {
            Some((to, _)) if to.kind() == event.kind() => {
                Self { when: &to.occurred.when, details: &to.details, ..said }
            }
            _ => said,
        }
    }
}

/// Whose event it is.
enum Whose {
    Ours,
    /// Recorded for this unit, but a correction says that it happened to another.
    MovedAway(EventId),
    Theirs,
}

/// Which units' events count as one's.
struct Machine {
    unit: UnitId,
    /// Those that are the same machine, itself among them.
    units: BTreeSet<UnitId>,
}

impl Machine {
    fn whose(&self, event: &ServiceEvent, corrections: &Corrections<'_>) -> Whose {
        if corrections.are_only_voids() {
            return if event.unit_id == self.unit { Whose::Ours } else { Whose::Theirs };
        }
        match corrections.moved(event.id) {
            Some((unit, _)) if self.units.contains(&unit) => Whose::Ours,
            Some((_, correction)) if self.units.contains(&event.unit_id) => Whose::MovedAway(correction),
            None if self.units.contains(&event.unit_id) => Whose::Ours,
            _ => Whose::Theirs,
        }
    }
}

impl<'a> Standing<'a> {
    /// What had happened by `until`, of all events, with nothing settled. Decisions count whenever they were taken.
    pub(crate) fn of(input: &Input<'a>, nothing: &'a Settled, until: Instant) -> Self {
        let corrections = Corrections::of(input);
        let machine = Machine { unit: input.unit, units: corrections.machine(input.unit) };
        let counting = counting(input, &corrections, &machine);
        let stays = Stays::of(input, counting.iter().copied());
        let mut events: Vec<Placed<'a>> = counting
            .iter()
            .filter_map(|said| Placed::of(*said, stays.instant(said.when)))
            .filter(|placed| placed.instant <= until || placed.what.is_decision())
            .collect();
        let stops: Vec<Placed<'a>> = events.iter().filter_map(Placed::stop_reading).collect();
        events.extend(stops.into_iter().filter(|placed| placed.instant <= until));
        let voided = voided(input, &corrections, &machine, |when| stays.instant(when) <= until);
        let mut voided_ahead: Vec<EventId> = corrections.voided().collect();
        voided_ahead.retain(|target| !input.events.iter().any(|event| event.id == *target));
        let altered = altered(&events, &corrections);
        let is_joined = machine.units.len() > 1;
        let after = Self::after(input, nothing, events, stays);
        Self { voided, voided_ahead, altered, corrections, is_joined, ..after }
    }

    /// What happened after what is settled.
    pub(crate) fn after(
        input: &Input<'_>,
        settled: &'a Settled,
        mut events: Vec<Placed<'a>>,
        stays: Stays,
    ) -> Self {
        events.sort_unstable_by_key(Placed::key);
        Self {
            settled,
            events,
            voided: Vec::new(),
            voided_ahead: Vec::new(),
            altered: Vec::new(),
            corrections: Corrections::default(),
            is_joined: false,
            ignition: ignition(input),
            stays,
        }
    }

    /// The commissioning that counts, the first if several were recorded; nothing if it is settled.
    pub(crate) fn commissioning(&self) -> Option<&Placed<'a>> {
        let first = || self.events.iter().find(|placed| matches!(placed.what, What::Commissioning { .. }));
        if self.settled.commissioning.is_none() { first() } else { None }
    }

    /// The calendar day of an event, where the unit stood.
    pub(crate) fn date(&self, placed: &Placed<'_>) -> LocalDate {
        placed.date(&self.stays.at(placed.instant).zone)
    }

    /// The day on which it was known how a job came out.
    pub(crate) fn known_on(&self, placed: &Placed<'_>, done: &JobDone) -> LocalDate {
        done.analysis.map_or_else(|| self.date(placed), |analysis| analysis.results_on)
    }

    /// The first instant of that day, where the unit stood at the work.
    pub(crate) fn known_from(&self, placed: &Placed<'_>, done: &JobDone) -> Instant {
        self.stays.at(placed.instant).zone.midnight(self.known_on(placed, done))
    }

    /// The newest event; of several at one instant that with the greatest id.
    pub(crate) fn newest(&self) -> Option<(Instant, EventId)> {
        let last = self.events.last().map(|placed| placed.instant);
        let newest = self.events.iter().rev().take_while(|placed| Some(placed.instant) == last);
        newest.map(|placed| (placed.instant, placed.id)).chain(self.settled.newest).max()
    }

    /// Services in canonical order.
    pub(crate) fn services(&self) -> impl DoubleEndedIterator<Item = &Placed<'a>> {
        self.events.iter().filter(|placed| matches!(placed.what, What::Service { .. }))
    }
}

/// What the events that count say, by what corrections made of it.
pub(crate) fn said<'a>(input: &Input<'a>) -> Vec<Said<'a>> {
    let corrections = Corrections::of(input);
    let machine = Machine { unit: input.unit, units: corrections.machine(input.unit) };
    counting(input, &corrections, &machine)
}

fn counting<'a>(input: &Input<'a>, corrections: &Corrections<'a>, machine: &Machine) -> Vec<Said<'a>> {
    let ours = input.events.iter().filter(|event| {
        event.kind() != EventKind::Correction && matches!(machine.whose(event, corrections), Whose::Ours)
    });
    let has_voids = corrections.voided().next().is_some();
    let mut counting: Vec<Said<'a>> = Vec::with_capacity(input.events.len());
    let standing = ours
        .filter(|event| !has_voids || corrections.void(event.id).is_none())
        .map(|event| Said::corrected(event, corrections));
    counting.extend(standing);
    counting
}

fn ignition(input: &Input<'_>) -> Option<Ignition> {
    let has = |feature: &str| input.facts.features.iter().any(|code| code.as_str() == feature);
    match (has("spark_ignition"), has("compression_ignition")) {
        (true, false) => Some(Ignition::Spark),
        (false, true) => Some(Ignition::Compression),
        _ => None,
    }
}

/// In order of id.
fn voided<'a>(
    input: &Input<'a>,
    corrections: &Corrections<'a>,
    machine: &Machine,
    has_happened: impl Fn(&When) -> bool,
) -> Vec<Void<'a>> {
    let mut voided: Vec<Void<'a>> = Vec::new();
    if corrections.are_only_voids() && corrections.voided().next().is_none() {
        return voided;
    }
    for event in input.events {
        let correction = match machine.whose(event, corrections) {
            Whose::Ours => corrections.void(event.id),
            Whose::MovedAway(correction) => Some(correction),
            Whose::Theirs => None,
        };
        let is_correction = event.kind() == EventKind::Correction;
        let correction = correction.filter(|_| !is_correction && has_happened(&event.occurred.when));
        voided.extend(correction.map(|correction| Void { event, correction }));
    }
    voided.sort_unstable_by_key(|void| void.event.id);
    voided
}

fn altered(events: &[Placed<'_>], corrections: &Corrections<'_>) -> Vec<Altered> {
    if corrections.are_only_voids() {
        return Vec::new();
    }
    let mut altered = Vec::new();
    for event in events.iter().map(|placed| placed.id) {
        let moved = corrections.moved(event).map(|(_, correction)| (correction, true));
        let amended = corrections.amendment(event).map(|(_, correction)| (correction, false));
        let all = moved.into_iter().chain(amended);
        altered.extend(all.map(|(correction, is_moved)| Altered { event, correction, is_moved }));
    }
    altered
}
