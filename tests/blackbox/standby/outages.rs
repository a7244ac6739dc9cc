//! Run-throughs, endurance, survival, residence: a site and a fleet through an outage.

use blackbox::{Backend, World, none_failed, on_both, world::id_of};
use serde_json::{Value, json};

use super::{STORM, Storm, codes, differs, worked};

on_both!(the_worked_outage, while_it_is_on, a_site_and_the_fleet, the_worked_triage, how_likely_and_how_long);

const WORKED: &str = "hours=72&from=2025-08-01T18:00:00-06:00&load=06:00-22:00=60,22:00-06:00=30&stock_litres=60&can_litres=20";

/// NEEDS.md B01: every stop, every total, over HTTP.
fn the_worked_outage(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    storm.told("2025-08-01T17:59:59-06:00", json!({"kind": "reading", "meter_hours": 212.4}));
    let missing = storm.ask(&format!("run-through?{WORKED}"));
    assert!(missing.get("plan").is_none(), "{missing}");
    assert_eq!(missing["missing"][0]["parameter"], "fuel_litres", "{missing}");

    storm.told("2025-08-01T17:00:00-06:00", json!({"kind": "fuel", "action": "measured", "litres": 24}));
    let answer = storm.ask(&format!("run-through?{WORKED}"));
    let mut expected = worked("outage", "cases", "B01: 72 hours of U7 at FS-3");
    // Tasks of one stop come in the order of their codes.
    expected["expect"]["plan"]["stops"][2]["tasks"] = json!(["air_filter", "oil_change"]);
    none_failed(&differs("", &answer["plan"], &expected["expect"]["plan"]));
    assert_eq!(answer["plan"]["stops"].as_array().unwrap().len(), 8);
    assert!(codes(&answer["plan"]["cautions"], "caution").contains(&"carbon_monoxide".to_owned()));
    // What the request says counts before the record, and a longer outage needs more.
    let longer = storm.ask(&format!("run-through?{}&fuel_litres=24", WORKED.replace("hours=72", "hours=96")));
    let burned = |answer: &Value| answer["plan"]["fuel_burned_litres"].as_f64().unwrap();
    assert!(burned(&longer) > burned(&answer));
}

/// NEEDS.md A27 and A28: started at 06:00 at 212.4 h; 30 hours later the oil is 2.4 h past due, with 10 h of tolerance.
fn while_it_is_on(backend: Backend) {
    let mut world = World::at(backend, STORM);
    let mut storm = Storm::new(&world);
    storm.schedule_with_checks();
    let start = storm
        .told("2025-08-01T06:00:00-06:00", json!({"kind": "run", "phase": "start", "reason": "emergency"}));
    world.restart_at("2025-08-02T12:00:00-06:00");
    world.reach(&mut storm.town);
    for at in ["2025-08-01T14:00:00-06:00", "2025-08-02T06:00:00-06:00"] {
        storm.told(at, json!({"kind": "service", "jobs": [{"job": "oil_check"}]}));
    }
    let now_on = "run-through?hours=24&load=60&fuel_litres=20";
    let answer = storm.ask(now_on);
    let running = &answer["running"];
    assert_eq!((&running["run_id"], &running["run_hours"]), (&start["id"], &json!(30.0)), "{answer}");
    assert_eq!(running["checks"]["expected_hours"], json!([8.0, 16.0, 24.0]));
    assert_eq!(running["checks"]["missed_hours"], json!([16.0]), "{running}");
    let oil = running["tasks"].as_array().unwrap().iter().find(|task| task["task"] == "oil_change").unwrap();
    let mut oil = oil.clone();
    for at in ["due_at", "stop_by"] {
        // To the second: the clock of the service goes on.
        oil[at] = json!(format!("{}Z", &oil[at].as_str().unwrap()[..19]));
    }
    let expected =
        json!({"left_hours": -2.4, "due_at": "2025-08-02T15:36:00Z", "stop_by": "2025-08-03T01:36:00Z"});
    none_failed(&differs("/running/oil_change", &oil, &expected));
    assert!(answer["plan"]["run_hours"].as_f64().unwrap() > 0.0);
    // Stopped, it does not run any more, and no plan goes on from it.
    let stop = json!({"kind": "run", "phase": "stop", "run_id": start["id"], "load_percent": 60});
    storm.told("2025-08-02T11:00:00-06:00", stop);
    assert!(storm.ask(now_on).get("running").is_none());
}

