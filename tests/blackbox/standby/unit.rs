//! One unit: ready or not, its fuel, battery, tests, hours and loads.

use blackbox::{Backend, World, none_failed, on_both};
use serde_json::{Value, json};

use super::{STORM, Storm, codes, differs};

on_both!(
    ready_or_not,
    the_age_of_fuel,
    propane_is_weighed,
    the_battery,
    which_runs_were_tests,
    hours_by_class,
    what_it_carries,
    stored_fuel
);

fn reasons(answer: &Value) -> Vec<(String, String)> {
    let reasons = answer["readiness"]["reasons"].as_array().unwrap();
    let word = |reason: &Value, name: &str| reason[name].as_str().unwrap().to_owned();
    reasons.iter().map(|reason| (word(reason, "severity"), word(reason, "code"))).collect()
}

/// A set of which nothing is known is unknown, and says what to enter; entered, it is ready; a finding, a tag and time undo that.
fn ready_or_not(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let blank = storm.ask("readiness");
    assert_eq!(blank["readiness"]["verdict"], "unknown", "{blank}");
    for reason in blank["readiness"]["reasons"].as_array().unwrap() {
        assert!(reason["severity"] != "unknown" || reason["enter"]["enter"].is_string(), "{reason}");
    }
    let test =
        json!({"kind": "run", "run_hours": 0.6, "reason": "test", "load_percent": 40, "start_attempts": 1});
    storm.told("2025-07-20T09:00:00-06:00", test);
    storm.told(
        "2025-07-20T10:00:00-06:00",
        json!({"kind": "battery", "result": "passed", "on_maintainer": true}),
    );
    let fuel = json!({"kind": "fuel", "action": "filled", "litres": 24, "bought_on": "2025-07-30"});
    storm.told("2025-08-01T07:00:00-06:00", fuel);
    // What the runs before it burned was never filled in on record: only a measurement says what is there.
    assert_eq!(storm.ask("readiness")["readiness"]["verdict"], "unknown");
    storm.told("2025-08-01T07:05:00-06:00", json!({"kind": "fuel", "action": "measured", "litres": 24}));
    let with_limits = storm.ask("readiness");
    assert_eq!(with_limits["readiness"]["verdict"], "ready_with_limits", "{with_limits}");
    let limits = ["fuel_short", "start_rate_low"].map(|code| ("limit".to_owned(), code.to_owned()));
    assert_eq!(reasons(&with_limits), limits, "{with_limits}");
    assert!(with_limits["readiness"]["until"].is_string());

    let finding = storm.told(
        "2025-08-01T12:00:00-06:00",
        json!({"kind": "finding", "action": "opened", "severity": "critical", "finding": "fuel_leak"}),
    );
    let blocked = storm.ask("readiness");
    assert_eq!(blocked["readiness"]["verdict"], "not_ready");
    assert_eq!(blocked["readiness"]["reasons"][0]["evidence"], json!([finding["id"]]), "{blocked}");
    // By what was known before it was entered, it is as it was.
    let before = storm.ask("readiness?valid_at=2025-08-01T11:00:00-06:00");
    assert_ne!(before["readiness"]["verdict"], "not_ready", "{before}");
    storm.told(
        "2025-08-01T13:00:00-06:00",
        json!({"kind": "finding", "action": "closed", "finding_id": finding["id"]}),
    );
    assert_eq!(storm.ask("readiness")["readiness"]["verdict"], "ready_with_limits");
    storm.told("2025-08-01T14:00:00-06:00", json!({"kind": "run", "phase": "no_start", "start_attempts": 3}));
    assert_eq!(reasons(&storm.ask("readiness"))[0], ("block".to_owned(), "last_start_failed".to_owned()));

    // The site needs what nobody has entered; then its one set decides.
    let site = storm.ask_site("readiness");
    assert_eq!(
        (&site["readiness"]["verdict"], &site["readiness"]["missing"][0]["pointer"]),
        (&json!("unknown"), &json!("/needs_kw"))
    );
    let path = format!("/v1/sites/{}", storm.town.sites[0]);
    let etag = storm.client().get(&path).expect(200).etag();
    storm.client().patch(&path, &etag, &json!({"needs_kw": 4})).expect(200);
    let site = storm.ask_site("readiness");
    assert_eq!(
        (&site["readiness"]["verdict"], &site["readiness"]["needed"]),
        (&json!("not_ready"), &json!(1)),
        "{site}"
    );
    assert_eq!(site["units"][0]["readiness"]["unit_id"], json!(storm.unit));
}

