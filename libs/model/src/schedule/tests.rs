use serde_json::{Value, json};

use super::*;
use crate::read::{Mode, whole};

fn edition(tasks: Value) -> Value {
    json!({"edition": "A", "effective_from": "2026-01-01", "source": "common practice", "tasks": tasks})
}

fn task(code: &str, satisfies: &[&str]) -> Value {
    json!({"task": code, "job": code, "title": code, "limits": {"hours": 100}, "satisfies": satisfies})
}

#[test]
fn refuses_by_name_and_place() {
    let cases: &[(Value, &str, &str)] = &[
        (json!([]), "/tasks", "required"),
        (json!([task("a", &["b"]), task("b", &["a"])]), "/tasks/0/satisfies", "satisfies_cycle"),
        (json!([task("a", &["a"])]), "/tasks/0/satisfies", "satisfies_cycle"),
        (json!([task("a", &[]), task("a", &[])]), "/tasks/1/task", "duplicate_task"),
        (json!([{"task": "a", "job": "a", "title": "A", "limits": {}}]), "/tasks/0/limits", "no_limit"),
        (
            json!([{"task": "a", "job": "a", "title": "A", "limits": {"months": 6, "days": 1}}]),
            "/tasks/0/limits/days",
            "two_calendars",
        ),
        (
            json!([{"task": "a", "job": "a", "title": "A", "limits": {"months": 13.5}}]),
            "/tasks/0/limits/months",
            "wrong_type",
        ),
        (
            json!([{"task": "a", "job": "a", "title": "A", "limits": {"hours": 0}}]),
            "/tasks/0/limits/hours",
            "out_of_range",
        ),
        (
            json!([{"task": "a", "job": "a", "title": "A", "limits": {"hours": 1}, "colour": 1}]),
            "/tasks/0/colour",
            "unknown_member",
        ),
        (
            json!([{"task": "A", "job": "a", "title": "A", "limits": {"hours": 1}}]),
            "/tasks/0/task",
            "invalid_code",
        ),
    ];
    for (tasks, pointer, code) in cases {
        let errors = whole(&edition(tasks.clone()), Mode::New, Edition::read).unwrap_err();
        assert_eq!((errors[0].pointer.as_deref(), errors[0].code), (Some(*pointer), *code), "{errors:?}");
    }
}

#[test]
fn a_cycle_is_listed() {
    let tasks = json!([task("x", &["a"]), task("a", &["b"]), task("b", &["c"]), task("c", &["a"])]);
    let errors = whole(&edition(tasks), Mode::New, Edition::read).unwrap_err();
    assert!(errors[0].detail.contains("a → b → c → a"), "{}", errors[0].detail);
}

#[test]
fn satisfies_is_transitive() {
    let tasks = json!([task("a", &["b"]), task("b", &["c"]), task("c", &[])]);
    let found = whole(&edition(tasks), Mode::New, Edition::read).unwrap();
    let job = Code::parse("a").unwrap();
    let all: Vec<&str> = found.counts_as(&job).iter().map(|c| c.as_str()).collect();
    assert_eq!(all, ["a", "b", "c"]);
}

