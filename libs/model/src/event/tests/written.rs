//! What is read is written back the same, by kind.

use serde_json::json;

use super::{super::ServiceEvent, SITE as ID, event};
use crate::read::{Mode, whole};

#[test]
fn as_it_was_read() {
    let deferral = json!({"schedule_id": ID, "task": "oil_change", "authorised_by": ID,
        "reason": "the outage goes on", "until_hours": 260.5, "until_date": "2026-09-01", "effective_from": "2026-08-02"});
    let run = json!({"phase": "whole", "stopped_at": "2026-08-01T07:30:00-06:00", "reason": "emergency",
        "meter_hours": 212.4, "stop_meter_hours": "213:20"});
    let mut amended = deferral.clone();
    amended
        .as_object_mut()
        .unwrap()
        .extend(json!({"kind": "deferral", "occurred_on": "2026-08-01"}).as_object().unwrap().clone());
    let cases = [
        event("run", run.clone()),
        event("run", json!({"phase": "whole", "run_hours": "0:20", "give_or_take_hours": 0.05})),
        event("run", json!({"phase": "start", "reason": "test", "meter_hours": 3.0})),
        event("run", json!({"phase": "stop", "run_id": ID, "meter_hours": 4.0})),
        event("storage", json!({"action": "put_in"})),
        event("storage", json!({"action": "taken_out"})),
        event("duty", json!({"causes": ["dust", "heat"]})),
        event(
            "duty",
            json!({"causes": ["dust"], "effective_from": "2026-08-01", "effective_until": "2026-09-01"}),
        ),
        event(
            "setting",
            json!({"limits_of": {"schedule_id": ID, "task": "oil_change", "limits": {"hours": 50.0, "days": 90}}}),
        ),
        event(
            "setting",
            json!({"feature": {"feature": "spark_arrester", "fitted": true}, "effective_from": "2026-08-01"}),
        ),
        event("setting", json!({"applies_to": {"schedule_id": ID, "task": "oil_change", "applies": false}})),
        event("deferral", deferral),
        event(
            "tag",
            json!({"action": "hung", "tag": "locked_out", "by": ID, "effective_until": "2026-08-09"}),
        ),
        event("tag", json!({"action": "removed", "tag_id": ID})),
        event("component", json!({"component": "alternator", "action": "rebuilt", "meter_hours": 9.0})),
        event("component", json!({"component": "battery", "action": "fitted"})),
        event("component", json!({"component": "starter", "action": "fitted"})),
        event(
            "service",
            json!({"jobs": [
                {"job": "oil_change", "substitute": true},
                {"job": "coolant_check", "result": "failed"},
                {"job": "plug_check", "result": "skipped"},
                {"job": "oil_analysis", "analysis": {"results_on": "2026-08-07", "running": false,
                    "base_number_new": 10.0, "base_number_used": 2.9, "acid_number_new": 1.5, "acid_number_used": 4.5,
                    "viscosity_new": 100.0, "viscosity_used": 120.1, "water_percent": 0.51}}]}),
        ),
        event("correction", json!({"action": "confirm", "target_id": ID, "reason": "read again"})),
        event(
            "correction",
            json!({"action": "reassign", "target_id": ID, "to_unit_id": ID, "reason": "wrong unit"}),
        ),
        event(
            "correction",
            json!({"action": "link", "target_id": ID, "other_id": OTHER, "reason": "told twice"}),
        ),
        event(
            "correction",
            json!({"action": "unlink", "target_id": ID, "other_id": OTHER, "reason": "two jobs"}),
        ),
        event("correction", json!({"action": "link", "other_unit_id": ID, "reason": "entered twice"})),
        event("correction", json!({"action": "unlink", "other_unit_id": ID, "reason": "two machines"})),
        event(
            "correction",
            json!({"action": "amend", "target_id": ID, "reason": "typing",
                "replacement": {"kind": "reading", "occurred_at": "2026-08-01T06:10:00-06:00", "meter_hours": "212:20",
                    "occurred_precision": "minute"}}),
        ),
        event(
            "correction",
            json!({"action": "amend", "target_id": ID, "reason": "typing", "replacement": amended}),
        ),
    ];
    for case in cases {
        let found = whole(&case, Mode::New, ServiceEvent::read);
        let found = found.unwrap_or_else(|errors| panic!("{case}: {errors:?}"));
        assert_eq!(serde_json::to_value(&found).unwrap(), case);
    }
}

const OTHER: &str = "019a0b5e-7c00-7000-8000-000000000004";

#[test]
fn what_is_left_out_is_what_is_usual() {
    let cases = [
        (event("run", json!({"run_hours": 2})), event("run", json!({"phase": "whole", "run_hours": 2.0}))),
        (
            event("service", json!({"jobs": [{"job": "oil", "result": "done", "substitute": false}]})),
            event("service", json!({"jobs": [{"job": "oil"}]})),
        ),
        (
            event(
                "service",
                json!({"jobs": [{"job": "oil", "analysis": {"results_on": "2026-08-07", "running": true, "water_percent": 0.1}}]}),
            ),
            event(
                "service",
                json!({"jobs": [{"job": "oil", "analysis": {"results_on": "2026-08-07", "water_percent": 0.1}}]}),
            ),
        ),
    ];
    for (sent, written) in cases {
        let found = whole(&sent, Mode::New, ServiceEvent::read).unwrap();
        assert_eq!(serde_json::to_value(&found).unwrap(), written, "{sent}");
    }
}

#[test]
fn private_text_is_told_by_kind() {
    let amended = |kind| json!({"kind": "correction", "replacement": {"kind": kind}});
    let cases: [(_, &[&str]); 5] = [
        (json!({"kind": "run", "reason": "test"}), &["/note"]),
        (json!({"kind": "deferral"}), &["/note", "/reason"]),
        (json!({"kind": "correction"}), &["/note", "/reason"]),
        (amended("run"), &["/note", "/reason"]),
        (amended("deferral"), &["/note", "/reason", "/replacement/reason"]),
    ];
    for (body, expected) in cases {
        assert_eq!(ServiceEvent::private(&body), expected, "{body}");
    }
    let sealed = json!({"private": "0".repeat(64)});
    let stored = event(
        "correction",
        json!({"action": "amend", "target_id": ID, "reason": sealed, "replacement": {
            "kind": "deferral", "occurred_on": "2026-08-01", "schedule_id": ID, "task": "oil_change",
            "authorised_by": ID, "reason": sealed, "until_date": "2026-09-01"}}),
    );
    let found = whole(&stored, Mode::Stored, ServiceEvent::read).unwrap();
    assert_eq!(serde_json::to_value(&found).unwrap(), stored);
}
