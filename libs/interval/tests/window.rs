//! What of a unit falls into a window of time.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use interval::{Grade, RunWithin, UnitState};
use model::Instant;
use proptest::prelude::*;
use serde_json::{Value, json};

use self::fixture::{World, event, site};

fn state(events: &[(i64, bool, Value)]) -> UnitState {
    let events: Vec<_> = events
        .iter()
        .enumerate()
        .map(|(n, (minute, by_day, details))| event(n, *minute, *by_day, details.clone()))
        .collect();
    World::new(false).fold(&events)
}

/// The instant of a minute, as events say it.
fn at(minute: i64) -> Instant {
    let (_, text) = fixture::when(minute, false);
    Instant::parse(&text).unwrap()
}

fn run(hours: f64) -> Value {
    json!({"kind": "run", "run_hours": hours, "reason": "emergency"})
}

fn micros(runs: &[RunWithin]) -> i64 {
    runs.iter().map(|run| run.until.unwrap().micros() - run.from.micros()).sum()
}

#[test]
fn a_run_is_cut_to_the_window_and_to_the_stays() {
    let moved = json!({"kind": "placement", "site_id": site(1)});
    let state = state(&[(0, false, run(4.0)), (120, false, moved)]);
    let all = state.runs_within(at(-60), at(600), at(9_000));
    let told: Vec<_> =
        all.iter().map(|run| (run.site_id, run.from, run.until, run.is_part, run.grade)).collect();
    assert_eq!(
        told,
        [(site(0), at(0), Some(at(120)), true, Grade::A), (site(1), at(120), Some(at(240)), true, Grade::A)]
    );
    let cut = state.runs_within(at(180), at(210), at(9_000));
    assert_eq!((cut.len(), cut[0].from, cut[0].until, cut[0].is_part), (1, at(180), Some(at(210)), true));
    assert!(state.runs_within(at(240), at(600), at(9_000)).is_empty());
    assert!(state.runs_within(at(-60), at(0), at(9_000)).is_empty());
}

#[test]
fn a_run_without_a_stop_goes_on_until_now_or_has_no_end() {
    let start = json!({"kind": "run", "phase": "start"});
    let open = state(&[(0, false, start.clone())]).runs_within(at(-60), at(600), at(300));
    assert_eq!((open[0].until, open[0].goes_on, open[0].grade), (Some(at(300)), true, Grade::C));
    let cut = state(&[(0, false, start.clone())]).runs_within(at(-60), at(60), at(300));
    assert_eq!((cut[0].until, cut[0].goes_on, cut[0].is_part), (Some(at(60)), false, true));
    // Another began: when the first had ended nobody knows.
    let missing = state(&[(0, false, start), (120, false, run(1.0))]).runs_within(at(-60), at(600), at(900));
    assert_eq!((missing[0].until, missing[0].grade), (None, Grade::D));
    assert_eq!(missing[1].until, Some(at(180)));
}

#[test]
fn of_a_run_on_a_day_it_is_known_only_whether_all_of_the_day_is_within() {
    let state = state(&[(0, true, run(3.0))]);
    let day = 24 * 60;
    let all = state.runs_within(at(-2 * day), at(3 * day), at(9 * day));
    assert_eq!((all.len(), all[0].only_day, all[0].grade), (1, true, Grade::C));
    assert_eq!(micros(&all), 3 * 3_600_000_000);
    let begun = all[0].from;
    let within = state.runs_within(begun.plus_seconds(3600), at(3 * day), at(9 * day));
    assert_eq!((within[0].until, within[0].grade), (None, Grade::D));
}

proptest! {
    /// Windows that lie side by side tell as much as one over both, and no run lies outside of its window.
    #[test]
    fn windows_side_by_side_are_as_one(
        raw in prop::collection::vec((0_i64..600, 1_i64..90), 0..8), (a, b, c) in (0_i64..700, 0_i64..700, 0_i64..700),
    ) {
        let mut edges = [a, b, c];
        edges.sort_unstable();
        let [a, b, c] = edges.map(at);
        let runs: Vec<_> = raw.iter().map(|(from, long)| {
            let until = fixture::when(from + long, false).1;
            (*from, false, json!({"kind": "run", "stopped_at": until}))
        }).collect();
        let state = state(&runs);
        let now = at(9_000);
        let (one, two, both) = (state.runs_within(a, b, now), state.runs_within(b, c, now), state.runs_within(a, c, now));
        prop_assert_eq!(micros(&one) + micros(&two), micros(&both));
        prop_assert!(both.iter().all(|run| a <= run.from && run.until.unwrap() <= c && run.from < run.until.unwrap()));
    }
}
