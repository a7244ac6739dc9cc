//! What was recorded is read back as it was sent, and can be taken back and amended.

use blackbox::{
    Backend, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, plain},
};
use serde_json::{Value, json};

use super::{AT, deferral, event};

on_both!(each_kind, who_may_record_what, hours_as_they_are_entered, a_correction_of_each_sort);

fn each_kind(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let start = id_of(&town.record(event(
        &unit,
        json!({"kind": "run", "phase": "start", "reason": "test", "occurred_at": "2026-06-09T10:00:00Z"}),
    )));
    let hung =
        id_of(&town.record(event(&unit, json!({"kind": "tag", "action": "hung", "tag": "locked_out"}))));
    let (schedule, person) = (&town.schedule, &town.people["technician"]);
    let cases = [
        json!({"kind": "run", "phase": "stop", "run_id": start, "meter_hours": 2.5, "occurred_at": "2026-06-09T12:30:00Z"}),
        json!({"kind": "run", "phase": "whole", "reason": "emergency", "stopped_at": "2026-06-10T08:00:00-06:00",
            "meter_hours": 3.0, "stop_meter_hours": 5.0, "note": "the grid was out"}),
        json!({"kind": "run", "phase": "whole", "run_hours": 0.5, "give_or_take_hours": 0.25}),
        json!({"kind": "storage", "action": "put_in"}),
        json!({"kind": "storage", "action": "taken_out", "occurred_at": "2026-06-11T12:00:00Z"}),
        json!({"kind": "duty", "causes": ["dust", "heat"], "effective_from": "2026-06-01", "effective_until": "2026-12-01"}),
        json!({"kind": "setting", "limits_of": {"schedule_id": schedule, "task": "oil_change", "limits": {"hours": 50.0}}}),
        json!({"kind": "setting", "feature": {"feature": "spark_arrester", "fitted": true}, "effective_from": "2026-06-01"}),
        json!({"kind": "setting", "applies_to": {"schedule_id": schedule, "task": "plug_inspect", "applies": false}}),
        deferral(&town),
        json!({"kind": "tag", "action": "hung", "tag": "out_of_service", "by": person, "effective_until": "2026-07-01"}),
        json!({"kind": "tag", "action": "removed", "tag_id": hung}),
        json!({"kind": "component", "component": "battery", "action": "fitted", "meter_hours": 5.0}),
        json!({"kind": "component", "component": "starter", "action": "rebuilt"}),
        json!({"kind": "service", "jobs": [
            {"job": "oil_change", "result": "failed"},
            {"job": "plug_inspect", "substitute": true},
            {"job": "plug_replace", "analysis": {"results_on": "2026-06-12", "running": false, "water_percent": 0.51}}]}),
    ];
    let boss = town.coordinator();
    let mut failures = Vec::new();
    for case in cases {
        let sent = event(&unit, case);
        let made = boss.post("/v1/service-events", &sent);
        if made.status != 201 {
            failures.push(format!("{sent}: {} {}", made.status, made.text));
            continue;
        }
        let path = format!("/v1/service-events/{}", id_of(&made.json()));
        let mut found = plain(&boss.get(&path).expect(200).json());
        for member in ["id", "recorded_at", "author"] {
            found.as_object_mut().unwrap().remove(member);
        }
        if found != plain(&sent) {
            failures.push(format!("{sent} is read as {found}"));
        }
        let repeat = boss.post("/v1/service-events", &{
            let mut again = sent.clone();
            again["id"] = json!(id_of(&made.json()));
            again
        });
        if repeat.status != 200 || repeat.text != made.text {
            failures.push(format!("{sent}, again: {} {} after {}", repeat.status, repeat.text, made.text));
        }
        let kind = sent["kind"].as_str().unwrap();
        let listed = boss.all(&format!("/v1/service-events?unit={unit}&kind={kind}"), 100);
        if !listed.iter().any(|item| item["id"] == made.json()["id"]) {
            failures.push(format!("{sent} is not listed by its kind"));
        }
        for action in ["void", "reinstate", "void"] {
            let correction = json!({"kind": "correction", "action": action, "target_id": made.json()["id"], "reason": "x"});
            let reply = boss.post("/v1/service-events", &event(&unit, correction));
            if reply.status != 201 {
                failures.push(format!("{action} of {sent}: {} {}", reply.status, reply.text));
            }
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// Rows are a kind, and the roles that may record it.
fn who_may_record_what(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let cases: [(Value, &[&str]); 6] = [
        (json!({"kind": "run", "run_hours": 1}), &["custodian", "technician", "coordinator"]),
        (json!({"kind": "storage", "action": "put_in"}), &["technician", "coordinator"]),
        (json!({"kind": "tag", "action": "hung", "tag": "locked_out"}), &["technician", "coordinator"]),
        (json!({"kind": "duty", "causes": ["dust"]}), &["coordinator"]),
        (json!({"kind": "setting", "feature": {"feature": "trailer", "fitted": true}}), &["coordinator"]),
        (deferral(&town), &["coordinator", "planner"]),
    ];
    let mut failures = Vec::new();
    for (body, roles) in cases {
        for (role, client) in &town.clients {
            let reply = client.post("/v1/service-events", &event(&unit, body.clone()));
            let expected = if roles.contains(role) { 201 } else { 403 };
            if reply.status != expected {
                failures.push(format!("{body} by {role}: {} {}", reply.status, reply.text));
            }
        }
    }
    none_failed(&failures);
}

/// A48 of the worked examples, as far as the API goes.
fn hours_as_they_are_entered(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("FS-1");
    let cases = [
        (json!("231:30"), Ok(json!(231.5))),
        (json!("231.30"), Ok(json!(231.3))),
        (json!("231:20"), Ok(json!("231:20"))),
        (json!("1.234,5"), Err("ambiguous_number")),
        (json!("1,234.5"), Err("ambiguous_number")),
        (json!("231:75"), Err("invalid_hours")),
    ];
    for (entered, expected) in cases {
        let reading = event(&unit, json!({"kind": "reading", "meter_hours": entered}));
        let reply = town.coordinator().post("/v1/service-events", &reading);
        match expected {
            Ok(shown) => assert_eq!(reply.expect(201).json()["meter_hours"], shown, "{entered}"),
            Err(code) => {
                assert_eq!(reply.errors(), [("/meter_hours".to_owned(), code.to_owned())], "{entered}")
            }
        }
    }
}

fn a_correction_of_each_sort(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let other = town.unit_in_service("FS-2", 0);
    let technician = &town.clients["technician"];
    let own =
        |body: Value| id_of(&technician.post("/v1/service-events", &event(&unit, body)).expect(201).json());
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 5});
    let (first, second) = (own(oil.clone()), own(oil.clone()));
    let reading = own(json!({"kind": "reading", "meter_hours": 6}));
    let amended =
        json!({"kind": "service", "jobs": [{"job": "plug_replace"}], "meter_hours": 5, "occurred_at": AT});
    let cases = [
        (json!({"action": "amend", "target_id": first, "replacement": amended}), 201),
        (json!({"action": "confirm", "target_id": reading}), 403),
        (json!({"action": "link", "target_id": first, "other_id": second}), 403),
        (json!({"action": "unlink", "target_id": first, "other_id": second}), 403),
        (json!({"action": "reassign", "target_id": first, "to_unit_id": other}), 403),
        (json!({"action": "link", "other_unit_id": other}), 403),
        (json!({"action": "unlink", "other_unit_id": other}), 403),
    ];
    for (mut body, by_technician) in cases {
        body["kind"] = json!("correction");
        body["reason"] = json!("typing");
        let sent = event(&unit, body);
        let reply = technician.post("/v1/service-events", &sent);
        assert_eq!(reply.status, by_technician, "{sent}: {}", reply.text);
        let made = town.coordinator().post("/v1/service-events", &sent).expect(201);
        let found =
            town.coordinator().get(&format!("/v1/service-events/{}", id_of(&made.json()))).expect(200);
        for (member, value) in sent.as_object().unwrap() {
            assert_eq!(plain(&found.json()[member]), plain(value), "{sent}: {member}");
        }
    }
    // What a coordinator has corrected is the technician's no longer.
    let body = json!({"kind": "correction", "action": "void", "target_id": reading, "reason": "x"});
    technician.post("/v1/service-events", &event(&unit, body)).problem(403, "forbidden");
    is_clean(&world.database);
}