#[test]
fn members_that_say_against_each_other_are_refused() {
    let with = |limits: Value, more: Value| {
        let mut task = json!({"task": "a", "job": "a", "title": "A", "limits": limits});
        task.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!([task])
    };
    let both = || json!({"hours": 100, "months": 6});
    let cases = [
        (with(json!({"by": "2026-05-01"}), json!({})), "limits/by", "misplaced"),
        (with(json!({"days": 5, "to_month_end": true}), json!({})), "limits/to_month_end", "misplaced"),
        (with(json!({"fixed_dates": []}), json!({})), "limits/fixed_dates", "required"),
        (with(json!({"fixed_dates": ["02-29"]}), json!({})), "limits/fixed_dates/0", "invalid_date"),
        (with(json!({"fixed_dates": ["4-1"]}), json!({})), "limits/fixed_dates/0", "invalid_date"),
        (with(json!({"fixed_dates": ["04-01", "04-01"]}), json!({})), "limits/fixed_dates", "duplicate_date"),
        (
            with(json!({"fixed_dates": ["04-01"], "days": 3}), json!({})),
            "limits/fixed_dates",
            "two_calendars",
        ),
        (with(json!({"on_failed": {}}), json!({})), "limits/on_failed/job", "required"),
        (with(both(), json!({"first": {"on_failed": {"job": "b"}}})), "first/on_failed", "misplaced"),
        (with(both(), json!({"anchor": "planned_within"})), "within_percent", "required"),
        (
            with(both(), json!({"anchor": "planned_within", "within_percent": 51})),
            "within_percent",
            "out_of_range",
        ),
        (with(both(), json!({"within_percent": 10})), "within_percent", "misplaced"),
        (
            with(json!({"fixed_dates": ["04-01"]}), json!({"anchor": "grid"})),
            "anchor",
            "contradictory_limits",
        ),
        (with(both(), json!({"earliest": {}})), "earliest", "no_limit"),
        (with(both(), json!({"earliest": {"hours": 100.01}})), "earliest/hours", "contradictory_limits"),
        (
            with(json!({"months": 6}), json!({"earliest": {"hours": 1}})),
            "earliest/hours",
            "contradictory_limits",
        ),
        (
            with(json!({"days": 40}), json!({"earliest": {"days": 41}})),
            "earliest/days",
            "contradictory_limits",
        ),
        (with(both(), json!({"severe": {}})), "severe", "no_limit"),
        (with(both(), json!({"severe": {"hours": 100}})), "severe/hours", "contradictory_limits"),
        (
            with(both(), json!({"needs": ["petrol"], "not_with": ["petrol"]})),
            "not_with",
            "contradictory_limits",
        ),
        (with(json!({"months": 6}), json!({"severe": {"hours": 1}})), "severe/hours", "contradictory_limits"),
        (with(both(), json!({"severe": {"months": 6}})), "severe", "contradictory_limits"),
        (with(json!({"hours": 9}), json!({"severe": {"days": 1}})), "severe", "contradictory_limits"),
        (with(both(), json!({"severe": {"hours": 50}, "anchor": "grid"})), "severe", "contradictory_limits"),
        (with(both(), json!({"severe": {"hours": 50}, "once": true})), "severe", "contradictory_limits"),
        (with(both(), json!({"severe": {"hours": 50, "mode": "mild"}})), "severe/mode", "unknown_word"),
        (with(both(), json!({"substitute_factor": 0})), "substitute_factor", "out_of_range"),
        (with(both(), json!({"substitute_factor": 1.01})), "substitute_factor", "out_of_range"),
        (with(both(), json!({"component": "meter"})), "component", "unknown_word"),
        (with(both(), json!({"storage": "sleeps"})), "storage", "unknown_word"),
        (with(both(), json!({"serials": [{"from": 2, "to": 1}]})), "serials/0/to", "out_of_range"),
        (with(both(), json!({"serials": [{"from": 1.5, "to": 2}]})), "serials/0/from", "wrong_type"),
        (with(both(), json!({"needs": ["A"]})), "needs/0", "invalid_code"),
        (with(both(), json!({"duplicates": {"hours": "1,5"}})), "duplicates/hours", "ambiguous_number"),
    ];
    for (tasks, pointer, code) in cases {
        let errors = whole(&edition(tasks.clone()), Mode::New, Edition::read).unwrap_err();
        let pointer = format!("/tasks/0/{pointer}");
        assert_eq!(
            (errors[0].pointer.as_deref(), errors[0].code),
            (Some(&*pointer), code),
            "{tasks}: {errors:?}"
        );
    }
}

#[test]
fn what_is_written_is_what_was_read() {
    let full = edition(json!([{
        "task": "a", "job": "a", "title": "A", "limits": {"hours": 100.5, "months": 6}, "first": {"hours": 20.0, "days": 30},
        "tolerance": {"hours": 10.0}, "lead": {"days": 5}, "anchor": "grid", "satisfies": ["b"],
        "parts": [{"part": "engine oil", "quantity": 0.6, "unit": "litres"}],
        "settings": [{"setting": "gap", "value": 0.76, "unit": "millimetres"},
                     {"setting": "oil_grade", "grade": "10W-30", "from_celsius": -18, "to_celsius": 38}],
        "cautions": [{"caution": "hot_parts", "text": "Let it cool.", "source": "common practice"}]
    }]));
    let limits = [
        json!({"months": 1, "to_month_end": true}),
        json!({"fixed_dates": ["04-15", "10-15"]}),
        json!({"on_failed": {"job": "oil_analysis", "business_days": 2}}),
        json!({"hours": "0:20", "days": 5}),
    ];
    let limits = limits
        .into_iter()
        .map(|limits| edition(json!([{"task": "a", "job": "a", "title": "A", "limits": limits}])));
    let mut packed = edition(json!([{
        "task": "a", "job": "a", "title": "A", "limits": {"hours": 100.0, "months": 6}, "anchor": "planned_within",
        "within_percent": 10, "earliest": {"hours": 80.0, "days": 20}, "severe": {"hours": 50.0, "days": 90, "mode": "strict"},
        "substitute_factor": 0.5, "component": "engine", "storage": "pauses", "needs": ["diesel"], "not_with": ["trailer"],
        "serials": [{"prefix": "TV-", "from": 1000, "to": 1999}, {"from": 5, "to": 9}], "may_wait_in_emergency": true,
        "reset_by_passed": ["oil_analysis"], "duplicates": {"hours": 1.0, "clock_hours": 24.0}
    }, {
        "task": "b", "job": "b", "title": "B", "limits": {"by": "2026-05-01"}, "once": true
    }]));
    packed["pack"] = json!({"pack": "Tarn Valley rules", "edition": "2026"});
    for case in limits.chain([full, packed]) {
        let found = whole(&case, Mode::New, Edition::read);
        let found = found.unwrap_or_else(|errors| panic!("{case}: {errors:?}"));
        assert_eq!(serde_json::to_value(&found).unwrap(), case);
    }
}
