//! Which events count, and in which order.

use model::{
    EventId, Instant,
    event::{Commissioning, CorrectionAction, Details, EventKind, ServiceEvent},
    time::When,
};

use crate::{input::Input, places::Stays};

/// The events that count, in canonical order, and those that a correction took out.
pub(crate) struct Standing<'a> {
    pub(crate) events: Vec<Placed<'a>>,
    pub(crate) voided: Vec<Void<'a>>,
    pub(crate) stays: Stays,
}

/// An event with the instant that stands for its time.
#[derive(Clone, Copy)]
pub(crate) struct Placed<'a> {
    pub(crate) event: &'a ServiceEvent,
    pub(crate) instant: Instant,
}

/// An event that does not count, and the correction that says so.
#[derive(Clone, Copy)]
pub(crate) struct Void<'a> {
    pub(crate) event: &'a ServiceEvent,
    pub(crate) correction: EventId,
}

impl<'a> Standing<'a> {
    /// What had happened by `until`. Decisions count whenever they were taken.
    pub(crate) fn of(input: &Input<'a>, until: Instant) -> Self {
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
            .map(|event| Placed { event, instant: stays.instant(&event.occurred.when) })
            .filter(|placed| placed.instant <= until || placed.event.kind() == EventKind::Adoption)
            .collect();
        events.sort_unstable_by_key(|placed| (placed.instant, rank(placed.event.kind()), placed.event.id));
        let mut voided: Vec<Void<'a>> = Vec::new();
        if !voids.is_empty() {
            let happened = |event: &&ServiceEvent| {
                event.kind() != EventKind::Correction && stays.instant(&event.occurred.when) <= until
            };
            let of = |event| correction(event).map(|correction| Void { event, correction });
            voided.extend(input.events.iter().filter(happened).filter_map(of));
            voided.sort_unstable_by_key(|void| void.event.id);
        }
        Self { events, voided, stays }
    }

    /// The commissioning that counts: the first, if several were recorded.
    pub(crate) fn commissioning(&self) -> Option<(&Placed<'a>, &'a Commissioning)> {
        self.events.iter().find_map(|placed| match &placed.event.details {
            Details::Commissioning(commissioning) => Some((placed, commissioning)),
            _ => None,
        })
    }
}

/// What is read at one instant comes before what is done then.
fn rank(kind: EventKind) -> u8 {
    match kind {
        EventKind::Commissioning => 0,
        EventKind::Component => 1,
        EventKind::Reading => 2,
        EventKind::Service => 3,
        EventKind::Placement | EventKind::Adoption | EventKind::Correction => 4,
    }
}

/// The targets whose last correction is a void, in order of id, each with that correction.
fn voids(input: &Input<'_>) -> Vec<(EventId, EventId)> {
    let mut all: Vec<(EventId, Instant, EventId, CorrectionAction)> = Vec::new();
    for event in input.events {
        if let Details::Correction(correction) = &event.details {
            // Where the unit stood may itself be corrected, so a correction's day is counted at the home site.
            let instant = match &event.occurred.when {
                When::At { instant, .. } => *instant,
                When::On(date) => {
                    let home = input.zones.get(&input.facts.home_site);
                    home.map_or_else(|| model::Zone::utc().midnight(*date), |zone| zone.midnight(*date))
                }
            };
            all.push((correction.target_id, instant, event.id, correction.action));
        }
    }
    all.sort_unstable_by_key(|(target, instant, id, _)| (*target, *instant, *id));
    let last_of_each = all.chunk_by(|a, b| a.0 == b.0).filter_map(|of_one| of_one.last());
    last_of_each
        .filter(|(.., action)| *action == CorrectionAction::Void)
        .map(|(target, _, correction, _)| (*target, *correction))
        .collect()
}
