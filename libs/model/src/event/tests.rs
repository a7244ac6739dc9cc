use serde_json::{Value, json};

use super::*;
use crate::read::{Mode, whole};

mod refused;
mod written;

fn event(kind: &str, more: Value) -> Value {
    let mut event = json!({"id": "019a0b5e-7c00-7000-8000-000000000001", "kind": kind,
        "unit_id": "019a0b5e-7c00-7000-8000-000000000002", "occurred_at": "2026-08-01T06:00:00-06:00"});
    event.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    event
}

const SITE: &str = "019a0b5e-7c00-7000-8000-000000000003";

#[test]
fn every_kind_is_written_as_it_was_read() {
    let cases = [
        event("commissioning", json!({"site_id": SITE, "meter_hours": 0.3, "engine_hours": 12.0})),
        event(
            "reading",
            json!({"meter_hours": 212.4, "occurred_source": "clock", "occurred_precision": "minute"}),
        ),
        event(
            "service",
            json!({"jobs": [{"job": "oil_change", "parts": [{"part": "engine oil", "quantity": 0.6, "unit": "litres"}]}], "meter_hours": 231.0}),
        ),
        event(
            "component",
            json!({"component": "meter", "action": "fitted", "old_meter_hours": 483.7, "new_meter_hours": 2.3}),
        ),
        event("placement", json!({"site_id": SITE, "note": "on loan"})),
        event("placement", json!({"site_id": SITE, "from_openings_metres": 6.1})),
        event(
            "run",
            json!({"phase": "whole", "run_hours": 0.53, "reason": "test", "start_attempts": 1, "load_percent": 31.0,
                "unloaded_minutes": 0, "volts": 121.5, "hertz": 60.2, "exhaust_temperature_reached": false,
                "operating_temperature_reached": true, "transferred_load": true, "ran_before_transfer": false,
                "fuel_used_litres": 0.7, "oil_added_litres": 0.1}),
        ),
        event("run", json!({"phase": "no_start", "reason": "emergency", "start_attempts": 3})),
        event("run", json!({"phase": "start", "start_attempts": 2})),
        event("run", json!({"phase": "stop", "run_id": SITE, "load_kw": 3.7})),
        event(
            "fuel",
            json!({"action": "filled", "litres": 20.0, "bought_on": "2026-07-01", "opened_on": "2026-07-20",
                "treated_on": "2026-07-01", "ethanol": "up_to10", "stored_at_celsius": 18.0}),
        ),
        event("fuel", json!({"action": "taken", "litres": 3.5})),
        event("fuel", json!({"action": "treated"})),
        event("fuel", json!({"action": "measured", "litres": 0.0})),
        event(
            "battery",
            json!({"on_maintainer": true, "replaced": true, "result": "passed", "volts": 12.65, "rested_hours": 6.0,
                "celsius": -4.5, "load_test": {"volts": 9.8, "amperes": 250.0, "seconds": 15}}),
        ),
        event("battery", json!({"on_maintainer": false})),
        event("finding", json!({"action": "opened", "severity": "critical", "finding": "fuel_leak"})),
        event("finding", json!({"action": "closed", "finding_id": SITE})),
        event("adoption", json!({"schedule_id": SITE, "edition_id": SITE, "effective_from": "2026-01-01"})),
        event("correction", json!({"action": "void", "target_id": SITE, "reason": "wrong unit"})),
    ];
    for case in cases {
        let found = whole(&case, Mode::New, ServiceEvent::read).unwrap();
        assert_eq!(serde_json::to_value(&found).unwrap(), case);
    }
}

fn for_a_model(more: Value) -> Value {
    let mut adoption = event(
        "adoption",
        json!({"maker": "Alder", "model": "P7", "schedule_id": SITE, "edition_id": SITE, "note": "all of them"}),
    );
    adoption.as_object_mut().unwrap().remove("unit_id");
    adoption.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    adoption
}

