//! Histories in which everything that the wire knows may happen, in any order and of any sense.

use model::Instant;
use serde_json::{Value, json};

use super::mutate::Chance;

pub(crate) const ZONES: [&str; 4] =
    ["America/Denver", "America/Phoenix", "Australia/Lord_Howe", "Pacific/Kiritimati"];

const JOBS: [&str; 5] = ["oil", "filter", "clean", "plug", "oil_analysis"];

/// 2024-01-01T00:00:00Z; events fall into the two years from then on.
const START: i64 = 1_704_067_200;
const DAYS: usize = 730;

pub(crate) fn id(kind: u8, n: usize) -> String {
    format!("0194d000-{kind:04x}-7000-8000-{n:012x}")
}

/// Instants that are asked about: within, between and long after the events, and at both ends of time.
pub(crate) fn moments() -> impl Iterator<Item = Instant> {
    let days = [0, 100, 365, 729, 1000, 4000];
    days.map(|day| Instant::from_micros(START * 1_000_000).plus_seconds(day * 86_400 + 3601))
        .into_iter()
        .chain(["1970-01-01T00:00:00Z", "2199-12-31T00:00:00Z"].map(|text| Instant::parse(text).unwrap()))
}

pub(crate) fn drawn(chance: &mut Chance) -> Value {
    let count = 3 + chance.below(25);
    let mut events: Vec<Value> = (0..2)
        .map(|n| {
            json!({"id": id(2, 900 + n), "unit_id": id(5, 0), "kind": "adoption", "occurred_on": "2024-01-01",
                        "schedule_id": id(4, n), "edition_id": id(3, n)})
        })
        .collect();
    events.extend((0..count).map(|n| event(n, chance)));
    let unit = json!({
        "label": "FZ-1", "home_site_id": id(1, chance.below(4)), "fuel": "diesel", "emergency_use": true, "serial": "TV150",
        "meter_fitted": chance.below(4) > 0, "meter_tick_hours": 0.1, "tank_litres": 24, "burn_litres_per_hour": 1.9,
        "meter_rollover_hours": *chance.of(&[100, 1000, 10_000]), "features": ["stabiliser"], "electric_start": true,
    });
    let editions: Vec<Value> = (0..3)
        .map(|n| {
            let tasks: Vec<Value> = (0..=chance.below(4)).map(|at| task(at, chance)).collect();
            json!({"edition": n.to_string(), "effective_from": "2000-01-01", "source": "invented fixture", "tasks": tasks})
        })
        .collect();
    json!({"unit": unit, "editions": editions, "events": events})
}

fn when(chance: &mut Chance) -> (&'static str, Value) {
    let minute = i64::try_from(chance.below(DAYS * 1440)).unwrap();
    let instant = Instant::from_micros(START * 1_000_000).plus_seconds(minute * 60).to_string();
    if chance.below(6) == 0 { ("occurred_on", json!(instant[..10])) } else { ("occurred_at", json!(instant)) }
}

fn date(chance: &mut Chance) -> String {
    let day = i64::try_from(chance.below(DAYS)).unwrap();
    Instant::from_micros(START * 1_000_000).plus_seconds(day * 86_400).to_string()[..10].to_owned()
}

fn hours(chance: &mut Chance) -> f64 {
    f64::from(u32::try_from(chance.below(20_000)).unwrap()) / 10.0
}

fn event(n: usize, chance: &mut Chance) -> Value {
    let mut event = details(n, chance);
    let (member, value) = when(chance);
    let members = event.as_object_mut().unwrap();
    members.insert("id".to_owned(), json!(id(2, n)));
    members.insert("unit_id".to_owned(), json!(id(5, usize::from(chance.below(12) == 0))));
    members.insert(member.to_owned(), value);
    event
}

fn details(n: usize, chance: &mut Chance) -> Value {
    let other = id(2, chance.below(n + 3));
    let task = *chance.of(&["t0", "t1", "t2"]);
    let schedule = id(4, chance.below(2));
    match chance.below(18) {
        0..3 => json!({"kind": "reading", "meter_hours": hours(chance)}),
        3..6 => service(chance),
        6 => {
            json!({"kind": "commissioning", "site_id": id(1, chance.below(4)), "meter_hours": hours(chance)})
        }
        7 => json!({"kind": "placement", "site_id": id(1, chance.below(5))}),
        8 => {
            json!({"kind": "run", "run_hours": 1 + chance.below(100), "give_or_take_hours": 1, "reason": "test"})
        }
        9 => json!({"kind": "run", "phase": "start", "reason": *chance.of(&["emergency", "test"])}),
        10 => json!({"kind": "run", "phase": "stop", "run_id": other, "meter_hours": hours(chance)}),
        11 => json!({"kind": "storage", "action": *chance.of(&["put_in", "taken_out"])}),
        12 => json!({"kind": "duty", "causes": ["dust"], "effective_from": date(chance)}),
        13 => json!({"kind": "setting", "effective_from": date(chance), "limits_of": {
            "schedule_id": schedule, "task": task, "limits": {"hours": 1 + chance.below(200)}}}),
        14 => json!({"kind": "deferral", "schedule_id": schedule, "task": task, "authorised_by": id(6, 0),
            "reason": "parts", "until_hours": hours(chance), "until_date": date(chance)}),
        15 => {
            json!({"kind": "component", "component": "meter", "action": "fitted", "new_meter_hours": hours(chance)})
        }
        16 => json!({"kind": "component", "component": *chance.of(&["engine", "alternator", "starter"]),
            "action": "rebuilt", "meter_hours": hours(chance)}),
        _ => correction(other, n, chance),
    }
}

