//! Worked examples that the project was specified with, played in the order of their clocks: each event is recorded
//! while the clock stands where the example has it, and the answer is read at that very instant.

use std::collections::BTreeMap;

use blackbox::{Backend, Town, World, none_failed, on_both, world::id_of};
use serde_json::{Value, json};

use super::{differences, due, listed_as};

on_both!(worked_examples);

/// The clock comes to an instant, something is recorded, and the answer has these figures.
struct Step {
    /// The example, whose figures they are, and what of it; each has a unit of its own.
    example: &'static str,
    clock: &'static str,
    /// The schedule that the unit follows.
    follows: &'static str,
    events: Vec<Value>,
    due: Value,
}

fn worked_examples(backend: Backend) {
    let steps = steps();
    let mut clock = steps[0].clock;
    let mut world = World::at(backend, clock);
    let mut town = world.town();
    let bench = Bench::new(&town);
    let mut units = BTreeMap::new();
    let mut failures = Vec::new();
    for step in steps {
        if step.clock != clock {
            clock = step.clock;
            world.restart_at(clock);
            world.reach(&mut town);
        }
        let (unit_name, _) = step.example.split_once(':').unwrap();
        let unit = units.entry(unit_name).or_insert_with(|| bench.unit(&town, unit_name, step.follows));
        for mut event in step.events {
            event["unit_id"] = json!(unit);
            if event["kind"] == "commissioning" {
                event["site_id"] = json!(bench.site);
            }
            town.record(event);
        }
        let found = due(&town, unit);
        differences(&step.due, &found, &format!("{} at {clock}", step.example), &mut failures);
        listed_as(&town, unit, &found);
    }
    none_failed(&failures);
}

/// A site at UTC-7 all year, and the schedules of the examples.
struct Bench {
    site: String,
    editions: BTreeMap<&'static str, (String, String)>,
}

impl Bench {
    fn new(town: &Town) -> Self {
        let boss = town.coordinator();
        let site = json!({"name": "Station 3", "zone": "America/Phoenix"});
        let site = id_of(&boss.post("/v1/sites", &site).expect(201).json());
        let mut editions = BTreeMap::new();
        for (name, tasks) in [("sprig", sprig()), ("oil", oil_only())] {
            let schedule = json!({"title": name, "publisher": "Tarn Valley", "basis": "maker"});
            let schedule = id_of(&boss.post("/v1/schedules", &schedule).expect(201).json());
            let edition = json!({"edition": "A", "effective_from": "2020-01-01", "source": "invented fixture", "tasks": tasks});
            let path = format!("/v1/schedules/{schedule}/editions");
            let edition = id_of(&boss.post(&path, &edition).expect(201).json());
            editions.insert(name, (schedule, edition));
        }
        Self { site, editions }
    }

    fn unit(&self, town: &Town, label: &str, follows: &str) -> String {
        let unit = json!({"label": label, "home_site_id": self.site, "fuel": "petrol", "rated_kw": 5.5});
        let unit = id_of(&town.coordinator().post("/v1/units", &unit).expect(201).json());
        let (schedule, edition) = &self.editions[follows];
        let adoption = json!({"kind": "adoption", "schedule_id": schedule, "edition_id": edition, "effective_from": "2020-01-01"});
        town.happened(&unit, "2025-01-01T09:00:00-07:00", adoption);
        unit
    }
}

/// The tasks of the fixture model Sprig that the examples use.
fn sprig() -> Value {
    json!([
        {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6}, "first": {"hours": 20, "months": 1}},
        {"task": "filter_clean", "job": "filter_clean", "title": "Clean the filter", "limits": {"hours": 50, "months": 3}},
        {"task": "filter_replace", "job": "filter_replace", "title": "Replace the filter", "limits": {"hours": 300, "months": 12}, "satisfies": ["filter_clean"]},
        {"task": "plug_inspect", "job": "plug_inspect", "title": "Inspect the plug", "limits": {"hours": 100, "months": 6}},
        {"task": "plug_replace", "job": "plug_replace", "title": "Replace the plug", "limits": {"hours": 300, "months": 12}, "satisfies": ["plug_inspect"]},
    ])
}

/// An oil change by hours alone, without and with tolerance.
fn oil_only() -> Value {
    json!([
        {"task": "strict", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100}},
        {"task": "tolerant", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100}, "tolerance": {"hours": 10}},
    ])
}

