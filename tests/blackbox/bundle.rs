//! What a service was for, and how much of it was done.

use blackbox::{
    Backend, World, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

on_both!(one_of_six_is_left_out, what_was_for_nothing_has_none);

/// Six tasks: oil every 100 hours, the others every 300.
fn edition() -> Value {
    let task = |task: &str, hours: i64| json!({"task": task, "job": task, "title": task, "limits": {"hours": hours}});
    let rare = ["filter_replace", "plug_replace", "air_filter", "fuel_filter", "valve_clearance"];
    let tasks: Vec<Value> =
        rare.iter().map(|name| task(name, 300)).chain([task("oil_change", 100)]).collect();
    json!({"edition": "A", "effective_from": "2020-01-01", "source": "common practice", "tasks": tasks})
}

/// Worked example A23.
fn one_of_six_is_left_out(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let schedule = json!({"title": "Six", "publisher": "Tarn Valley", "basis": "common_practice"});
    let schedule = id_of(&client.post("/v1/schedules", &schedule).expect(201).json());
    let adopted = client.post(&format!("/v1/schedules/{schedule}/editions"), &edition()).expect(201).json();
    let unit = town.unit("six");
    let at = "2024-01-15T12:00:00Z";
    town.happened(&unit, at, json!({"kind": "commissioning", "site_id": town.sites[0], "meter_hours": 0}));
    let adoption = json!({"kind": "adoption", "schedule_id": schedule, "edition_id": id_of(&adopted)});
    town.happened(&unit, at, adoption);
    let mut jobs: Vec<Value> =
        edition()["tasks"].as_array().unwrap().iter().map(|task| json!({"job": task["job"]})).collect();
    jobs[4]["result"] = json!("skipped");
    let service = json!({"kind": "service", "jobs": jobs, "meter_hours": 300});
    let service = id_of(&town.happened(&unit, "2026-06-01T16:00:00Z", service));
    let reading = json!({"kind": "reading", "meter_hours": 305});
    let reading = town.happened(&unit, "2026-06-08T16:00:00Z", reading);
    let known = reading["recorded_at"].as_str().unwrap().to_owned();
    let reading = id_of(&reading);
    let get = |path: &str| client.get(&format!("/v1/service-events/{path}")).expect(200).json();
    let read = |event: &str| get(&format!("{event}/bundle"));
    let told = read(&service);
    assert_eq!((&told["event_id"], &told["unit_id"]), (&json!(service), &json!(unit)));
    let bundle = &told["bundle"];
    assert_eq!(
        (&bundle["done"], &bundle["share"], &bundle["extent"]),
        (&json!(5), &json!(0.8333), &json!("partial"))
    );
    let found: Vec<(&str, bool, bool)> = bundle["tasks"]
        .as_array()
        .unwrap()
        .iter()
        .map(|task| {
            assert_eq!(task["schedule_id"], schedule.as_str());
            (task["task"].as_str().unwrap(), task["was_due"] == true, task["done"] == true)
        })
        .collect();
    let done = |task| (task, true, true);
    let left = ("valve_clearance", true, false);
    let expected = ["air_filter", "filter_replace", "fuel_filter", "oil_change", "plug_replace"].map(done);
    assert_eq!(found, [&expected[..], &[left]].concat());
    // What was left out goes on from when it was due; the others count from the service.
    let left = town.due(&unit, "valve_clearance");
    assert_eq!((&left["state"], &left["hours"]["limit_hours"]), (&json!("overdue"), &json!(300.0)));
    assert_eq!(town.due(&unit, "oil_change")["hours"]["limit_hours"], 400.0);
    assert_eq!(read(&reading).get("bundle"), None, "a reading is for nothing");
    let void =
        json!({"kind": "correction", "action": "void", "target_id": service, "reason": "another unit"});
    town.happened(&unit, "2026-06-10T12:00:00Z", void);
    assert_eq!(read(&service).get("bundle"), None, "it does not count");
    let then = get(&format!("{service}/bundle?known_at={known}"));
    assert_eq!((&then["bundle"], &then["known_at"]), (bundle, &json!(known)), "it did then");
    assert!(then["known_seq"].is_i64(), "{then}");
    is_clean(&world.database);
}

fn what_was_for_nothing_has_none(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let client = town.coordinator();
    let unit = town.unit("plain");
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
    let service = id_of(&town.happened(&unit, "2026-06-01T16:00:00Z", service));
    let path = format!("/v1/service-events/{service}/bundle");
    assert_eq!(client.get(&path).expect(200).json().get("bundle"), None, "no edition asks for anything");
    client.get(&format!("/v1/service-events/{}/bundle", new_id())).problem(404, "not_found");
    other.coordinator().get(&path).problem(404, "not_found");
    client.get(&format!("{path}?at=now")).problem(400, "invalid_parameter");
    // Who sees no site sees no unit.
    let elsewhere = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[1]]))]));
    elsewhere.get(&path).problem(404, "not_found");
}