/// NEEDS.md A29: 10 L of 10 January less 4 L burned, 8 L of 1 March; on 15 April 42.86 % are past 90 days.
fn the_age_of_fuel(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::unused(&world);
    let nothing = storm.ask("fuel");
    assert_eq!(nothing["missing"][0]["pointer"], "/service_events", "{nothing}");
    let filled = |litres: f64, on: &str| json!({"kind": "fuel", "action": "filled", "litres": litres, "bought_on": on});
    storm.told("2025-01-10T09:00:00-07:00", filled(10.0, "2025-01-10"));
    storm.told("2025-02-01T09:00:00-07:00", json!({"kind": "fuel", "action": "taken", "litres": 4}));
    storm.told("2025-03-01T09:00:00-07:00", filled(8.0, "2025-03-01"));
    let answer = storm.ask("fuel?valid_at=2025-04-15T12:00:00-06:00");
    let expected = json!({"in_tank_litres": 14.0, "age": {"verdict": "stale", "mean_age_days": 66.43, "past_share": 0.4286,
        "steps": [{"on": "2025-05-31", "past_share": 1.0}], "oldest_days": 95}});
    let steps: Vec<Value> =
        answer["age"]["steps"].as_array().unwrap().iter().rev().take(1).cloned().collect();
    let mut told = answer.clone();
    told["age"]["steps"] = json!(steps);
    none_failed(&differs("", &told, &expected));
    assert_eq!(answer["evidence"].as_array().unwrap().len(), 3);
    // A run of which nobody wrote down the load: it counts as full, 3.2 L/h, and the answer says so.
    storm.told("2025-04-10T09:00:00-06:00", json!({"kind": "run", "run_hours": 1}));
    let answer = storm.ask("fuel?valid_at=2025-04-15T12:00:00-06:00");
    assert_eq!(
        (&answer["in_tank_litres"], &answer["not_counted"][0]["code"]),
        (&json!(10.8), &json!("load_taken_as_full"))
    );
}

/// At 0.508 kg per litre (value from memory): a cylinder of 20 lb holds 9.07 kg, which are 17.85 litres.
fn propane_is_weighed(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let unit = format!("/v1/units/{}", storm.unit);
    let etag = storm.client().get(&unit).expect(200).etag();
    storm.client().patch(&unit, &etag, &json!({"fuel": "propane"})).expect(200);
    storm.told("2025-08-01T17:00:00-06:00", json!({"kind": "fuel", "action": "measured", "kilograms": 9.07}));
    let fuel = storm.ask("fuel");
    assert_eq!(
        (&fuel["in_tank_litres"], &fuel["in_tank_kilograms"]),
        (&json!(17.85), &json!(9.07)),
        "{fuel}"
    );
    let recorded = storm.ask("run-through?load=60");
    let weighed = storm.ask("run-through?load=60&fuel_kilograms=9.07");
    assert_eq!(weighed["plan"]["stage"], recorded["plan"]["stage"]);
    let stage = &recorded["plan"]["stage"];
    let (litres, mass) = (&stage["fuel_litres"], &stage["weighed"]["fuel_kilograms"]);
    assert!((litres.as_f64().unwrap() * 0.508 - mass.as_f64().unwrap()).abs() < 0.01, "{stage}");
    assert!(storm.ask("run-through?load=60&fuel_litres=17.85")["plan"]["stage"]["weighed"].is_object());
}

