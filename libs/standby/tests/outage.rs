//! Worked run-throughs: each with where its numbers come from.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use serde_json::{Value, json};
use standby::outage::{run_through, run_through_unstaged};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/outage.json");

#[test]
fn worked_examples() {
    for case in cases(CASES) {
        let name = case["name"].as_str().unwrap();
        let run = if case["unstaged"] == Value::Bool(true) { run_through_unstaged } else { run_through };
        let answer = run(&outage(&case["given"]), &set(&case["given"]["set"]));
        let found = match answer {
            Ok(answer) => serde_json::to_value(answer).unwrap(),
            Err(error) => {
                json!({"error": error.code(), "pointer": error.pointer(), "detail": error.to_string()})
            }
        };
        agrees(name, "", &case["expect"], &found);
        has_all(name, &case["trace"], &found["plan"]["trace"]);
        has_all(name, &case["cautions"], &found["plan"]["cautions"]);
    }
}

/// Each of the entries expected is among those found.
fn has_all(name: &str, expected: &Value, found: &Value) {
    for entry in expected.as_array().into_iter().flatten() {
        let same =
            |found: &&Value| entry.as_object().unwrap().iter().all(|(key, value)| found[key] == *value);
        assert!(found.as_array().unwrap().iter().any(|found| same(&found)), "{name}: no {entry} in {found}");
    }
}
