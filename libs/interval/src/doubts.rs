//! Events that say against each other; all of them are kept, and whoever records one is told.

use std::collections::BTreeMap;

use model::{
    EventId, Instant,
    event::{Component, StorageAction},
};

use crate::{
    input::Input,
    placed::{Placed, What},
    runs::Phase,
    settled::Settled,
    standing::Standing,
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
