//! Which events count, and in which order.

use std::collections::BTreeSet;

use model::{
    EventId, Instant, LocalDate,
    event::{CorrectionAction, Details, EventKind, ServiceEvent},
    time::When,
};

use crate::{
    input::Input,
    placed::{Placed, What},
    places::Stays,
    settled::Settled,
};

/// The events that count after what is settled, in canonical order, and those that a correction took out.
pub(crate) struct Standing<'a> {
    pub(crate) settled: &'a Settled,
    pub(crate) events: Vec<Placed<'a>>,
    pub(crate) voided: Vec<Void<'a>>,
    /// Events that were taken out before they came.
    pub(crate) voided_ahead: Vec<EventId>,
    /// Events whose readings hold whatever the others say.
    pub(crate) confirmed: BTreeSet<EventId>,
    pub(crate) stays: Stays,
}

/// An event that does not count, and the correction that says so.
#[derive(Clone, Copy)]
pub(crate) struct Void<'a> {
    pub(crate) event: &'a ServiceEvent,
    pub(crate) correction: EventId,
}

impl<'a> Standing<'a> {
    /// What had happened by `until`, of all events, with nothing settled. Decisions count whenever they were taken.
    pub(crate) fn of(input: &Input<'a>, nothing: &'a Settled, until: Instant) -> Self {
        let voids = voids(input);
        let correction = |event: &ServiceEvent| {
            let at = voids.binary_search_by_key(&event.id, |(target, _)| *target).ok()?;
            voids.get(at).map(|(_, correction)| *correction)
        };
        let counting = input.events.iter().filter(|event| {
            event.kind() != EventKind::Correction && (voids.is_empty() || correction(event).is_none())
        });
        let stays = Stays::of(input, counting.clone());
        let mut events: Vec<Placed<'a>> = counting
            .filter_map(|event| Placed::of(event, stays.instant(&event.occurred.when)))
            .filter(|placed| placed.instant <= until || matches!(placed.what, What::Adoption(_)))
            .collect();
        let stops: Vec<Placed<'a>> = events.iter().filter_map(Placed::stop_reading).collect();
        events.extend(stops.into_iter().filter(|placed| placed.instant <= until));
        let mut voided: Vec<Void<'a>> = Vec::new();
        let mut voided_ahead = Vec::new();
        if !voids.is_empty() {
            let happened = |event: &&ServiceEvent| {
                event.kind() != EventKind::Correction && stays.instant(&event.occurred.when) <= until
            };
            let of = |event| correction(event).map(|correction| Void { event, correction });
            voided.extend(input.events.iter().filter(happened).filter_map(of));
            voided.sort_unstable_by_key(|void| void.event.id);
            voided_ahead.extend(voids.iter().map(|(target, _)| *target));
            voided_ahead.retain(|target| !input.events.iter().any(|event| event.id == *target));
        }
        Self { voided, voided_ahead, confirmed: confirmed(input), ..Self::after(nothing, events, stays) }
    }

    /// What happened after what is settled.
    pub(crate) fn after(settled: &'a Settled, mut events: Vec<Placed<'a>>, stays: Stays) -> Self {
        events.sort_unstable_by_key(Placed::key);
        Self {
            settled,
            events,
            voided: Vec::new(),
            voided_ahead: Vec::new(),
            confirmed: BTreeSet::new(),
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

    /// Services in canonical order.
    pub(crate) fn services(&self) -> impl DoubleEndedIterator<Item = &Placed<'a>> {
        self.events.iter().filter(|placed| matches!(placed.what, What::Service { .. }))
    }
}

/// The targets whose last correction is a void, in order of id, each with that correction.
fn voids(input: &Input<'_>) -> Vec<(EventId, EventId)> {
    let mut all: Vec<(EventId, Instant, EventId, bool)> = Vec::new();
    for event in input.events {
        if let Details::Correction(correction) = &event.details {
            let (target, voids) = match correction.action {
                CorrectionAction::Void { target_id } => (target_id, true),
                CorrectionAction::Reinstate { target_id } => (target_id, false),
                _ => continue,
            };
            // Where the unit stood may itself be corrected, so a correction's day is counted at the home site.
            let instant = match &event.occurred.when {
                When::At { instant, .. } => *instant,
                When::On(date) => {
                    let home = input.zones.get(&input.facts.home_site);
                    home.map_or_else(|| model::Zone::utc().midnight(*date), |zone| zone.midnight(*date))
                }
            };
            all.push((target, instant, event.id, voids));
        }
    }
    all.sort_unstable_by_key(|(target, instant, id, _)| (*target, *instant, *id));
    let last_of_each = all.chunk_by(|a, b| a.0 == b.0).filter_map(|of_one| of_one.last());
    last_of_each
        .filter(|(.., voids)| *voids)
        .map(|(target, _, correction, _)| (*target, *correction))
        .collect()
}

/// The events whose readings somebody confirmed.
fn confirmed(input: &Input<'_>) -> BTreeSet<EventId> {
    let target = |event: &ServiceEvent| match &event.details {
        Details::Correction(correction) => match correction.action {
            CorrectionAction::Confirm { target_id } => Some(target_id),
            _ => None,
        },
        _ => None,
    };
    input.events.iter().filter_map(target).collect()
}
