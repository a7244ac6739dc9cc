//! Any history that the wire accepts has a due state, or is refused with its reasons: never a panic, never a wait.
//!
//! A history is drawn, then mutated as JSON: members set, taken out, moved from one event to another. The number of
//! histories is `KEEPSTART_FUZZ_HISTORIES`, and the seed of the first `KEEPSTART_FUZZ_SEED`; each history is told by
//! its own seed.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use std::{
    collections::BTreeMap,
    panic::{self, AssertUnwindSafe},
    sync::Arc,
    thread,
    time::{Duration, Instant as Moment},
};

use interval::{Input, ItemKey, Policy, UnitFacts, refold_compact, refold_until, state_in};
use model::{
    EditionId, Instant, SiteId, UnitId, Zone,
    event::ServiceEvent,
    json,
    read::{self, Mode, Object},
    schedule::Edition,
    unit::UnitFields,
};
use serde_json::{Value, json};

use self::mutate::{Chance, mutated};

#[path = "fuzz/history.rs"]
mod history;
#[path = "fuzz/mutate.rs"]
mod mutate;

/// What one history may take at most, unoptimized and on a busy machine; a hundred times what it does take.
const LONGEST: Duration = Duration::from_secs(20);

#[test]
fn whatever_the_wire_accepts_has_a_due_state() {
    let (count, seed) = (number("KEEPSTART_FUZZ_HISTORIES", 1500), number("KEEPSTART_FUZZ_SEED", 1));
    let cores = thread::available_parallelism().map_or(1, |cores| u64::try_from(cores.get()).unwrap());
    let workers: Vec<_> = (0..cores)
        .map(|worker| {
            let seeds = (seed..seed + count).filter(move |seed| seed % cores == worker);
            thread::spawn(move || seeds.map(|seed| (seed, outcome(seed))).collect::<Vec<_>>())
        })
        .collect();
    let outcomes: Vec<(u64, Outcome)> =
        workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect();
    let wrong: Vec<String> = outcomes
        .iter()
        .filter_map(|(seed, outcome)| match outcome {
            Outcome::Broke(what) => Some(format!("seed {seed}: {what}\n{}", json!(history_of(*seed)))),
            _ => None,
        })
        .collect();
    assert!(
        wrong.is_empty(),
        "{} histories break it:\n{}",
        wrong.len(),
        wrong[..wrong.len().min(3)].join("\n")
    );
    let of = |wanted: Outcome| outcomes.iter().filter(|(_, outcome)| *outcome == wanted).count();
    let (answered, refused) = (of(Outcome::Answered), of(Outcome::Refused));
    assert!(answered * 4 > outcomes.len(), "of {} histories only {answered} are accepted", outcomes.len());
    assert!(refused > 0, "no mutation was refused");
}

#[derive(Debug, PartialEq)]
enum Outcome {
    Answered,
    Refused,
    Broke(String),
}

/// What comes of the history of a seed.
fn outcome(seed: u64) -> Outcome {
    let history = history_of(seed);
    let began = Moment::now();
    let done = panic::catch_unwind(AssertUnwindSafe(|| judge(&history)));
    let took = began.elapsed();
    match done {
        _ if took > LONGEST => Outcome::Broke(format!("took {took:?}")),
        Ok(true) => Outcome::Answered,
        Ok(false) => Outcome::Refused,
        Err(why) => {
            let text = why.downcast_ref::<String>().cloned();
            let text = text.or_else(|| why.downcast_ref::<&str>().map(|text| (*text).to_owned()));
            Outcome::Broke(text.unwrap_or_else(|| "a panic".to_owned()))
        }
    }
}

fn history_of(seed: u64) -> Value {
    let mut chance = Chance::new(seed);
    let mut history = history::drawn(&mut chance);
    for _ in 0..chance.below(4) {
        mutated(&mut history, &mut chance);
    }
    history
}

/// Whether the wire accepts it; if it does, everything is asked of it that can be.
fn judge(history: &Value) -> bool {
    let Some(facts) = whole(&history["unit"], UnitFields::read).and_then(|fields| UnitFacts::of(&fields))
    else {
        return false;
    };
    let Some(editions) = all(history, "editions", Edition::read) else { return false };
    let Some(events) = all(history, "events", ServiceEvent::read) else { return false };
    let editions: BTreeMap<EditionId, Arc<Edition>> = editions
        .into_iter()
        .enumerate()
        .map(|(n, edition)| (EditionId::parse(&history::id(3, n)).unwrap(), Arc::new(edition)))
        .collect();
    let zones: BTreeMap<SiteId, Zone> = history::ZONES
        .iter()
        .enumerate()
        .map(|(n, zone)| (SiteId::parse(&history::id(1, n)).unwrap(), Zone::parse(zone).unwrap()))
        .collect();
    let input = Input {
        unit: UnitId::parse(&history::id(5, 0)).unwrap(),
        facts: &facts,
        events: &events,
        zones: &zones,
        editions: &editions,
        policy: &Policy::standard(),
    };
    let folded = refold_compact(&input);
    for at in history::moments() {
        drop(refold_until(&input, at).items_at(at));
        ask(&folded.state, at);
    }
    true
}

fn ask(state: &interval::UnitState, at: Instant) {
    let items = state.items_at(at);
    for (item, steps) in items.iter().zip(state.steps_from(at)) {
        let step = state_in(&steps.steps, at).unwrap();
        assert_eq!((step.state, step.reason), (item.state, item.reason), "{} at {at}", item.task);
        let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
        drop((state.trace_at(&key, at), state.projection(&key, at)));
    }
    if let Some(range) = state.hours_at(at).range {
        assert!(range.lower <= range.nominal && range.nominal <= range.upper, "{range:?} at {at}");
    }
    drop((state.hours_report(at), state.quality(), serde_json::to_string(&items).unwrap()));
}

fn all<T>(history: &Value, name: &str, read: impl Fn(&mut Object<'_>) -> Option<T>) -> Option<Vec<T>> {
    history[name].as_array()?.iter().map(|value| whole(value, &read)).collect()
}

fn whole<T>(value: &Value, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> Option<T> {
    // What a request says in numbers is text until it is read; so it is here.
    let value = json::parse(value.to_string().as_bytes()).ok()?;
    read::whole(&value, Mode::New, read).ok()
}

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name)
        .map_or(otherwise, |text| text.parse().unwrap_or_else(|_| panic!("{name} is no number")))
}
