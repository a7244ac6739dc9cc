//! What says against other events is recorded all the same, and told to who records it, also when it is sent again.

use blackbox::{Backend, World, none_failed, on_both, service::is_clean};
use serde_json::{Value, json};

use super::event;
use blackbox::world::new_id;

on_both!(what_is_told);

fn what_is_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let run = new_id();
    let at = |hour: u32| format!("2026-06-10T{hour:02}:00:00Z");
    let battery = || json!({"kind": "component", "component": "battery", "action": "fitted"});
    let stop = || json!({"kind": "run", "phase": "stop", "run_id": run});
    // Rows are an event, the hour, and what is told: code and place.
    type Told = &'static [(&'static str, &'static str)];
    let cases: [(Value, u32, Told); 12] = [
        (json!({"kind": "storage", "action": "taken_out"}), 1, &[("not_in_storage", "/action")]),
        (json!({"kind": "storage", "action": "put_in"}), 2, &[]),
        (json!({"kind": "storage", "action": "put_in"}), 3, &[("already_in_storage", "/action")]),
        (json!({"kind": "storage", "action": "taken_out"}), 4, &[]),
        (battery(), 5, &[]),
        (battery(), 6, &[("fitted_twice", "/component")]),
        (json!({"kind": "component", "component": "starter", "action": "fitted"}), 6, &[]),
        (json!({"kind": "run", "phase": "start", "id": run}), 7, &[]),
        (stop(), 8, &[]),
        (stop(), 9, &[("stopped_twice", "/run_id")]),
        (json!({"kind": "reading", "meter_hours": 5}), 10, &[]),
        (
            json!({"kind": "run", "run_hours": 1, "meter_hours": 900}),
            11,
            &[("reading_set_aside", "/meter_hours")],
        ),
    ];
    let mut failures = Vec::new();
    for (body, hour, expected) in cases {
        let mut sent = event(&unit, body);
        sent["occurred_at"] = json!(at(hour));
        if sent.get("id").is_none() {
            sent["id"] = json!(new_id());
        }
        let made = town.coordinator().post("/v1/service-events", &sent).expect(201);
        let told: Vec<(String, String)> = made.json()["warnings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|warning| {
                let word = |member: &str| warning[member].as_str().unwrap().to_owned();
                (word("code"), word("pointer"))
            })
            .collect();
        let expected: Vec<(String, String)> =
            expected.iter().map(|(code, pointer)| ((*code).to_owned(), (*pointer).to_owned())).collect();
        if told != expected {
            failures.push(format!("{sent}: {told:?}"));
        }
        let again = town.coordinator().post("/v1/service-events", &sent).expect(200);
        if again.text != made.text {
            failures.push(format!("{sent} again: {} after {}", again.text, made.text));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}
