//! Who may take an entry back, and who may put it in again.

use blackbox::{Backend, Reply, Town, World, none_failed, on_both, world::id_of};
use serde_json::json;

on_both!(
    one_takes_back_ones_own_and_a_coordinator_anything,
    what_somebody_else_has_judged_is_no_longer_ones_own,
    a_correction_names_an_entry_of_its_unit,
    who_logs_what,
);

const AT: &str = "2026-06-14T12:00:00Z";

fn correct(town: &Town, role: &str, unit: &str, action: &str, target: &str) -> Reply {
    let correction = json!({"kind": "correction", "unit_id": unit, "occurred_at": AT, "action": action, "target_id": target, "reason": "x"});
    town.clients[role].post("/v1/service-events", &correction)
}

fn entered(town: &Town, role: &str, unit: &str) -> String {
    let reading = json!({"kind": "reading", "unit_id": unit, "occurred_at": AT, "meter_hours": 5});
    id_of(&town.clients[role].post("/v1/service-events", &reading).expect(201).json())
}

/// D26 of the attacks: rows are who entered it, who takes it back, and what they are told.
fn one_takes_back_ones_own_and_a_coordinator_anything(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let cases = [
        ("technician", "technician", 201),
        ("technician", "custodian", 403),
        ("technician", "coordinator", 201),
        ("technician", "admin", 403),
        ("custodian", "custodian", 201),
        ("custodian", "technician", 403),
        ("custodian", "coordinator", 201),
        ("coordinator", "technician", 403),
        ("coordinator", "coordinator", 201),
        ("coordinator", "auditor", 403),
    ];
    let mut failures = Vec::new();
    for (author, role, status) in cases {
        for action in ["void", "reinstate"] {
            let target = entered(&town, author, &unit);
            let reply = correct(&town, role, &unit, action, &target);
            if reply.status != status {
                failures.push(format!("{action} by {role} of {author}'s: {} {}", reply.status, reply.text));
            }
        }
    }
    // Another technician is somebody else.
    let colleague = world.client(town.id, world.person(town.id, &[("technician", json!("all"))]));
    let target = entered(&town, "technician", &unit);
    let void = json!({"kind": "correction", "unit_id": unit, "occurred_at": AT, "action": "void", "target_id": target, "reason": "x"});
    colleague.post("/v1/service-events", &void).problem(403, "forbidden");
    none_failed(&failures);
}

/// Rows are who does what, one after the other, to an entry of the technician, and what they are told.
fn what_somebody_else_has_judged_is_no_longer_ones_own(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let cases: [&[(&str, &str, u16)]; 4] = [
        &[("technician", "void", 201), ("technician", "reinstate", 201), ("technician", "void", 201)],
        &[("coordinator", "void", 201), ("technician", "reinstate", 403), ("coordinator", "reinstate", 201)],
        &[("technician", "void", 201), ("coordinator", "reinstate", 201), ("technician", "void", 403)],
        &[("coordinator", "reinstate", 201), ("technician", "void", 403), ("coordinator", "void", 201)],
    ];
    let mut failures = Vec::new();
    for case in cases {
        let target = entered(&town, "technician", &unit);
        for (role, action, status) in case {
            let reply = correct(&town, role, &unit, action, &target);
            if reply.status != *status {
                failures.push(format!("{case:?}: {role} {action}: {} {}", reply.status, reply.text));
            }
        }
    }
    none_failed(&failures);
}

fn a_correction_names_an_entry_of_its_unit(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let [unit, other] = ["FS-1", "FS-2"].map(|label| town.unit_in_service(label, 0));
    let target = entered(&town, "technician", &unit);
    let of_other = entered(&town, "technician", &other);
    let void = id_of(&correct(&town, "technician", &unit, "void", &target).expect(201).json());
    let rows = world.database.log_rows();
    let cases = [
        ("void", void.as_str(), "correction_of_correction"),
        ("reinstate", &void, "correction_of_correction"),
        ("void", &of_other, "unknown_event"),
        ("void", &unit, "unknown_event"),
        ("void", &town.edition, "unknown_event"),
    ];
    for (action, target, code) in cases {
        // One who may correct everything is told what is wrong.
        let reply = correct(&town, "coordinator", &unit, action, target);
        reply.problem(400, "invalid_request");
        assert_eq!(reply.errors(), [("/target_id".to_owned(), code.to_owned())], "{action} {target}");
        // One who may correct what he entered is not let through by way of another unit.
        let reply = correct(&town, "custodian", &unit, action, target);
        assert!([400, 403].contains(&reply.status), "{action} {target}: {}", reply.text);
    }
    assert_eq!(world.database.log_rows(), rows);
}

/// D07 of the attacks: a custodian keeps the log of a site and does no service; who only looks records nothing.
fn who_logs_what(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let reading = json!({"kind": "reading", "meter_hours": 5});
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
    let with_reading = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 5});
    let before = town.due(&unit, "oil_change")["calendar"].clone();
    for role in ["custodian", "auditor", "planner", "viewer", "integrator", "admin"] {
        for (event, allowed) in [(&reading, role == "custodian"), (&service, false), (&with_reading, false)] {
            let rows = world.database.log_rows();
            let mut event = event.clone();
            event["unit_id"] = json!(unit);
            event["occurred_at"] = json!(AT);
            let reply = town.clients[role].post("/v1/service-events", &event);
            if allowed {
                reply.expect(201);
            } else {
                reply.problem(403, "forbidden");
                assert_eq!(world.database.log_rows(), rows, "{role}: {event}");
            }
        }
    }
    assert_eq!(town.due(&unit, "oil_change")["calendar"], before, "nobody has changed the oil");
}
