//! What is wrong is refused where it is wrong, by kind.

use serde_json::{Value, json};

use super::{super::ServiceEvent, SITE as ID, event};
use crate::read::{Mode, whole};

#[test]
fn with_a_pointer_and_a_code() {
    let correction = |more: Value| {
        let mut all = json!({"reason": "typing"});
        all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        event("correction", all)
    };
    let amend = |replacement: Value| {
        correction(json!({"action": "amend", "target_id": ID, "replacement": replacement}))
    };
    let job = |more: Value| {
        let mut all = json!({"job": "oil"});
        all.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        event("service", json!({"jobs": [all]}))
    };
    let stop = "2026-08-01T07:30:00-06:00";
    let limits_of = |limits: Value| {
        event("setting", json!({"limits_of": {"schedule_id": ID, "task": "oil", "limits": limits}}))
    };
    let deferral = json!({"schedule_id": ID, "task": "oil", "reason": "later"});
    let cases = [
        (event("run", json!({})), "/stopped_at", "required"),
        (event("run", json!({"phase": "pause"})), "/phase", "unknown_word"),
        (event("run", json!({"stopped_at": stop, "run_hours": 1})), "/run_hours", "two_ends"),
        (event("run", json!({"stopped_at": "2026-08-01T06:00:00-06:00"})), "/stopped_at", "not_after_start"),
        (event("run", json!({"stopped_at": "2026-08-01T08:00:00"})), "/stopped_at", "offset_required"),
        (event("run", json!({"run_hours": 0})), "/run_hours", "out_of_range"),
        (event("run", json!({"run_hours": "1,5"})), "/run_hours", "ambiguous_number"),
        (event("run", json!({"run_hours": 1, "stop_meter_hours": 5})), "/stop_meter_hours", "misplaced"),
        (
            event("run", json!({"stopped_at": stop, "give_or_take_hours": 1})),
            "/give_or_take_hours",
            "misplaced",
        ),
        (event("run", json!({"run_hours": 1, "run_id": ID})), "/run_id", "misplaced"),
        (event("run", json!({"phase": "start", "run_hours": 1})), "/run_hours", "misplaced"),
        (event("run", json!({"phase": "stop"})), "/run_id", "required"),
        (event("run", json!({"phase": "stop", "run_id": ID, "reason": "test"})), "/reason", "misplaced"),
        (event("run", json!({"run_hours": 1, "reason": "boredom"})), "/reason", "unknown_word"),
        (
            event("run", json!({"run_hours": 1, "load_kw": 2, "load_percent": 40})),
            "/load_percent",
            "two_loads",
        ),
        (event("run", json!({"run_hours": 1, "load_percent": 110.01})), "/load_percent", "out_of_range"),
        (event("run", json!({"run_hours": 1, "start_attempts": 0})), "/start_attempts", "out_of_range"),
        (event("run", json!({"run_hours": 1, "unloaded_minutes": 1.5})), "/unloaded_minutes", "wrong_type"),
        (event("run", json!({"phase": "start", "load_kw": 2})), "/load_kw", "misplaced"),
        (event("run", json!({"phase": "no_start", "hertz": 60})), "/hertz", "misplaced"),
        (event("run", json!({"phase": "no_start", "meter_hours": 60})), "/meter_hours", "misplaced"),
        (event("run", json!({"phase": "no_start", "run_hours": 1})), "/run_hours", "misplaced"),
        (
            event("run", json!({"phase": "stop", "run_id": ID, "start_attempts": 1})),
            "/start_attempts",
            "misplaced",
        ),
        (event("fuel", json!({})), "/action", "required"),
        (event("fuel", json!({"action": "filled"})), "/litres", "required"),
        (event("fuel", json!({"action": "filled", "litres": 0})), "/litres", "out_of_range"),
        (event("fuel", json!({"action": "filled", "kilograms": 0})), "/kilograms", "out_of_range"),
        (event("fuel", json!({"action": "taken", "kilograms": 100_001})), "/kilograms", "out_of_range"),
        (
            event("fuel", json!({"action": "measured", "litres": 17.7, "kilograms": 9})),
            "/kilograms",
            "misplaced",
        ),
        (event("fuel", json!({"action": "treated", "kilograms": 9})), "/kilograms", "misplaced"),
        (event("fuel", json!({"action": "measured", "litres": -1})), "/litres", "out_of_range"),
        (event("fuel", json!({"action": "treated", "litres": 1})), "/litres", "misplaced"),
        (
            event("fuel", json!({"action": "taken", "litres": 1, "bought_on": "2026-07-01"})),
            "/bought_on",
            "misplaced",
        ),
        (
            event("fuel", json!({"action": "filled", "litres": 1, "bought_on": "2026-08-02"})),
            "/bought_on",
            "not_before_filled",
        ),
        (
            event(
                "fuel",
                json!({"action": "filled", "litres": 1, "bought_on": "2026-07-02", "treated_on": "2026-07-01"}),
            ),
            "/treated_on",
            "before_bought",
        ),
        (event("battery", json!({})), "/result", "required"),
        (event("battery", json!({"celsius": 20})), "/result", "required"),
        (event("battery", json!({"result": "fair"})), "/result", "unknown_word"),
        (event("battery", json!({"result": "passed", "rested_hours": 8})), "/rested_hours", "misplaced"),
        (event("battery", json!({"on_maintainer": true, "celsius": 20})), "/celsius", "misplaced"),
        (event("battery", json!({"volts": 12.6, "celsius": -61})), "/celsius", "out_of_range"),
        (event("battery", json!({"load_test": {"amperes": 200}})), "/load_test/volts", "required"),
        (
            event("battery", json!({"load_test": {"volts": 9.6, "seconds": 0}})),
            "/load_test/seconds",
            "out_of_range",
        ),
        (event("finding", json!({"action": "opened"})), "/severity", "required"),
        (event("finding", json!({"action": "opened", "severity": "bad"})), "/severity", "unknown_word"),
        (event("finding", json!({"action": "closed"})), "/finding_id", "required"),
        (
            event("finding", json!({"action": "closed", "finding_id": ID, "severity": "minor"})),
            "/severity",
            "misplaced",
        ),
        (event("storage", json!({})), "/action", "required"),
        (event("storage", json!({"action": "lost"})), "/action", "unknown_word"),
        (event("duty", json!({"causes": []})), "/causes", "required"),
        (event("duty", json!({"causes": ["Dust"]})), "/causes/0", "invalid_code"),
        (event("duty", json!({"causes": vec!["a"; 11]})), "/causes", "too_many"),
        (
            event(
                "duty",
                json!({"causes": ["dust"], "effective_from": "2026-08-02", "effective_until": "2026-08-02"}),
            ),
            "/effective_until",
            "not_after_start",
        ),
        (event("setting", json!({})), "/limits_of", "required"),
        (
            event(
                "setting",
                json!({"feature": {"feature": "a", "fitted": true},
                       "applies_to": {"schedule_id": ID, "task": "a", "applies": true}}),
            ),
            "/applies_to",
            "two_settings",
        ),
        (event("setting", json!({"feature": {"feature": "a"}})), "/feature/fitted", "required"),
        (limits_of(json!({})), "/limits_of/limits", "no_limit"),
        (limits_of(json!({"months": 1, "days": 1})), "/limits_of/limits/days", "two_calendars"),
        (limits_of(json!({"fixed_dates": ["04-15"]})), "/limits_of/limits", "no_limit"),
        (event("deferral", deferral.clone()), "/authorised_by", "required"),
        (
            event("deferral", {
                let mut without_end = deferral.clone();
                without_end["authorised_by"] = ID.into();
                without_end
            }),
            "/until_date",
            "required",
        ),
        (event("tag", json!({"action": "hung"})), "/tag", "required"),
        (event("tag", json!({"action": "hung", "tag": "locked_out", "tag_id": ID})), "/tag_id", "misplaced"),
        (event("tag", json!({"action": "removed"})), "/tag_id", "required"),
        (event("tag", json!({"action": "removed", "tag_id": ID, "by": ID})), "/by", "misplaced"),
        (event("component", json!({"component": "battery", "action": "rebuilt"})), "/action", "unknown_word"),
        (event("component", json!({"component": "wheel", "action": "fitted"})), "/component", "unknown_word"),
        (
            event("component", json!({"component": "starter", "action": "fitted", "old_meter_hours": 1})),
            "/old_meter_hours",
            "misplaced",
        ),
        (job(json!({"result": "maybe"})), "/jobs/0/result", "unknown_word"),
        (job(json!({"analysis": {}})), "/jobs/0/analysis/results_on", "required"),
        (
            job(json!({"analysis": {"results_on": "2026-08-07", "water_percent": -1}})),
            "/jobs/0/analysis/water_percent",
            "out_of_range",
        ),
        (
            job(json!({"analysis": {"results_on": "2026-08-07", "running": false}})),
            "/jobs/0/analysis/water_percent",
            "required",
        ),
        (
            job(
                json!({"analysis": {"results_on": "2026-08-07", "base_number_used": 3, "water_percent": 0.1}}),
            ),
            "/jobs/0/analysis/base_number_new",
            "required",
        ),
        (
            job(json!({"analysis": {"results_on": "2026-08-07", "viscosity_new": 100}})),
            "/jobs/0/analysis/viscosity_used",
            "required",
        ),
        (
            job(json!({"result": "passed", "analysis": {"results_on": "2026-08-07", "water_percent": 0.1}})),
            "/jobs/0/result",
            "misplaced",
        ),
        (correction(json!({"action": "void"})), "/target_id", "required"),
        (correction(json!({"action": "void", "target_id": ID, "other_id": ID})), "/other_id", "misplaced"),
        (correction(json!({"action": "reassign", "target_id": ID})), "/to_unit_id", "required"),
        (correction(json!({"action": "link"})), "/target_id", "required"),
        (correction(json!({"action": "link", "target_id": ID})), "/other_id", "required"),
        (
            correction(json!({"action": "link", "target_id": ID, "other_unit_id": ID})),
            "/target_id",
            "misplaced",
        ),
        (correction(json!({"action": "link", "target_id": ID, "other_id": ID})), "/other_id", "same_event"),
        (correction(json!({"action": "amend", "target_id": ID})), "/replacement", "required"),
        (amend(json!({"kind": "reading", "meter_hours": 1})), "/replacement/occurred_at", "required"),
        (
            amend(json!({"kind": "reading", "meter_hours": 1, "occurred_on": "2026-08-01", "note": "x"})),
            "/replacement/note",
            "unknown_member",
        ),
        (
            amend(json!({"kind": "correction", "action": "void", "target_id": ID, "reason": "x"})),
            "/replacement/kind",
            "not_corrected",
        ),
        (
            amend(json!({"kind": "reading", "meter_hours": -1, "occurred_on": "2026-08-01"})),
            "/replacement/meter_hours",
            "out_of_range",
        ),
    ];
    for (case, pointer, code) in cases {
        let errors = whole(&case, Mode::New, ServiceEvent::read).unwrap_err();
        let found = (errors[0].pointer.as_deref(), errors[0].code);
        assert_eq!(found, (Some(pointer), code), "{case}: {errors:?}");
    }
}
