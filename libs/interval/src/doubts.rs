//! Events that say against each other; all of them are kept, and whoever records one is told.

use std::collections::BTreeMap;

use model::{
    EventId, Instant, SiteId,
    event::{Component, StorageAction},
};

use crate::{
    adoption::rules,
    input::Input,
    placed::{Placed, What},
    places::{self, Stays},
    runs::Phase,
    settled::Settled,
    standing::{Standing, said},
};

/// What is doubtful about an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Doubt {
    /// It says that the unit was put into storage where it was there already.
    AlreadyInStorage,
    /// It says that the unit was taken out of storage where it was not there.
    NotInStorage,
    /// The same component was fitted or rebuilt twice within a day.
    FittedTwice,
    /// The same run stopped twice.
    StoppedTwice,
    /// The unit was put at two sites at one instant, or on one day of which no more is known.
    TwoPlaces,
    /// An edition took the place of one that came into force after it.
    OlderEdition,
}

/// Closer than this the same component is hardly changed again.
const SOON_SECONDS: i64 = 24 * 3600;

/// The doubtful events of a unit, by what counts of them.
pub fn doubts(input: &Input<'_>) -> Vec<(EventId, Doubt)> {
    let nothing = Settled::default();
    let standing = Standing::of(input, &nothing, Instant::LAST);
    let mut found = stored(&standing.events);
    found.extend(fitted(&standing.events));
    found.extend(stopped(&standing.events));
    found.extend(placed_twice(input, &standing.stays));
    found.extend(older(input, &standing));
    found.sort_unstable();
    found.dedup();
    found
}

/// Of two in a row that say the same, either may be the mistake.
fn stored(events: &[Placed<'_>]) -> Vec<(EventId, Doubt)> {
    let mut found = Vec::new();
    let mut before: Option<(EventId, StorageAction)> = None;
    for placed in events {
        let What::Storage(action) = placed.what else { continue };
        let doubt = match action {
            StorageAction::PutIn => Doubt::AlreadyInStorage,
            StorageAction::TakenOut => Doubt::NotInStorage,
        };
        match before {
            Some((earlier, same)) if same == action => found.extend([(earlier, doubt), (placed.id, doubt)]),
            None if action == StorageAction::TakenOut => found.push((placed.id, doubt)),
            _ => {}
        }
        before = Some((placed.id, action));
    }
    found
}

fn fitted(events: &[Placed<'_>]) -> Vec<(EventId, Doubt)> {
    let mut found = Vec::new();
    let mut last: Vec<(Component, EventId, Instant)> = Vec::new();
    for placed in events {
        let component = match placed.what {
            What::Fitted { component, .. } => component,
            What::Swap { .. } => Component::Meter,
            _ => continue,
        };
        let before = last.iter().position(|(known, ..)| *known == component).map(|at| last.swap_remove(at));
        if let Some((_, earlier, at)) = before
            && placed.instant.seconds_since(at) < SOON_SECONDS
        {
            found.extend([(earlier, Doubt::FittedTwice), (placed.id, Doubt::FittedTwice)]);
        }
        last.push((component, placed.id, placed.instant));
    }
    found
}

fn stopped(events: &[Placed<'_>]) -> Vec<(EventId, Doubt)> {
    let mut stops: BTreeMap<EventId, Vec<EventId>> = BTreeMap::new();
    for placed in events {
        if let What::Run { phase: Phase::Stop { of: run }, .. } = &placed.what {
            stops.entry(*run).or_default().push(placed.id);
        }
    }
    let twice = stops.into_values().filter(|stops| stops.len() > 1);
    twice.flatten().map(|stop| (stop, Doubt::StoppedTwice)).collect()
}

/// Of two places at once the event with the greater id counts, which is as good as by chance.
fn placed_twice(input: &Input<'_>, stays: &Stays) -> Vec<(EventId, Doubt)> {
    let mut at: BTreeMap<Instant, Vec<(EventId, SiteId)>> = BTreeMap::new();
    for said in said(input) {
        if let Some(site) = places::site(said.details) {
            at.entry(stays.instant(said.when)).or_default().push((said.id, site));
        }
    }
    let differ = |placed: &Vec<(EventId, SiteId)>| {
        placed.windows(2).any(|two| matches!(two, [one, other] if one.1 != other.1))
    };
    at.into_values().filter(differ).flatten().map(|(event, _)| (event, Doubt::TwoPlaces)).collect()
}

/// Of two adoptions in a row whose editions come the other way round, either may be the mistake.
fn older(input: &Input<'_>, standing: &Standing<'_>) -> Vec<(EventId, Doubt)> {
    let mut found = Vec::new();
    for two in rules(input, standing).windows(2) {
        if let [before, after] = two
            && before.schedule == after.schedule
            && after.edition.effective_from < before.edition.effective_from
        {
            found.extend([before.adoption, after.adoption].map(|event| (event, Doubt::OlderEdition)));
        }
    }
    found
}
