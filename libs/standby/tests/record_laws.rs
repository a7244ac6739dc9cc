//! Laws of what a record says, for any events.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod told;

use model::{Instant, event::ServiceEvent};
use proptest::prelude::*;
use serde_json::{Value, json};
use standby::{
    amount::Volume,
    fuel::TankNote,
    outage::OnSite,
    readiness::{Facts, Readiness, ReadinessPolicy, judge},
    record::{OutageAsked, Record, Uncounted},
};
use told::Unit;

/// 2025-06-01T00:00:00Z; events fall into the 60 days from then on.
const START: i64 = 1_748_736_000;
const MINUTES: i64 = 60 * 1440;

fn sprig() -> Unit {
    let fields = json!({"label": "U7", "home_site_id": "fs3", "fuel": "petrol", "rated_kw": 5.5, "tank_litres": 24,
        "burn_curve": [{"load_percent": 0, "litres_per_hour": 0.7}, {"load_percent": 100, "litres_per_hour": 3.2}],
        "electric_start": true, "battery_volts": 12});
    let sites = json!({"fs3": {"name": "Fire Station 3", "zone": "America/Denver", "needs_kw": 3.3, "needs_hours": 10.5},
        "yard": {"name": "Works Yard", "zone": "Pacific/Auckland"}});
    let editions = json!({"sprig": {"id": 800_001, "edition": "A", "effective_from": "2000-01-01", "source": "invented fixture",
        "tasks": [{"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6},
            "tolerance": {"hours": 10}},
        {"task": "oil_check", "job": "oil_check", "title": "Look at the oil", "limits": {"hours": 8}}]}});
    Unit::new(&fields, &sites, &editions)
}

fn instant(minute: i64) -> Instant {
    Instant::from_micros((START + minute * 60) * 1_000_000)
}

/// The instant as a text, and the day of it.
fn written(minute: i64) -> (String, String) {
    let text = instant(minute).to_string();
    let day = text[..10].to_owned();
    (text, day)
}

/// Hundredths as a number.
fn hundredths(of: i64) -> Value {
    let text = format!("{}.{:02}", of / 100, of % 100);
    serde_json::from_str(&text).unwrap()
}

fn litres() -> impl Strategy<Value = Value> {
    (1_i64..2400).prop_map(hundredths)
}

/// What a run carried and burned, as far as it was written down.
fn measured() -> impl Strategy<Value = Value> {
    prop_oneof![
        2 => Just(json!({})),
        3 => (0_i64..=550).prop_map(|load| json!({"load_kw": hundredths(load)})),
        2 => (0_i64..=11_000).prop_map(|load| json!({"load_percent": hundredths(load)})),
        2 => litres().prop_map(|litres| json!({"fuel_used_litres": litres})),
    ]
}

fn with(mut one: Value, more: &Value) -> Value {
    one.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    one
}

