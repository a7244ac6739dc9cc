//! While an outage is on: hours of a run that goes on, and checks that were missed.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use serde_json::{Value, json};
use standby::outage::live::{OpenRun, checks};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/live.json");

#[test]
fn runs_that_go_on() {
    for case in cases(CASES) {
        let given = &case["given"];
        let run =
            OpenRun { since: instant(&given["since"]), engine_hours: engine_hours(&given["engine_hours"]) };
        let now = instant(&given["now"]);
        let found = match (run.hours(now), run.task(&code("oil_change"), limit(&given["limit"]), now)) {
            (Ok(hours), Ok(task)) => {
                let mut found = serde_json::to_value(task).unwrap();
                found["nominal"] = serde_json::to_value(hours.nominal).unwrap();
                found["grade"] = serde_json::to_value(hours.grade).unwrap();
                found
            }
            (Err(error), _) | (_, Err(error)) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
        agrees(case["name"].as_str().unwrap(), "", &case["expect"], &found);
    }
}

#[test]
fn checks_that_were_missed() {
    let file: Value = serde_json::from_str(CASES).unwrap();
    for case in file["checks"].as_array().unwrap() {
        let recorded: Vec<_> = case["recorded"].as_array().unwrap().iter().map(hours).collect();
        let found = checks(hours(&case["run"]), hours(&case["every"]), &recorded);
        agrees(case["name"].as_str().unwrap(), "", &case["expect"], &serde_json::to_value(found).unwrap());
    }
}