/// NEEDS.md A31: checked and put on the maintainer on 1 January, taken off it on 10 February: due on 26 February.
fn the_battery(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    storm.told(
        "2025-01-01T09:00:00-07:00",
        json!({"kind": "battery", "result": "passed", "on_maintainer": true}),
    );
    storm.told("2025-02-10T09:00:00-07:00", json!({"kind": "battery", "on_maintainer": false}));
    let answer = storm.ask("battery?valid_at=2025-02-10T12:00:00-07:00");
    let expected =
        json!({"passed": true, "standing": {"due_on": "2025-02-26", "used": 0.4444, "state": "ok"}});
    none_failed(&differs("", &answer, &expected));
    assert!(
        codes(&answer["standing"]["cautions"], "caution").contains(&"battery_gas".to_owned()),
        "{answer}"
    );
    // Below three quarters of its charge a load test says nothing (FACTS.md).
    let test = json!({"kind": "battery", "volts": 12.0, "rested_hours": 24, "celsius": 26.67,
        "load_test": {"volts": 9.9, "amperes": 250, "seconds": 15}});
    storm.told("2025-07-01T09:00:00-06:00", test);
    let answer = storm.ask("battery");
    assert_eq!(answer["load_test"]["outcome"], "charge_first", "{answer}");
    assert_eq!(answer["charge"]["enough_for_load_test"], json!(false));
}

/// NEEDS.md A32: of three runs only the third counts, for the load and the time; the meter shows what nobody wrote down.
fn which_runs_were_tests(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let run = |minutes: f64, percent: f64| json!({"kind": "run", "run_hours": format!("0:{minutes:02}"), "reason": "test", "load_percent": percent});
    storm.told("2025-06-01T09:00:00-06:00", run(25.0, 40.0));
    storm.told("2025-06-08T09:00:00-06:00", run(35.0, 0.0));
    storm.told("2025-06-15T09:00:00-06:00", run(32.0, 31.0));
    let answer = storm.ask("tests");
    let monthly =
        answer["tests"]["due"].as_array().unwrap().iter().find(|due| due["kind"] == "monthly").unwrap();
    assert_eq!(monthly["last_on"], "2025-06-15", "{answer}");
    assert_eq!(answer["tests"]["effectiveness"]["counted"], json!(1));
    assert_eq!(answer["tests"]["effectiveness"]["hours"], json!(1.53));
    let by_month = storm.ask("tests?spacing=calendar_month");
    assert_ne!(by_month["tests"]["trace"], answer["tests"]["trace"], "the rule is named");
    let seen = storm.ask("tests?exercise_days=7&exercise_hours=0.2");
    assert!(!seen["automatic"].as_array().unwrap().is_empty());
    assert!(seen["automatic"].as_array().unwrap().iter().all(|gap| gap["counts_as_test"] == json!(false)));
}

/// NEEDS.md A58 and A57: a run over New Year counts for both years; put into another class, the year says so.
fn hours_by_class(backend: Backend) {
    let world = World::at(backend, "2026-01-05T12:00:00-07:00");
    let storm = Storm::new(&world);
    let run = storm.told(
        "2025-12-31T20:00:00-07:00",
        json!({"kind": "run", "stopped_at": "2026-01-01T06:00:00-07:00", "reason": "test"}),
    );
    let years = |answer: &Value, class: &str| -> Vec<(i64, f64)> {
        let years = answer["ledger"]["years"].as_array().unwrap();
        years.iter().map(|year| (year["year"].as_i64().unwrap(), year[class].as_f64().unwrap())).collect()
    };
    assert_eq!(years(&storm.ask("hours-ledger"), "maintenance_test"), [(2025, 4.0), (2026, 6.0)]);
    let amended = json!({"kind": "run", "occurred_at": "2025-12-31T20:00:00-07:00", "stopped_at": "2026-01-01T06:00:00-07:00", "reason": "emergency"});
    storm.told(
        "2026-01-04T09:00:00-07:00",
        json!({"kind": "correction", "action": "amend", "target_id": run["id"], "reason": "The grid was out", "replacement": amended}),
    );
    let answer = storm.ask("hours-ledger");
    assert_eq!(years(&answer, "emergency"), [(2025, 4.0), (2026, 6.0)], "{answer}");
    assert_eq!(years(&answer, "maintenance_test"), [(2025, 0.0), (2026, 0.0)]);
    assert_eq!(answer["ledger"]["policy"], "emergency_engine_hours");
    // A year without any run on record: what the meter moved in it is of no class, and in the worst case counts.
    let quiet = Storm::new(&world);
    quiet.told("2026-01-03T09:00:00-07:00", json!({"kind": "reading", "meter_hours": 212.4}));
    let answer = quiet.ask("hours-ledger");
    let of_2025 = &answer["ledger"]["years"][0];
    let expected = json!({"year": 2025, "logged": 0.0, "meter": 92.4, "unlogged": 92.4});
    none_failed(&differs("/years/0", of_2025, &expected));
    assert_eq!(of_2025["worst"]["counted"], json!(92.4), "{answer}");
    assert_eq!(answer["ledger"]["years"][1]["meter"], json!(0.0));
}