/// Whatever may happen to a unit, without its id and time; ids of others are places among 30.
fn details() -> impl Strategy<Value = Value> {
    let other = || 1_u64..30;
    let known = |action: &str, litres: Value| json!({"kind": "fuel", "action": action, "litres": litres});
    prop_oneof![
        4 => (litres(), prop::option::of(-90_i64..-2)).prop_map(move |(litres, bought)| {
            let bought = bought.map_or_else(|| json!({}), |day| json!({"bought_on": written(day * 1440).1}));
            with(known("filled", litres), &bought)
        }),
        2 => litres().prop_map(move |litres| known("taken", litres)),
        2 => litres().prop_map(move |litres| known("measured", litres)),
        1 => Just(json!({"kind": "fuel", "action": "treated"})),
        4 => (1_i64..600, prop::option::of(1_i64..60), measured()).prop_map(|(long, about, measured)| {
            let about = about.map_or_else(|| json!({}), |about| json!({"give_or_take_hours": hundredths(about)}));
            with(with(json!({"kind": "run", "run_hours": hundredths(long)}), &about), &measured)
        }),
        3 => prop::option::of(1_i64..4).prop_map(|tries| {
            let tries = tries.map_or_else(|| json!({}), |tries| json!({"start_attempts": tries}));
            with(json!({"kind": "run", "phase": "start"}), &tries)
        }),
        3 => (other(), measured()).prop_map(|(run, measured)| with(json!({"kind": "run", "phase": "stop", "run_id": run}), &measured)),
        1 => Just(json!({"kind": "run", "phase": "no_start"})),
        2 => (0_i64..50_000).prop_map(|hours| json!({"kind": "reading", "meter_hours": hundredths(hours * 10)})),
        1 => (any::<bool>(), any::<bool>()).prop_map(|(replaced, on)| json!({"kind": "battery", "replaced": replaced, "on_maintainer": on})),
        1 => any::<bool>().prop_map(|fit| json!({"kind": "battery", "result": if fit { "passed" } else { "failed" }, "volts": 12.4})),
        1 => Just(json!({"kind": "finding", "action": "opened", "severity": "critical"})),
        1 => other().prop_map(|finding| json!({"kind": "finding", "action": "closed", "finding_id": finding})),
        1 => (any::<bool>(), 0_i64..1000).prop_map(|(home, far)| json!({"kind": "placement",
            "site_id": if home { "fs3" } else { "yard" }, "from_openings_metres": hundredths(far)})),
        1 => any::<bool>().prop_map(|into| json!({"kind": "storage", "action": if into { "put_in" } else { "taken_out" }})),
        1 => Just(json!({"kind": "component", "component": "engine", "action": "fitted"})),
        1 => prop::sample::select(&["passed", "failed", "skipped"][..]).prop_map(|result| json!({"kind": "service",
            "jobs": [{"job": "co_alarm_check", "result": result}, {"job": "oil_change"}]})),
        1 => Just(json!({"kind": "adoption", "schedule_id": 800_002, "edition_id": 800_001})),
    ]
}

/// Events with ids from 1, each at its time or on its day.
fn life() -> impl Strategy<Value = Vec<Value>> {
    let one = (details(), 0..MINUTES, prop::bool::weighted(0.2));
    prop::collection::vec(one, 1..25).prop_map(|all| {
        let placed = |(place, (details, minute, by_day)): (usize, (Value, i64, bool))| {
            let (at, day) = written(minute);
            let when = if by_day { json!({"occurred_on": day}) } else { json!({"occurred_at": at}) };
            with(with(json!({"id": place + 1}), &when), &details)
        };
        all.into_iter().enumerate().map(placed).collect()
    })
}

fn facts_of(unit: &Unit, events: &[ServiceEvent], at: Instant) -> Facts {
    unit.folded(events, at).record().facts()
}

fn judged(unit: &Unit, events: &[ServiceEvent], at: Instant) -> Readiness {
    let folded = unit.folded(events, at);
    let record = folded.record();
    judge(&ReadinessPolicy::standard(), &record.facts(), at, record.zone)
}

/// All that a record is asked, for what must never panic.
fn ask_all(record: &Record<'_>) {
    let (facts, fuel) = (record.facts(), record.fuel());
    assert_eq!(facts.unit, record.unit);
    let asked = OutageAsked {
        load: None,
        fuel: None,
        on_site: OnSite { litres: model::Litres::from_hundredths(0), can_size: None },
        check_every: None,
        site_tank: false,
        from: record.at,
    };
    let set = record.outage_set(&asked);
    assert_eq!(set.running, record.open_run().is_some());
    if let Some(level) = fuel.and_then(|fuel| fuel.level()) {
        let holds = record.fields.tank_litres.map(Volume::from);
        assert!(holds.is_none_or(|holds| level <= holds), "{level:?} in a tank of {holds:?}");
    }
    assert!(record.test_runs().len() <= record.runs().len());
    assert!(record.demands().len() <= record.happened.len());
}

