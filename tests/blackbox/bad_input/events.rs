//! Members of service events, one wrong at a time.

use blackbox::{Backend, none_failed, on_both};
use serde_json::{Value, json};

use super::ground::*;

on_both!(members, kinds);

fn members(backend: Backend) {
    let ground = Ground::new(backend);
    let many: Vec<Value> = (0..51).map(|_| json!({"job": "oil_change"})).collect();
    // One member at a time of an otherwise good reading.
    let members: Vec<(&str, Value, &str)> = vec![
        ("id", json!("not-an-id"), "invalid_id"),
        ("unit_id", json!("{nobody}"), "unknown_unit"),
        ("unit_id", json!("{foreign_unit}"), "unknown_unit"),
        ("unit_id", json!("' OR 1=1--"), "invalid_id"),
        ("unit_id", json!(["{unit}"]), "wrong_type"),
        ("meter_hours", json!("5,5"), "ambiguous_number"),
        ("meter_hours", json!("five"), "invalid_hours"),
        ("meter_hours", json!(true), "wrong_type"),
        ("meter_hours", json!({"hours": 5}), "wrong_type"),
        ("meter_hours", json!(-0.1), "out_of_range"),
        ("meter_hours", json!(1_000_000.01), "out_of_range"),
        ("meter_hours", json!(100_000_000_000_000_000_i64), "too_precise"),
        ("meter_hours", json!(1e308), "too_precise"),
        ("meter_hours", json!(5.123), "too_precise"),
        ("meter_hours", Value::Null, "required"),
        ("occurred_at", Value::Null, "required"),
        ("occurred_at", json!("2026-03-01T09:00:00"), "offset_required"),
        ("occurred_at", json!("2026-03-08T02:30:00"), "offset_required"),
        ("occurred_at", json!("2026-13-01T09:00:00Z"), "invalid_instant"),
        ("occurred_at", json!("2026-02-29T09:00:00Z"), "invalid_instant"),
        ("occurred_at", json!("2026-03-01T25:00:00Z"), "invalid_instant"),
        ("occurred_at", json!("2026-03-01T09:00:00+99:00"), "invalid_instant"),
        ("occurred_at", json!("2026-03-01T09:00:00-07:00[America/Denver]"), "invalid_instant"),
        ("occurred_at", json!("0001-01-01T00:00:00Z"), "out_of_range"),
        ("occurred_at", json!("9999-12-31T23:59:59Z"), "invalid_instant"),
        ("occurred_at", json!("2200-01-01T00:00:00Z"), "out_of_range"),
        ("occurred_at", json!(1_772_000_000), "wrong_type"),
        ("occurred_at", json!("2026-06-15T12:30:00Z"), "occurred_in_future"),
        ("occurred_on", json!("2026-03-01"), "two_times"),
        ("occurred_precision", json!("roughly"), "unknown_word"),
        ("occurred_source", json!("guessed"), "unknown_word"),
        ("on_behalf_of", json!("{nobody}"), "unknown_person"),
        ("on_behalf_of", json!("{foreign_person}"), "unknown_person"),
        ("note", json!(""), "empty_text"),
        ("note", json!("x".repeat(4001)), "text_too_long"),
        ("note", json!("\u{202E}gnorw"), "control_character"),
        ("note", json!("\u{1b}[31m"), "control_character"),
        ("colour", json!("red"), "unknown_member"),
        ("__proto__", json!({"author": "x"}), "unknown_member"),
        ("recorded_at", json!("2026-03-01T09:00:00Z"), "read_only"),
        ("happened_at", json!("2026-03-01T09:00:00Z"), "read_only"),
        ("author", json!("{nobody}"), "read_only"),
        ("state", json!("ok"), "read_only"),
        ("due_at", json!("2026-03-01T09:00:00Z"), "read_only"),
        ("seq", json!(1), "read_only"),
    ];
    let mut failures = Vec::new();
    for (member, value, code) in members {
        let case = format!("a reading with {member} {value:.60}");
        let body = ground.fill(&reading_with(member, &value).to_string());
        let pointer = format!("/{member}");
        refused(&ground, &mut failures, &case, (400, "invalid_request", &[(&pointer, code)]), || {
            ground.send("POST /v1/service-events", JSON, Some(body.as_bytes()))
        });
    }
    // Whole events of the other kinds.
    let events: Vec<(&str, Value, &str, &str)> = vec![
        ("a service without jobs", json!({"kind": "service", "jobs": []}), "/jobs", "required"),
        ("a service of 51 jobs", json!({"kind": "service", "jobs": many}), "/jobs", "too_many"),
        (
            "an unknown job",
            json!({"kind": "service", "jobs": [{"job": "oil_change"}, {"job": "polish"}]}),
            "/jobs/1/job",
            "unknown_job",
        ),
        (
            "a job that is no code",
            json!({"kind": "service", "jobs": [{"job": "Oil Change"}]}),
            "/jobs/0/job",
            "invalid_code",
        ),
        (
            "a part without a unit",
            json!({"kind": "service", "jobs": [{"job": "oil_change", "parts": [{"part": "oil", "quantity": 1}]}]}),
            "/jobs/0/parts/0/unit",
            "required",
        ),
        (
            "negative parts",
            json!({"kind": "service", "jobs": [{"job": "oil_change", "parts": [{"part": "oil", "quantity": -1, "unit": "litres"}]}]}),
            "/jobs/0/parts/0/quantity",
            "out_of_range",
        ),
        (
            "a job's unknown member",
            json!({"kind": "service", "jobs": [{"job": "oil_change", "done": true}]}),
            "/jobs/0/done",
            "unknown_member",
        ),
        ("a site of nobody", json!({"kind": "placement", "site_id": "{nobody}"}), "/site_id", "unknown_site"),
        (
            "a site of others",
            json!({"kind": "placement", "site_id": "{foreign_site}"}),
            "/site_id",
            "unknown_site",
        ),
        (
            "commissioned at others",
            json!({"kind": "commissioning", "site_id": "{foreign_site}"}),
            "/site_id",
            "unknown_site",
        ),
        (
            "a schedule of others",
            json!({"kind": "adoption", "schedule_id": "{foreign_schedule}", "edition_id": "{foreign_edition}"}),
            "/schedule_id",
            "unknown_schedule",
        ),
        (
            "an edition of others",
            json!({"kind": "adoption", "schedule_id": "{schedule}", "edition_id": "{foreign_edition}"}),
            "/edition_id",
            "unknown_edition",
        ),
        (
            "ends before it begins",
            json!({"kind": "adoption", "schedule_id": "{schedule}", "edition_id": "{edition}", "effective_from": "2026-03-01", "effective_until": "2026-03-01"}),
            "/effective_until",
            "not_after_start",
        ),
        (
            "month 13",
            json!({"kind": "adoption", "schedule_id": "{schedule}", "edition_id": "{edition}", "effective_from": "2026-13-01"}),
            "/effective_from",
            "invalid_date",
        ),
        (
            "a target of another unit",
            json!({"kind": "correction", "action": "void", "target_id": "{elsewhere}", "reason": "x"}),
            "/target_id",
            "unknown_event",
        ),
        (
            "a target that is no event",
            json!({"kind": "correction", "action": "void", "target_id": "{unit}", "reason": "x"}),
            "/target_id",
            "unknown_event",
        ),
        (
            "a correction of a correction",
            json!({"kind": "correction", "action": "void", "target_id": "{correction}", "reason": "x"}),
            "/target_id",
            "correction_of_correction",
        ),
        (
            "a correction without a reason",
            json!({"kind": "correction", "action": "void", "target_id": "{reading}"}),
            "/reason",
            "required",
        ),
        (
            "a rebuilt meter",
            json!({"kind": "component", "component": "meter", "action": "rebuilt", "new_meter_hours": 0}),
            "/action",
            "unknown_word",
        ),
        (
            "a meter that shows nothing",
            json!({"kind": "component", "component": "meter", "action": "fitted"}),
            "/new_meter_hours",
            "required",
        ),
        (
            "an engine with two meters",
            json!({"kind": "component", "component": "engine", "action": "fitted", "new_meter_hours": 0}),
            "/new_meter_hours",
            "misplaced",
        ),
    ];
    for (case, mut event, pointer, code) in events {
        event["unit_id"] = json!("{unit}");
        event["occurred_at"] = json!("2026-03-01T09:00:00-07:00");
        let body = ground.fill(&event.to_string());
        refused(&ground, &mut failures, case, (400, "invalid_request", &[(pointer, code)]), || {
            ground.send("POST /v1/service-events", JSON, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
}

/// Kinds that are none; what else the body holds depends on the kind.
fn kinds(backend: Backend) {
    let ground = Ground::new(backend);
    let cases = [
        (json!("explosion"), "unknown_word"),
        (json!("Reading"), "unknown_word"),
        (json!(7), "wrong_type"),
        (Value::Null, "required"),
    ];
    let mut failures = Vec::new();
    for (kind, code) in cases {
        let case = format!("an event of kind {kind}");
        let body = json!({"kind": kind, "unit_id": "{unit}", "occurred_at": "2026-03-01T09:00:00-07:00"});
        let body = ground.fill(&body.to_string());
        refused(&ground, &mut failures, &case, (400, "invalid_request", &[("/kind", code)]), || {
            ground.send("POST /v1/service-events", JSON, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
}

/// A body with one member of a good reading replaced, or added; `null` takes it away.
pub(super) fn reading_with(member: &str, value: &Value) -> Value {
    let mut event = json!({"kind": "reading", "unit_id": "{unit}", "occurred_at": "2026-03-01T09:00:00-07:00", "meter_hours": 5});
    event[member] = value.clone();
    event
}
