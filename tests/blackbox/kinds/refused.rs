//! What an event names has to be there, and to be what it is named as.

use blackbox::{
    Backend, World, none_failed, on_both,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{AT, deferral, event};

on_both!(with_a_pointer);

fn with_a_pointer(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (unit, other) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 0));
    let made = |unit: &str, body: Value| id_of(&town.record(event(unit, body)));
    let start = made(&unit, json!({"kind": "run", "phase": "start"}));
    let whole = made(&unit, json!({"kind": "run", "run_hours": 1, "occurred_at": "2026-06-01T12:00:00Z"}));
    let elsewhere = made(&other, json!({"kind": "run", "phase": "start"}));
    let tag = made(&other, json!({"kind": "tag", "action": "hung", "tag": "locked_out"}));
    let oil = made(&unit, json!({"kind": "service", "jobs": [{"job": "oil_change"}]}));
    let reading = made(&unit, json!({"kind": "reading", "meter_hours": 5}));
    let void = json!({"kind": "correction", "action": "void", "target_id": reading, "reason": "x"});
    let correction = made(&unit, void);
    let nobody = new_id();
    let with = |mut body: Value, member: &str, value: Value| {
        body[member] = value;
        body
    };
    let correct = |mut body: Value| {
        body["kind"] = json!("correction");
        body["reason"] = json!("typing");
        body
    };
    let amend = |target: &str, mut replacement: Value| {
        if replacement.get("occurred_at").is_none() {
            replacement["occurred_at"] = json!(AT);
        }
        correct(json!({"action": "amend", "target_id": target, "replacement": replacement}))
    };
    let stop =
        |run: &str, at: &str| json!({"kind": "run", "phase": "stop", "run_id": run, "occurred_at": at});
    let analysis = |results_on: &str| {
        json!({"kind": "service", "jobs": [{"job": "oil_change",
               "analysis": {"results_on": results_on, "water_percent": 0.1}}]})
    };
    let later = "2026-06-10T14:00:00Z";
    let cases = [
        (stop(&nobody, later), "/run_id", "unknown_run"),
        (stop(&whole, later), "/run_id", "unknown_run"),
        (stop(&oil, later), "/run_id", "unknown_run"),
        (stop(&elsewhere, later), "/run_id", "unknown_run"),
        (stop(&start, "2026-06-10T11:59:59Z"), "/occurred_at", "not_after_start"),
        (
            json!({"kind": "run", "stopped_at": "2026-06-15T12:30:00Z", "occurred_at": AT}),
            "/stopped_at",
            "occurred_in_future",
        ),
        (
            json!({"kind": "run", "run_hours": "120:31", "occurred_at": "2026-06-10T12:00:00Z"}),
            "/run_hours",
            "occurred_in_future",
        ),
        (analysis("2026-06-09"), "/jobs/0/analysis/results_on", "before_sample"),
        (analysis("2026-06-17"), "/jobs/0/analysis/results_on", "occurred_in_future"),
        (json!({"kind": "tag", "action": "removed", "tag_id": tag}), "/tag_id", "unknown_tag"),
        (json!({"kind": "tag", "action": "removed", "tag_id": start}), "/tag_id", "unknown_tag"),
        (json!({"kind": "finding", "action": "closed", "finding_id": tag}), "/finding_id", "unknown_finding"),
        (
            json!({"kind": "finding", "action": "closed", "finding_id": nobody}),
            "/finding_id",
            "unknown_finding",
        ),
        (
            json!({"kind": "tag", "action": "hung", "tag": "locked_out", "by": nobody}),
            "/by",
            "unknown_person",
        ),
        (with(deferral(&town), "schedule_id", json!(nobody)), "/schedule_id", "unknown_schedule"),
        (with(deferral(&town), "task", json!("polish")), "/task", "unknown_task"),
        (with(deferral(&town), "authorised_by", json!(nobody)), "/authorised_by", "unknown_person"),
        (with(deferral(&town), "authorised_by", Value::Null), "/authorised_by", "required"),
        (
            json!({"kind": "setting", "limits_of": {"schedule_id": nobody, "task": "oil_change", "limits": {"hours": 5}}}),
            "/limits_of/schedule_id",
            "unknown_schedule",
        ),
        (
            json!({"kind": "setting", "applies_to": {"schedule_id": town.schedule, "task": "polish", "applies": true}}),
            "/applies_to/task",
            "unknown_task",
        ),
        (correct(json!({"action": "confirm", "target_id": oil})), "/target_id", "no_reading"),
        (
            correct(json!({"action": "confirm", "target_id": correction})),
            "/target_id",
            "correction_of_correction",
        ),
        (
            correct(json!({"action": "link", "target_id": oil, "other_id": nobody})),
            "/other_id",
            "unknown_event",
        ),
        (
            correct(json!({"action": "link", "target_id": oil, "other_id": reading})),
            "/other_id",
            "not_a_service",
        ),
        (
            correct(json!({"action": "unlink", "target_id": reading, "other_id": oil})),
            "/target_id",
            "not_a_service",
        ),
        (
            correct(json!({"action": "reassign", "target_id": oil, "to_unit_id": nobody})),
            "/to_unit_id",
            "unknown_unit",
        ),
        (
            correct(json!({"action": "reassign", "target_id": nobody, "to_unit_id": other})),
            "/target_id",
            "unknown_event",
        ),
        (correct(json!({"action": "link", "other_unit_id": nobody})), "/other_unit_id", "unknown_unit"),
        (correct(json!({"action": "link", "other_unit_id": unit})), "/other_unit_id", "same_unit"),
        (amend(&oil, json!({"kind": "reading", "meter_hours": 5})), "/replacement/kind", "other_kind"),
        (
            amend(&oil, json!({"kind": "service", "jobs": [{"job": "polish"}]})),
            "/replacement/jobs/0/job",
            "unknown_job",
        ),
        (
            amend(
                &reading,
                json!({"kind": "reading", "meter_hours": 5, "occurred_at": "2026-06-15T12:30:00Z"}),
            ),
            "/replacement/occurred_at",
            "occurred_in_future",
        ),
        (
            amend(&reading, json!({"kind": "reading", "meter_hours": "5,5"})),
            "/replacement/meter_hours",
            "ambiguous_number",
        ),
    ];
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for (body, pointer, code) in cases {
        let sent = event(&unit, body);
        let reply = town.coordinator().post("/v1/service-events", &sent);
        let expected = [(pointer.to_owned(), code.to_owned())];
        if reply.status != 400 || reply.errors() != expected {
            failures.push(format!("{sent}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
}