#[test]
fn an_adoption_is_for_a_unit_or_for_a_model() {
    let of_unit = event("adoption", json!({"schedule_id": SITE, "edition_id": SITE}));
    assert!(matches!(whole(&of_unit, Mode::New, Posted::read), Ok(Posted::OfUnit(_))));
    let case = for_a_model(json!({"effective_from": "2026-01-01"}));
    let Ok(Posted::OfModel(found)) = whole(&case, Mode::New, Posted::read) else { panic!("not for a model") };
    assert_eq!(serde_json::to_value(&found).unwrap(), case);
    let unit = UnitId::read(&of_unit["unit_id"]).unwrap();
    let as_event = serde_json::to_value(found.for_unit(unit));
    let mut expected = case.clone();
    for member in ["maker", "model"] {
        expected.as_object_mut().unwrap().remove(member);
    }
    expected["unit_id"] = of_unit["unit_id"].clone();
    assert_eq!(as_event.unwrap(), expected);

    let cases = [
        (for_a_model(json!({"unit_id": SITE})), "/unit_id", "two_subjects"),
        (for_a_model(json!({"maker": null})), "/maker", "required"),
        (for_a_model(json!({"model": null})), "/model", "required"),
        (for_a_model(json!({"maker": null, "model": null})), "/unit_id", "required"),
        (for_a_model(json!({"model": " P7"})), "/model", "blank_ends"),
        (for_a_model(json!({"edition_id": null})), "/edition_id", "required"),
        (for_a_model(json!({"meter_hours": 1})), "/meter_hours", "unknown_member"),
        (event("reading", json!({"meter_hours": 1, "model": "P7"})), "/model", "unknown_member"),
    ];
    for (case, pointer, code) in cases {
        let errors = whole(&case, Mode::New, Posted::read).unwrap_err();
        assert_eq!(
            (errors[0].pointer.as_deref(), errors[0].code),
            (Some(pointer), code),
            "{case}: {errors:?}"
        );
    }
}

#[test]
fn bad_events_are_refused_where_they_are_wrong() {
    let cases = [
        (event("oiling", json!({})), "/kind", "unknown_word"),
        (event("reading", json!({"meter_hours": -0.1})), "/meter_hours", "out_of_range"),
        (event("reading", json!({"meter_hours": 1e308})), "/meter_hours", "too_precise"),
        (event("reading", json!({"meter_hours": true})), "/meter_hours", "wrong_type"),
        (event("reading", json!({"meter_hours": "1.234,5"})), "/meter_hours", "ambiguous_number"),
        (
            event("reading", json!({"meter_hours": 1, "occurred_on": "2026-08-01"})),
            "/occurred_on",
            "two_times",
        ),
        (
            event("reading", json!({"meter_hours": 1, "occurred_at": "2026-08-01T06:00:00"})),
            "/occurred_at",
            "offset_required",
        ),
        (event("reading", json!({"meter_hours": 1, "author": "me"})), "/author", "read_only"),
        (event("service", json!({"jobs": []})), "/jobs", "required"),
        (event("service", json!({"jobs": [{"job": "Oil"}]})), "/jobs/0/job", "invalid_code"),
        (
            event("component", json!({"component": "meter", "action": "fitted"})),
            "/new_meter_hours",
            "required",
        ),
        (
            event("component", json!({"component": "engine", "action": "fitted", "new_meter_hours": 1})),
            "/new_meter_hours",
            "misplaced",
        ),
    ];
    for (case, pointer, code) in cases {
        let errors = whole(&case, Mode::New, ServiceEvent::read).unwrap_err();
        assert_eq!((errors[0].pointer.as_deref(), errors[0].code), (Some(pointer), code), "{errors:?}");
    }
}

#[test]
fn a_day_stays_a_day() {
    let mut case = event("reading", json!({"meter_hours": 1.0, "occurred_on": "2026-08-01"}));
    case.as_object_mut().unwrap().remove("occurred_at");
    let found = whole(&case, Mode::New, ServiceEvent::read).unwrap();
    assert_eq!(found.occurred.when.precision(), "day");
    assert_eq!(serde_json::to_value(&found).unwrap(), case);
}