/// Two units that share what the site needs; one that is tagged out is named and left out.
fn a_site_and_the_fleet(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let site = format!("/v1/sites/{}", storm.town.sites[0]);
    let etag = storm.client().get(&site).expect(200).etag();
    storm.client().patch(&site, &etag, &json!({"needs_kw": 5.5})).expect(200);
    let fuel = |unit: &str, litres: f64| {
        let event = json!({"kind": "fuel", "action": "measured", "litres": litres});
        storm.town.happened(unit, "2025-08-01T17:00:00-06:00", event)
    };
    let mut second = super::u7(&storm.town.sites[0]);
    second["label"] = json!("U8");
    let second = id_of(&storm.client().post("/v1/units", &second).expect(201).json());
    let mut third = super::u7(&storm.town.sites[0]);
    third["label"] = json!("U9");
    let third = id_of(&storm.client().post("/v1/units", &third).expect(201).json());
    storm.town.happened(
        &third,
        "2025-07-01T09:00:00-06:00",
        json!({"kind": "tag", "action": "hung", "tag": "locked_out"}),
    );
    fuel(&storm.unit, 24.0);
    fuel(&second, 24.0);

    let answer = storm.ask_site("run-through?hours=8");
    assert_eq!(answer["left_out"], json!([third]));
    let units = answer["plan"]["units"].as_array().unwrap();
    assert_eq!(units.len(), 2, "{answer}");
    // Half the load each: 1.9 L/h for 8 hours.
    assert_eq!(answer["plan"]["fuel_burned_litres"], json!(30.4), "{answer}");
    let fleet = storm.client().get("/v1/run-through?hours=8").expect(200).json();
    assert_eq!(fleet["stage"]["fuel_burned_litres"], json!(30.4), "{fleet}");
    assert_eq!(fleet["left_out"], json!([third]));
    assert_eq!(fleet["stage"]["sites"].as_array().unwrap().len(), 1);
    // In 24 hours each has to be filled up; the stock is there for both.
    let stocked = storm.ask_site("run-through?hours=24&stock_litres=40&can_litres=20");
    let without = storm.ask_site("run-through?hours=24");
    let staged = |answer: &Value| answer["plan"]["fuel_to_stage_litres"].as_f64().unwrap();
    assert!((staged(&without) - staged(&stocked) - 40.0).abs() < 0.01, "{stocked}");
    assert_eq!(stocked["plan"]["cans"].as_f64().unwrap(), (staged(&stocked) / 20.0).ceil(), "{stocked}");
    // By itself each carries all that the site needs, 5.5 kW; the set that is locked out, nothing.
    let endurance = storm.client().get("/v1/endurance").expect(200).json();
    let shares: Vec<&Value> =
        endurance["lasting"].as_array().unwrap().iter().map(|set| &set["load_share"]).collect();
    assert_eq!(endurance["left_out"], json!([third]), "{endurance}");
    assert_eq!(shares, [&json!(1.0); 2], "{endurance}");
    let survival = storm.ask_site("survival?hours=8");
    assert_eq!(survival["left_out"], json!([third]), "{survival}");
    let locked = storm
        .client()
        .get(&format!("/v1/units/{third}/run-through?fuel_litres=24&load=60"))
        .expect(200)
        .json();
    assert_eq!(locked["tagged_out"], json!(true), "{locked}");
    // A custodian of the other site sees none of it.
    let custodian = world.person(storm.town.id, &[("custodian", json!([storm.town.sites[1]]))]);
    let elsewhere = world.client(storm.town.id, custodian);
    let seen = elsewhere.get("/v1/run-through").expect(200).json();
    assert_eq!(seen["stage"]["sites"], json!([]), "{seen}");
    elsewhere.get(&format!("/v1/sites/{}/run-through", storm.town.sites[0])).expect(404);
}

