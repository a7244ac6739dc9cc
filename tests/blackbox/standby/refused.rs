//! What cannot be asked or entered: a problem that names the field, or an answer that says what to enter.

use blackbox::{Backend, World, none_failed, on_both};
use serde_json::{Value, json};

use super::{STORM, Storm};

on_both!(parameters_that_cannot_be, records_that_cannot_be, questions_that_cannot_be, little_is_known);

fn parameters_that_cannot_be(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let unit = format!("/v1/units/{}", storm.unit);
    let site = format!("/v1/sites/{}", storm.town.sites[0]);
    let cases = [
        (format!("{unit}/run-through?hours=0"), "hours", "out_of_range"),
        (format!("{unit}/run-through?hours=87660&fuel_litres=24&load=60"), "hours", "duration_too_long"),
        (format!("{unit}/run-through?hours=NaN"), "hours", "wrong_type"),
        (format!("{unit}/run-through?load=120"), "load", "out_of_range"),
        (format!("{unit}/run-through?load=06:00-22:00"), "load", "wrong_type"),
        (
            format!("{unit}/run-through?load=06:00-22:00=60,21:00-06:00=30&fuel_litres=20"),
            "load",
            "bands_do_not_meet",
        ),
        (format!("{unit}/run-through?fuel_litres=25&load=60"), "fuel_litres", "more_than_the_tank_holds"),
        (format!("{unit}/run-through?can_litres=0"), "can_litres", "out_of_range"),
        // What is in the tank is known as of now, not as of then.
        (format!("{unit}/run-through?from=2025-08-01T12:00:00Z"), "from", "in_the_past"),
        ("/v1/endurance?from=2020-01-01T00:00:00Z".to_owned(), "from", "in_the_past"),
        // Petrol is not weighed.
        (format!("{unit}/run-through?fuel_kilograms=9&load=60"), "fuel_kilograms", "misplaced"),
        (format!("{unit}/run-through?fuel_kilograms=-1"), "fuel_kilograms", "out_of_range"),
        (format!("{unit}/run-through?stock_litres=-1"), "stock_litres", "out_of_range"),
        (format!("{unit}/tests?exercise_days=0"), "exercise_days", "out_of_range"),
        (format!("{unit}/tests?spacing=weekly"), "spacing", "unknown_word"),
        (format!("{site}/survival?hours=0"), "hours", "out_of_range"),
        (format!("{site}/residence?gap_days_max=-1"), "gap_days_max", "out_of_range"),
        ("/v1/endurance?keep_reserve=perhaps".to_owned(), "keep_reserve", "unknown_word"),
        ("/v1/endurance?margin_hours=-1".to_owned(), "margin_hours", "out_of_range"),
    ];
    let mut failures = Vec::new();
    for (path, parameter, code) in cases {
        let reply = storm.client().get(&path);
        let problem: Value = serde_json::from_str(&reply.text).unwrap_or(Value::Null);
        let error = &problem["errors"][0];
        if (reply.status, &error["parameter"], &error["code"]) != (400, &json!(parameter), &json!(code)) {
            failures.push(format!("{path}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
    // A tank of the site holds no more than it holds, and what is in it is asked for.
    let etag = storm.client().get(&site).expect(200).etag();
    storm.client().patch(&site, &etag, &json!({"tank_litres": 1000, "tank_reserve_litres": 100})).expect(200);
    let refused = storm.client().get(&format!("{site}/run-through?site_tank_litres=5000")).expect(400).json();
    assert_eq!(refused["errors"][0]["code"], "more_than_the_tank_holds", "{refused}");
    let asked = storm.ask_site("run-through");
    let pointers: Vec<&Value> =
        asked["plan"]["missing"].as_array().unwrap().iter().map(|one| &one["pointer"]).collect();
    assert!(pointers.contains(&&json!("/site_tank/litres")), "{asked}");
    // What contradicts itself on record is no fault of a request that does not say it: the answer names what to enter.
    let etag = storm.client().get(&site).expect(200).etag();
    storm.client().patch(&site, &etag, &json!({"needs_kw": 22.5})).expect(200);
    storm.told("2025-08-01T17:00:00-06:00", json!({"kind": "fuel", "action": "measured", "litres": 24}));
    let answer = storm.ask("run-through");
    assert!(answer.get("plan").is_none(), "{answer}");
    assert_eq!(answer["missing"][0]["parameter"], "load", "{answer}");
    storm.told("2025-08-01T17:05:00-06:00", json!({"kind": "fuel", "action": "measured", "litres": 30}));
    let answer = storm.ask("run-through?load=60");
    assert_eq!(answer["missing"][0]["parameter"], "fuel_litres", "{answer}");
}

fn records_that_cannot_be(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let point = |percent: f64, rate: f64| json!({"load_percent": percent, "litres_per_hour": rate});
    let curve = |points: Value| json!({"burn_curve": points});
    let derating = json!({"altitude_percent": 101, "altitude_per_metres": 300, "temperature_percent": 1, "temperature_per_celsius": 5, "source": "x"});
    let cases = [
        (curve(json!([])), "/burn_curve", "empty_list"),
        (
            curve(json!([point(50.0, 2.0), point(100.0, 1.5)])),
            "/burn_curve/1/litres_per_hour",
            "rate_falls_with_load",
        ),
        (curve(json!([point(50.0, 2.0), point(50.0, 2.5)])), "/burn_curve/1/load_percent", "load_not_rising"),
        (curve(json!([point(50.0, 0.0)])), "/burn_curve/0/litres_per_hour", "out_of_range"),
        (curve(json!([point(111.0, 2.0)])), "/burn_curve/0/load_percent", "out_of_range"),
        (json!({"derating": derating}), "/derating/altitude_percent", "out_of_range"),
        (json!({"derating": {}}), "/derating/altitude_percent", "required"),
        (json!({"battery_chemistry": "lithium"}), "/battery_chemistry", "unknown_word"),
        (json!({"oil_check_hours": 0}), "/oil_check_hours", "out_of_range"),
    ];
    let unit = format!("/v1/units/{}", storm.unit);
    let etag = storm.client().get(&unit).expect(200).etag();
    let mut failures = Vec::new();
    for (patch, pointer, code) in cases {
        let reply = storm.client().patch(&unit, &etag, &patch);
        if reply.status != 400 || reply.errors().first() != Some(&(pointer.to_owned(), code.to_owned())) {
            failures.push(format!("{patch}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
    // Taken away again, they are gone.
    storm.client().patch(&unit, &etag, &json!({"burn_curve": null, "derating": null})).expect(200);
    let fields = storm.client().get(&unit).expect(200).json();
    assert!(fields.get("burn_curve").is_none() && fields.get("derating").is_none(), "{fields}");
}

fn questions_that_cannot_be(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let check = format!("/v1/units/{}/load-check", storm.unit);
    let can = |more: Value| {
        let mut can = json!({"fuel": "petrol", "kind": "can", "capacity_litres": 20, "place": "room"});
        can.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({"on_site": [can]})
    };
    let cases = [
        (check.as_str(), json!({}), "/loads", "required"),
        (&check, json!({"loads": []}), "/loads", "required"),
        (&check, json!({"loads": [{"running_watts": 5}]}), "/loads/0/name", "required"),
        (
            &check,
            json!({"loads": [{"name": "pump", "surge_watts": -1}]}),
            "/loads/0/surge_watts",
            "out_of_range",
        ),
        (&check, json!({"loads": [{"name": "pump"}], "air_celsius": 90}), "/air_celsius", "out_of_range"),
        ("/v1/fuel-storage", json!({}), "/on_site", "required"),
        (
            "/v1/fuel-storage",
            can(json!({"capacity_litres": 0})),
            "/on_site/0/capacity_litres",
            "out_of_range",
        ),
        ("/v1/fuel-storage", can(json!({"contents_litres": 21})), "/on_site/0/contents_litres", "overfull"),
        ("/v1/fuel-storage", can(json!({"kind": "cylinder"})), "/on_site/0/kind", "wrong_container"),
        ("/v1/fuel-storage", can(json!({"pile": "north"})), "/on_site/0/pile", "misplaced"),
        ("/v1/fuel-storage", can(json!({"number": 0})), "/on_site/0/number", "out_of_range"),
    ];
    let mut failures = Vec::new();
    for (path, body, pointer, code) in cases {
        let reply = storm.client().post(path, &body);
        if reply.status != 400 || reply.errors().first() != Some(&(pointer.to_owned(), code.to_owned())) {
            failures.push(format!("{path} {body}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
}

/// A site without units, a unit of which nothing was entered: never a number, always what to enter.
fn little_is_known(backend: Backend) {
    let world = World::at(backend, STORM);
    let town = world.town();
    let site = |question: &str| {
        town.coordinator().get(&format!("/v1/sites/{}/{question}", town.sites[0])).expect(200).json()
    };
    let empty = site("readiness");
    assert_eq!(empty["readiness"]["verdict"], "unknown");
    assert_eq!(empty["readiness"]["missing"].as_array().unwrap().len(), 2, "{empty}");
    assert!(site("survival").get("survival").is_none());
    assert_eq!(site("run-through")["plan"]["units"], json!([]));
    let unit = town.unit("?");
    let ask =
        |question: &str| town.coordinator().get(&format!("/v1/units/{unit}/{question}")).expect(200).json();
    assert_eq!(ask("readiness")["readiness"]["verdict"], "unknown");
    assert!(ask("fuel").get("in_tank_litres").is_none());
    assert!(ask("run-through").get("plan").is_none());
    assert_eq!(ask("tests")["tests"]["runs"], json!([]));
    assert_eq!(ask("hours-ledger")["ledger"]["years"], json!([]));
    assert_eq!(ask("battery")["standing"]["state"], "unknown");
}
