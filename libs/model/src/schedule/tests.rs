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
fn what_is_written_is_what_was_read() {
    let full = edition(json!([{
        "task": "a", "job": "a", "title": "A", "limits": {"hours": 100.5, "months": 6}, "first": {"hours": 20.0, "days": 30},
        "tolerance": {"hours": 10.0}, "lead": {"days": 5}, "anchor": "grid", "satisfies": ["b"],
        "parts": [{"part": "engine oil", "quantity": 0.6, "unit": "litres"}],
        "settings": [{"setting": "gap", "value": 0.76, "unit": "millimetres"},
                     {"setting": "oil_grade", "grade": "10W-30", "from_celsius": -18, "to_celsius": 38}],
        "cautions": [{"caution": "hot_parts", "text": "Let it cool.", "source": "common practice"}]
    }]));
    let found = whole(&full, Mode::New, Edition::read).unwrap();
    assert_eq!(serde_json::to_value(&found).unwrap(), full);
}