/// NEEDS.md B12: in height and heat 88.4 % of what is left; the largest surge first passes, all at once does not.
fn what_it_carries(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let load = |name: &str, running: i64, surge: i64| json!({"name": name, "running_watts": running, "surge_watts": surge});
    let loads = json!([
        load("well pump", 1500, 3000),
        load("sump pump", 800, 1300),
        load("fridge", 200, 1200),
        load("radio", 350, 0),
        load("lights", 400, 0),
        load("chargers", 600, 0)
    ]);
    let path = format!("/v1/units/{}/load-check", storm.unit);
    let ask = || storm.client().post(&path, &json!({"loads": loads, "air_celsius": 38})).expect(200).json();
    let without_rule = ask();
    assert_eq!(without_rule["check"]["verdict"], "unknown", "{without_rule}");
    let unit = format!("/v1/units/{}", storm.unit);
    let etag = storm.client().get(&unit).expect(200).etag();
    let rule = json!({"altitude_percent": 3.5, "altitude_per_metres": 300, "temperature_percent": 1, "temperature_per_celsius": 5,
        "temperature_above_celsius": 25, "source": "manual of the model"});
    storm.client().patch(&unit, &etag, &json!({"derating": rule, "start_kw": 6.9})).expect(200);
    let answer = ask();
    let expected = json!({"check": {"verdict": "carries", "capacity_watts": 4357, "start_capacity_watts": 5466,
        "share_of_capacity": 0.8836, "peak_watts": 4500, "worst_order_watts": 6850, "all_at_once_watts": 9350}});
    none_failed(&differs("", &answer, &expected));
    assert_eq!(answer["check"]["order"][0]["name"], "well pump");
    assert!(codes(&answer["check"]["cautions"], "caution").contains(&"back_feed".to_owned()));
}

/// 29 CFR 1926.152: more than 25 gallons in a room, outside a cabinet, is too much; a can within a vehicle's limit is not.
fn stored_fuel(backend: Backend) {
    let world = World::at(backend, STORM);
    let town = world.town();
    let can =
        |number: i64| json!({"fuel": "petrol", "kind": "can", "capacity_litres": 18.9, "number": number});
    let placed = |number: i64| {
        let mut can = can(number);
        can["place"] = json!("room");
        can
    };
    let ask = |body: Value| town.coordinator().post("/v1/fuel-storage", &body).expect(200).json();
    assert_eq!(ask(json!({"on_site": [placed(5)]}))["on_site"]["kept"], json!(true));
    let answer = ask(json!({"on_site": [placed(6)], "in_vehicle": [can(1)]}));
    assert_eq!(answer["on_site"]["kept"], json!(false), "{answer}");
    assert!(!answer["on_site"]["cautions"].as_array().unwrap().is_empty());
    assert!(answer["in_vehicle"]["mass_kg"].as_f64().unwrap() > 0.0);
}