proptest! {
    #[test]
    fn facts_are_told_of_any_events(given in life(), minute in -1440..MINUTES + 1440) {
        let unit = sprig();
        ask_all(&unit.folded(&unit.events(&given), instant(minute)).record());
    }

    #[test]
    fn the_order_in_which_events_came_does_not_matter(given in life(), turn in 0_usize..25, minute in 0..MINUTES) {
        let unit = sprig();
        let (events, mut turned) = (unit.events(&given), unit.events(&given));
        turned.reverse();
        turned.rotate_left(turn % given.len());
        prop_assert_eq!(facts_of(&unit, &events, instant(minute)), facts_of(&unit, &turned, instant(minute)));
    }

    #[test]
    fn an_event_that_is_taken_out_is_as_if_it_had_never_been(given in life(), which in 0_usize..25, minute in 0..MINUTES) {
        let unit = sprig();
        let which = which % given.len();
        let mut without = given.clone();
        without.remove(which);
        let mut voided = given.clone();
        voided.push(json!({"id": 99, "kind": "correction", "occurred_at": written(0).0, "action": "void",
            "target_id": which + 1, "reason": "a slip"}));
        let at = instant(minute);
        prop_assert_eq!(facts_of(&unit, &unit.events(&voided), at), facts_of(&unit, &unit.events(&without), at));
    }

    /// A verdict holds until the instant that it tells, if nothing new is recorded.
    #[test]
    fn a_verdict_holds_as_long_as_it_says(given in life(), after in 0..3 * 1440_i64, part in 0_i64..=1000) {
        let unit = sprig();
        let events = unit.events(&given);
        let at = instant(MINUTES + after);
        let now = judged(&unit, &events, at);
        let until = now.until.unwrap_or(at.plus_seconds(400 * 86_400));
        let width = i128::from(until.micros() - at.micros() - 1);
        let then = Instant::from_micros(at.micros() + i64::try_from(width * i128::from(part) / 1000).unwrap());
        let then = judged(&unit, &events, then);
        let codes = |of: &Readiness| of.reasons.iter().map(|r| (r.severity, r.code, r.rule.clone(), r.job.clone())).collect::<Vec<_>>();
        prop_assert_eq!(now.verdict, then.verdict);
        prop_assert_eq!(codes(&now), codes(&then), "until {}", until);
    }

    /// What is in the tank, was burned and was taken out, is what was filled in, but for what measuring showed.
    #[test]
    fn nothing_is_lost_of_what_was_filled_in(
        changes in prop::collection::vec((0_usize..3, litres(), 0..MINUTES), 1..12),
        runs in prop::collection::vec((1_i64..600, 1_i64..2000), 0..8),
    ) {
        let unit = sprig();
        let word = |of: usize| ["filled", "taken", "measured"][of];
        let mut given: Vec<Value> = changes.iter().map(|(of, litres, minute)| json!({"kind": "fuel", "action": word(*of),
            "litres": litres, "occurred_at": written(*minute).0})).collect();
        let mut minute = 0;
        for (long, used) in &runs {
            given.push(json!({"kind": "run", "run_hours": hundredths(long * 10), "fuel_used_litres": hundredths(*used),
                "occurred_at": written(minute).0}));
            minute += long * 6 + 60;
        }
        let events = unit.events(&given);
        let folded = unit.folded(&events, instant(MINUTES * 2));
        let fuel = folded.record().fuel().unwrap();
        prop_assert_eq!(&fuel.uncounted, &Vec::<Uncounted>::new());
        let number = |value: &Value| (value.as_f64().unwrap() * 100.0).round();
        let sum = |of: usize| changes.iter().filter(|one| one.0 == of).map(|one| number(&one.1)).sum::<f64>();
        let used: f64 = runs.iter().map(|(_, used)| f64::from(i32::try_from(*used).unwrap())).sum();
        let noted = |note: &TankNote| match note {
            TankNote::TakenMoreThanHeld { missing_litres, .. } => missing_litres.hundredths(),
            TankNote::MeasuredLess { difference_litres, .. } => -difference_litres.hundredths(),
            TankNote::MeasuredMore { difference_litres, .. } => difference_litres.hundredths(),
            TankNote::OverCapacity { .. } | TankNote::LeftOutLater { .. } => 0,
        };
        let noted: i64 = fuel.ledger.notes.iter().map(noted).sum();
        let held = fuel.ledger.tank.volume().litres().hundredths();
        let expected = sum(0) - sum(1) - used + f64::from(i32::try_from(noted).unwrap());
        // Notes are told to the hundredth.
        let apart = (expected - f64::from(i32::try_from(held).unwrap())).abs();
        prop_assert!(apart <= 1.0 + fuel.ledger.notes.len() as f64, "{held}, not {expected}");
    }
}