/// NEEDS.md B02: five sets, the shortest first.
fn the_worked_triage(backend: Backend) {
    let world = World::at(backend, STORM);
    let town = world.town();
    let sets = [
        ("FS-1", 59.2, 1.87),
        ("FS-3", 84.0, 1.87),
        ("PS-2", 150.0, 6.4),
        ("RS-4", 380.0, 1.1),
        ("SH-1", 32.0, 2.5),
    ];
    let mut labels = std::collections::BTreeMap::new();
    for (label, litres, rate) in sets {
        let unit = json!({"label": label, "home_site_id": town.sites[0], "fuel": "diesel", "tank_litres": 400,
            "burn_litres_per_hour": rate});
        let unit = id_of(&town.coordinator().post("/v1/units", &unit).expect(201).json());
        let event = json!({"kind": "fuel", "action": "measured", "litres": litres});
        town.happened(&unit, "2025-08-01T17:00:00-06:00", event);
        labels.insert(unit, label);
    }
    let blank = town.unit("?");
    let answer = town.coordinator().get("/v1/endurance").expect(200).json();
    let lasting: Vec<(&str, f64)> = answer["lasting"]
        .as_array()
        .unwrap()
        .iter()
        .map(|set| (labels[set["unit_id"].as_str().unwrap()], set["hours"].as_f64().unwrap()))
        .map(|(label, hours)| (label, (hours * 10.0).round() / 10.0))
        .collect();
    let expected = [("SH-1", 12.8), ("PS-2", 23.4), ("FS-1", 31.7), ("FS-3", 44.9), ("RS-4", 345.5)];
    assert_eq!(lasting, expected, "{answer}");
    assert_eq!(answer["unknown"][0]["unit_id"], json!(blank));
    assert!(!answer["unknown"][0]["missing"].as_array().unwrap().is_empty());
    let truck = town.coordinator().get("/v1/endurance?travel_hours=2&margin_hours=1").expect(200).json();
    assert_eq!(truck["lasting"].as_array().unwrap().len(), 5);
    assert_ne!(truck["lasting"], answer["lasting"], "a truck's way says by when it leaves");
}

/// A planning tool's figures (FACTS.md 11.4) for one set, and the clock of twelve months (NEEDS.md B06).
fn how_likely_and_how_long(backend: Backend) {
    let world = World::at(backend, STORM);
    let storm = Storm::new(&world);
    let missing = storm.ask_site("survival");
    assert!(
        missing.get("survival").is_none() && missing["missing"][0]["pointer"] == "/needs_kw",
        "{missing}"
    );
    let likely = storm.ask_site("survival?hours=72&load_kw=5");
    let to_the_end = likely["survival"]["to_the_end"].as_f64().unwrap();
    // It is there (0.995), starts (1 - 0.0094), and runs each hour of 72 with 1 - 1/1100.
    let alone = 0.995 * (1.0 - 0.0094) * (1.0 - 1.0 / 1100.0_f64).powi(72);
    assert!((to_the_end - alone).abs() < 0.001, "{to_the_end} is not {alone}");
    let poorly = storm.ask_site("survival?hours=72&load_kw=5&upkeep=poorly_maintained");
    assert!(poorly["survival"]["to_the_end"].as_f64().unwrap() < to_the_end);

    let place = |at: &str, site: usize| {
        storm.told(
            at,
            json!({"kind": "placement", "site_id": storm.town.sites[site], "from_openings_metres": 6.5}),
        );
    };
    place("2025-02-01T09:00:00-07:00", 1);
    place("2025-02-15T09:00:00-07:00", 0);
    let answer = storm.ask_site("residence");
    let clock = &answer["residence"]["clocks"][0];
    assert_eq!(
        answer["residence"]["clocks"].as_array().unwrap().len(),
        1,
        "a gap of 14 days goes on: {answer}"
    );
    assert_eq!(clock["units"], json!([storm.unit]), "{answer}");
    let strict = storm.ask_site("residence?gap_days_max=10");
    assert_eq!(strict["residence"]["clocks"].as_array().unwrap().len(), 2, "{strict}");
}
