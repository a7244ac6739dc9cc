//! When items will probably be due, how many are not overdue, and by which policy that is told.

use blackbox::{Backend, World, on_both, world::id_of};
use serde_json::{Value, json};

on_both!(twelve_months_of_use_are_replayed, what_applies_and_is_not_overdue_is_counted);

/// Worked example B04: 27.6 hours left after a year of routine with two outages.
fn twelve_months_of_use_are_replayed(backend: Backend) {
    let world = World::new(backend);
    let mut town = world.town();
    let edition = json!({"edition": "P", "effective_from": "2020-01-01", "source": "invented", "tasks": [
        {"task": "by_hours", "job": "oil_change", "title": "By hours", "limits": {"hours": 100}},
        {"task": "capped", "job": "oil_change", "title": "Capped", "limits": {"hours": 100, "months": 19}}]});
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    town.edition = id_of(&town.coordinator().post(&path, &edition).expect(201).json());
    let site =
        town.coordinator().post("/v1/sites", &json!({"name": "Weir", "zone": "UTC"})).expect(201).json();
    let body = json!({"label": "PS-1", "home_site_id": site["id"], "fuel": "petrol"});
    let unit = id_of(&town.coordinator().post("/v1/units", &body).expect(201).json());
    town.happened(&unit, "2024-07-01T00:00:00Z", town.adoption());
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 140.0});
    town.happened(&unit, "2024-07-01T00:00:00Z", service);
    let months = [
        ("2024-08", 150.9),
        ("2024-09", 153.0),
        ("2024-10", 155.0),
        ("2024-11", 157.2),
        ("2024-12", 159.2),
        ("2025-01", 173.7),
        ("2025-02", 175.8),
        ("2025-03", 177.8),
        ("2025-04", 203.8),
        ("2025-05", 206.0),
        ("2025-06", 208.1),
        ("2025-07", 210.1),
        ("2025-08", 212.4),
    ];
    for (month, meter) in months {
        town.happened(
            &unit,
            &format!("{month}-01T00:00:00Z"),
            json!({"kind": "reading", "meter_hours": meter}),
        );
    }
    let path = format!("/v1/units/{unit}/due?valid_at=2025-08-01T00:00:00Z");
    let asked = |include: &str| town.coordinator().get(&format!("{path}{include}")).expect(200).json();
    let answer = asked("&include=trace,projection");
    let months = |item: &Value| ["p10", "p50", "p90"].map(|p| item["projection"][p]["months"].clone());
    let items = answer["items"].as_array().unwrap();
    assert_eq!(months(&items[0]), [1.98, 5.18, 7.89].map(|months| json!(months)), "{answer}");
    assert_eq!(months(&items[1]), [1.98, 5.18, 6.0].map(|months| json!(months)), "{answer}");
    assert_eq!(items[1]["projection"]["hours_first_fraction"], 0.5);
    assert!(items[0]["trace"].is_array(), "{answer}");
    assert!(asked("")["items"][0].get("projection").is_none());
}

/// Worked example A14: what is not for a unit counts neither way. A55: what is not known is not in order.
fn what_applies_and_is_not_overdue_is_counted(backend: Backend) {
    let world = World::new(backend);
    let mut town = world.town();
    let task = |task: &str, more: Value| {
        let mut all = json!({"task": task, "job": task, "title": task, "limits": {"months": 12}});
        all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        all
    };
    let mut tasks: Vec<Value> = (0..8).map(|n| task(&format!("check_{n}"), json!({}))).collect();
    tasks.extend(["oil_check", "exercise_run"].map(|code| task(code, json!({"limits": {"months": 1}}))));
    tasks.push(task("battery_check", json!({"needs": ["electric_start"]})));
    let jobs: Vec<Value> = tasks.iter().map(|task| json!({"job": task["job"]})).collect();
    let edition =
        json!({"edition": "C", "effective_from": "2020-01-01", "source": "invented", "tasks": tasks});
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    town.edition = id_of(&town.coordinator().post(&path, &edition).expect(201).json());
    let unit = town.unit_in_service("FS-1", 0);
    town.happened(&unit, "2026-04-01T12:00:00Z", json!({"kind": "service", "jobs": jobs}));
    let answer = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    assert_eq!(
        answer["compliance"],
        json!({"applicable": 10, "overdue": 2, "unknown": 0, "share": 0.8}),
        "{answer}"
    );
    let nothing = town.unit_at("FS-2", 0);
    town.happened(&nothing, "2026-04-01T12:00:00Z", town.adoption());
    let answer = town.coordinator().get(&format!("/v1/units/{nothing}/due")).expect(200).json();
    let unknown = json!({"applicable": 10, "overdue": 0, "unknown": 10, "share": 0.0});
    assert_eq!(answer["compliance"], unknown, "what is not known is not in order: {answer}");
    assert_eq!(answer["policy"], json!({"policy": "standard", "edition": "1"}));
}