/// The steps in the order of their clocks.
fn steps() -> Vec<Step> {
    let commissioned = || happened("2025-01-15", json!({"kind": "commissioning", "meter_hours": 0}));
    let swapped = json!({"kind": "component", "component": "meter", "action": "fitted", "old_meter_hours": 483.7, "new_meter_hours": 2.3});
    let unknown = json!({"state": "unknown", "reason": "no_history", "action": "baseline_service", "governing": null, "hours": null, "calendar": null, "due_at": null});
    let strict = |state: &str, limit: f64, left: f64| json!({"items": {"strict": {"state": state, "hours": {"limit_hours": limit, "left_hours": left}}}});
    let both = |strict: &str, tolerant: &str| json!({"items": {"strict": {"state": strict}, "tolerant": {"state": tolerant}}});
    vec![
        step(
            "A09 done: scenario 2, the regular limits count from the early service",
            "2025-02-14T16:00:00Z",
            "sprig",
            vec![commissioned(), oil("2025-02-14T09:00:00-07:00", 13.2)],
            json!({"items": {"oil_change": {"state": "ok", "hours": {"limit_hours": 113.2}, "calendar": {"limit_date": "2025-08-14"}}}}),
        ),
        step(
            "A09 not done: scenario 1, due by date with 14.0 of 20 hours",
            "2025-02-15T16:00:00Z",
            "sprig",
            vec![commissioned(), reading("2025-02-15T09:00:00-07:00", 14.0)],
            json!({"items": {"oil_change": {
                "state": "due", "governing": "calendar", "due_at": "2025-02-15T07:00:00Z",
                "hours": {"limit_hours": 20, "now_hours": 14, "left_hours": 6}, "calendar": {"limit_date": "2025-02-15", "left_days": 0},
            }}}),
        ),
        step(
            "A04: engine hours run on across a meter swap",
            "2025-04-20T16:00:00Z",
            "sprig",
            vec![
                oil("2025-02-01T09:00:00-07:00", 431.2),
                happened("2025-04-02T09:00:00-07:00", swapped),
                reading("2025-04-20T09:00:00-07:00", 31.5),
            ],
            json!({
                "engine_hours": {"nominal_hours": 512.9},
                "items": {"oil_change": {"hours": {"used_hours": 81.7, "limit_hours": 531.2, "limit_meter_hours": 49.8}}},
            }),
        ),
        step(
            "B15: believed overdue by 5.0 before the late entry",
            "2025-05-05T16:00:00Z",
            "oil",
            vec![oil("2025-03-10", 140.0), reading("2025-05-05T09:00:00-07:00", 245.0)],
            strict("overdue", 240.0, -5.0),
        ),
        step(
            "B15: a service of 2 May recorded on 9 May moves the due point",
            "2025-05-09T16:00:00Z",
            "oil",
            vec![oil("2025-05-02", 239.0)],
            json!({"items": {"strict": {"state": "ok", "hours": {"limit_hours": 339}}}}),
        ),
        step(
            "B15: 92.0 left at 247.0",
            "2025-05-10T16:00:00Z",
            "oil",
            vec![reading("2025-05-10T09:00:00-07:00", 247.0)],
            strict("ok", 339.0, 92.0),
        ),
        step(
            "A03: 240.0 is due",
            "2025-06-01T16:00:00Z",
            "oil",
            vec![oil("2025-03-10T09:00:00-07:00", 140.0), reading("2025-06-01T09:00:00-07:00", 240.0)],
            both("due", "due"),
        ),
        step(
            "A03: 240.1 is overdue, but not with 10 h tolerance",
            "2025-06-02T16:00:00Z",
            "oil",
            vec![reading("2025-06-02T09:00:00-07:00", 240.1)],
            both("overdue", "due"),
        ),
        step(
            "A25: the day is that of the place",
            "2025-06-02T16:00:00Z",
            "sprig",
            vec![oil("2025-06-01T03:30:00Z", 100.0)],
            json!({"items": {"oil_change": {"calendar": {"anchor_date": "2025-05-31", "limit_date": "2025-11-30"}}}}),
        ),
        step(
            "A55: no history is unknown",
            "2025-06-02T16:00:00Z",
            "sprig",
            vec![reading("2025-06-02T09:00:00-07:00", 312.0)],
            json!({"engine_hours": {"nominal_hours": 312}, "items": {
                "oil_change": unknown, "filter_clean": unknown, "filter_replace": unknown, "plug_inspect": unknown, "plug_replace": unknown,
            }}),
        ),
        step(
            "A03: 250.0 is due with 10 h tolerance",
            "2025-06-03T16:00:00Z",
            "oil",
            vec![reading("2025-06-03T09:00:00-07:00", 250.0)],
            both("overdue", "due"),
        ),
        step(
            "A03: 250.1 is overdue",
            "2025-06-04T16:00:00Z",
            "oil",
            vec![reading("2025-06-04T09:00:00-07:00", 250.1)],
            both("overdue", "overdue"),
        ),
        step(
            "A06: a service whose reading is set aside counts at interpolated hours",
            "2025-06-15T16:00:00Z",
            "sprig",
            vec![
                reading("2025-06-01T09:00:00-07:00", 421.0),
                oil("2025-06-08T09:00:00-07:00", 4231.7),
                reading("2025-06-15T09:00:00-07:00", 424.9),
            ],
            json!({"engine_hours": {"nominal_hours": 424.9}, "items": {"oil_change": {"hours": {"anchor_hours": 422.95}}}}),
        ),
        step(
            "A21: a late entry does not count over a later service",
            "2025-06-20T19:00:00Z",
            "oil",
            vec![oil("2025-06-20", 330.0), oil("2025-05-02", 239.0)],
            json!({"items": {"strict": {"state": "ok", "hours": {"limit_hours": 430}}}}),
        ),
        step(
            "U7: A01, whichever comes first and the axis that governs",
            "2025-08-01T16:00:00Z",
            "sprig",
            vec![oil("2025-03-10", 140.0), reading("2025-08-01T09:00:00-07:00", 212.4)],
            json!({"items": {"oil_change": {
                "state": "ok", "reason": null, "governing": "calendar",
                "hours": {"anchor_hours": 140, "limit_hours": 240, "left_hours": 27.6, "used_fraction": 0.724},
                "calendar": {"anchor_date": "2025-03-10", "limit_date": "2025-09-10", "left_days": 40, "used_days": 144, "interval_days": 184, "used_fraction": 0.7826},
            }}}),
        ),
        step(
            "A12: a bundle, replacing counts as cleaning and as inspecting",
            "2025-09-01T19:00:00Z",
            "sprig",
            vec![happened(
                "2025-09-01",
                json!({"kind": "service", "meter_hours": 300, "jobs": [{"job": "oil_change"}, {"job": "filter_replace"}, {"job": "plug_replace"}]}),
            )],
            json!({"items": {
                "oil_change": {"hours": {"limit_hours": 400}, "calendar": {"limit_date": "2026-03-01"}},
                "plug_inspect": {"hours": {"limit_hours": 400}, "calendar": {"limit_date": "2026-03-01"}},
                "filter_clean": {"hours": {"limit_hours": 350}, "calendar": {"limit_date": "2025-12-01"}},
                "plug_replace": {"hours": {"limit_hours": 600}, "calendar": {"limit_date": "2026-09-01"}},
            }}),
        ),
        step(
            "U7: A63, at 19:00 of the day it is due today",
            "2025-09-11T02:00:00Z",
            "sprig",
            vec![],
            json!({"items": {"oil_change": {"state": "due", "due_at": "2025-09-10T07:00:00Z", "calendar": {"limit_date": "2025-09-10", "left_days": 0}}}}),
        ),
        step(
            "U7: A63, a little before midnight it still is",
            "2025-09-11T06:55:00Z",
            "sprig",
            vec![],
            json!({"items": {"oil_change": {"state": "due"}}}),
        ),
        step(
            "U7: A63, overdue from the midnight after",
            "2025-09-11T07:00:00Z",
            "sprig",
            vec![],
            json!({"items": {"oil_change": {"state": "overdue", "calendar": {"left_days": -1}}}}),
        ),
    ]
}

fn step(
    example: &'static str,
    clock: &'static str,
    follows: &'static str,
    events: Vec<Value>,
    due: Value,
) -> Step {
    Step { example, clock, follows, events, due }
}

/// An event that happened at an instant, or on a day.
fn happened(when: &str, mut event: Value) -> Value {
    event[if when.contains('T') { "occurred_at" } else { "occurred_on" }] = json!(when);
    event
}

fn reading(when: &str, hours: f64) -> Value {
    happened(when, json!({"kind": "reading", "meter_hours": hours}))
}

fn oil(when: &str, hours: f64) -> Value {
    happened(when, json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": hours}))
}
