//! What an outage came to: worked examples, and sums that hold for any runs.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use interval::Grade;
use model::{Hours, Instant, UnitId, event::RunReason};
use proptest::prelude::*;
use serde_json::{Value, json};
use standby::incident::{Run, pack};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/incident.json");

fn run(value: &Value) -> Run {
    Run {
        unit: UnitId::parse(value["unit"].as_str().unwrap()).unwrap(),
        from: instant(&value["from"]),
        until: (!value["until"].is_null()).then(|| instant(&value["until"])),
        reason: value["reason"].as_str().map(|reason| match reason {
            "emergency" => RunReason::Emergency,
            _ => RunReason::Test,
        }),
        litres: (!value["litres"].is_null()).then(|| litres(&value["litres"])),
        grade: if value["grade"] == "C" { Grade::C } else { Grade::A },
    }
}

#[test]
fn worked_examples() {
    for case in cases(CASES) {
        let runs: Vec<Run> = case["given"].as_array().unwrap().iter().map(run).collect();
        let found = match pack(&runs) {
            Ok(pack) => serde_json::to_value(pack).unwrap(),
            Err(error) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
        agrees(case["name"].as_str().unwrap(), "", &case["expect"], &found);
    }
}

proptest! {
    /// Hours are those minutes of the day in which something ran.
    #[test]
    fn hours_are_minutes_covered(spans in prop::collection::vec((0..200_i64, 0..100_i64), 0..12)) {
        let unit = UnitId::parse("01990593-db00-7000-8000-000000000001").unwrap();
        let at = |minute: i64| Instant::FIRST.plus_seconds(minute * 60);
        let whole = |(from, lasts): &(i64, i64)| Run {
            unit, from: at(*from), until: Some(at(from + lasts)), reason: None, litres: None, grade: Grade::A,
        };
        let runs: Vec<Run> = spans.iter().map(whole).collect();
        let covered = (0..400).filter(|minute| spans.iter().any(|(from, lasts)| (*from..from + lasts).contains(minute)));
        let minutes = i64::try_from(covered.count()).unwrap();
        prop_assert_eq!(pack(&runs).unwrap().hours, Hours::from_seconds(minutes * 60));
    }
}