fn service(chance: &mut Chance) -> Value {
    let job = *chance.of(&JOBS);
    let mut done = json!({"job": job, "result": *chance.of(&["done", "passed", "failed", "skipped"])});
    if job == "oil_analysis" {
        done = json!({"job": job, "analysis": {"results_on": date(chance), "water_percent": 0.51, "running": false}});
    }
    if chance.below(3) == 0 {
        json!({"kind": "service", "jobs": [done]})
    } else {
        json!({"kind": "service", "jobs": [done], "meter_hours": hours(chance)})
    }
}

fn correction(target: String, n: usize, chance: &mut Chance) -> Value {
    let other = id(2, chance.below(n + 3));
    let mut correction = match chance.below(7) {
        0..2 => json!({"action": "void", "target_id": target}),
        2 => json!({"action": "reinstate", "target_id": target}),
        3 => json!({"action": "confirm", "target_id": target}),
        4 => json!({"action": "reassign", "target_id": target, "to_unit_id": id(5, chance.below(2))}),
        5 => json!({"action": *chance.of(&["link", "unlink"]), "target_id": target, "other_id": other}),
        _ => json!({"action": "link", "other_unit_id": id(5, 1)}),
    };
    let members = correction.as_object_mut().unwrap();
    members.insert("kind".to_owned(), json!("correction"));
    members.insert("reason".to_owned(), json!("invented"));
    correction
}

fn task(n: usize, chance: &mut Chance) -> Value {
    let mut task =
        json!({"task": format!("t{n}"), "job": *chance.of(&JOBS), "title": "T", "limits": limits(chance)});
    let members = task.as_object_mut().unwrap();
    let mut may = |name: &str, value: Value, chance: &mut Chance| {
        if chance.below(4) == 0 {
            members.insert(name.to_owned(), value);
        }
    };
    let first = plain_limits(chance);
    may("first", first, chance);
    may("tolerance", json!({"hours": 10, "days": 14}), chance);
    may("lead", json!({"hours": 5, "days": 350}), chance);
    may("component", json!("engine"), chance);
    may("may_wait_in_emergency", json!(true), chance);
    may("substitute_factor", json!(0.01), chance);
    may("reset_by_passed", json!(["oil_analysis"]), chance);
    may("needs", json!(["electric_start"]), chance);
    let storage = json!(*chance.of(&["runs", "pauses", "goes_on"]));
    may("storage", storage, chance);
    may("duplicates", json!({"hours": 5, "clock_hours": 200}), chance);
    if chance.below(3) == 0 {
        let anchor = *chance.of(&["grid", "planned", "planned_within"]);
        members.insert("limits".to_owned(), plain_limits(chance));
        members.insert("anchor".to_owned(), json!(anchor));
        if anchor == "planned_within" {
            members.insert("within_percent".to_owned(), json!(1 + chance.below(50)));
        }
    } else if chance.below(3) == 0 {
        let severe = json!({"hours": 1, "mode": *chance.of(&["weighted", "strict"])});
        members.insert("severe".to_owned(), severe);
        members.insert("limits".to_owned(), json!({"hours": 100, "months": 6}));
    }
    task
}

fn limits(chance: &mut Chance) -> Value {
    match chance.below(6) {
        0 => json!({"hours": 0.01}),
        1 => json!({"days": 1 + chance.below(400), "on_failed": {"job": "oil_analysis", "business_days": 2}}),
        2 => json!({"months": 1 + chance.below(3), "to_month_end": true}),
        3 => json!({"fixed_dates": ["01-31", "04-15", "10-15"]}),
        _ => plain_limits(chance),
    }
}

fn plain_limits(chance: &mut Chance) -> Value {
    match chance.below(3) {
        0 => json!({"hours": 1 + chance.below(300), "months": 1 + chance.below(24)}),
        1 => json!({"days": 1 + chance.below(400)}),
        _ => json!({"hours": 1 + chance.below(300)}),
    }
}
