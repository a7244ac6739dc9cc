//! Due state in the pure library, on one core.

use std::{collections::BTreeMap, hint::black_box, sync::Arc};

use anyhow::{Context, Result};
use interval::{Input, Policy, UnitFacts, UnitState, refold};
use model::{Hours, Instant, Zone, event::ServiceEvent};

use crate::{
    options::Options,
    stats::middle,
    table::{Line, seconds_of},
    town::{NOW, Places, twelve_tasks},
    unit::Unit,
};

/// How many units are folded; at twelve tasks each they have a million due items.
const UNITS: usize = 83_334;
/// Histories that differ; more would measure the memory.
const HISTORIES: usize = 1000;
const EVENTS: usize = 20;
const BAR: f64 = 2.0;

/// Two lines of the table: due state, and the steps of it.
pub(crate) fn lines(options: &Options) -> Result<Vec<Line>> {
    let places = Places::new();
    let histories = (0..HISTORIES).map(|n| history(&places, n)).collect::<Result<Vec<_>>>()?;
    let edition = Arc::new(twelve_tasks()?);
    let editions = places.schedules.iter().map(|(_, id)| (*id, Arc::clone(&edition))).collect();
    let zone = Zone::parse("America/Denver")?;
    let zones: BTreeMap<_, _> = places.sites.iter().map(|site| (*site, zone.clone())).collect();
    let now = Instant::parse(NOW)?;
    let fold = |n: usize| {
        let (facts, events) = histories.get(n % HISTORIES)?;
        Some(refold(&Input {
            unit: events.first()?.unit_id,
            facts,
            events,
            zones: &zones,
            editions: &editions,
            policy: &Policy::standard(),
        }))
    };
    let each = |work: &dyn Fn(&UnitState)| -> Result<Vec<f64>> {
        let once = || on_core(|| (0..UNITS).filter_map(&fold).for_each(|state| work(&state)));
        let mut seconds = (0..options.rounds).map(|_| once()).collect::<Result<Vec<_>>>()?;
        seconds.sort_by(f64::total_cmp);
        Ok(seconds)
    };
    let items = each(&|state| drop(black_box(state.items_at(now))))?;
    let steps = each(&|state| {
        black_box(state.items_at(now));
        black_box(state.steps_from(now));
    })?;
    let what = "due state in the library: 83,334 units × 12 tasks, 20 events each, one core";
    Ok(vec![
        Line::figure(what, "", seconds_of(&items), "under 2 s", Some(middle(&items) < BAR)),
        Line::figure("the same with all steps ahead", "", seconds_of(&steps), "", None),
    ])
}

fn history(places: &Places, n: usize) -> Result<(UnitFacts, Vec<ServiceEvent>)> {
    let shift = i64::try_from(n)? * 97;
    let mut unit = Unit::new(places, n, Instant::parse("2025-06-01T08:00:00Z")?.plus_seconds(shift));
    let events = unit.lives(EVENTS, Instant::parse("2026-06-09T12:00:00Z")?)?;
    Ok((UnitFacts::plain(true, Hours::from_hundredths(10), unit.site()), events))
}

/// The seconds that some work of this thread takes of a core; what else the machine does does not count.
pub(crate) fn on_core(work: impl FnOnce()) -> Result<f64> {
    let before = nanoseconds()?;
    work();
    Ok((nanoseconds()? - before) / 1e9)
}

/// For how long this thread has run, in nanoseconds.
fn nanoseconds() -> Result<f64> {
    let told = std::fs::read_to_string("/proc/thread-self/schedstat")?;
    Ok(told.split(' ').next().context("an empty schedstat")?.parse()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thread_that_works_takes_time_of_a_core() {
        let seconds = on_core(|| (0..100_000_u32).for_each(|n| drop(black_box(n.to_string())))).unwrap();
        assert!(seconds > 0.0);
    }

    #[test]
    fn a_history_has_as_many_events_as_it_says() {
        let (_, events) = history(&Places::new(), 7).unwrap();
        assert_eq!(events.len(), EVENTS);
        let at = |event: &ServiceEvent| event.occurred.when.instant(&Zone::utc());
        assert!(events.is_sorted_by_key(at), "later things come later");
    }
}
