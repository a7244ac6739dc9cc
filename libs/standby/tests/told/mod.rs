//! Reads the cases of a file of worked examples, and compares what is told with what they expect.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    dead_code,
    reason = "helpers of tests, not all used by each"
)]

use std::path::PathBuf;

use model::{Instant, quantity::Kilowatts};
use serde::Serialize;
use serde_json::Value;

/// The whole of `tests/vectors/standby/<name>.json`.
pub(crate) fn file(name: &str) -> Value {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("../../tests/vectors/standby/{name}.json"));
    serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap()
}

/// All cases under `section`, each with a name and a source.
pub(crate) fn cases(name: &str, section: &str) -> Vec<Value> {
    let all = file(name);
    let cases = all[section].as_array().unwrap_or_else(|| panic!("no {section} in {name}")).clone();
    assert!(!cases.is_empty());
    for case in &cases {
        assert!(!text(case, "name").is_empty() && !text(case, "source").is_empty(), "{case}");
    }
    cases
}

pub(crate) fn text<'v>(value: &'v Value, name: &str) -> &'v str {
    value[name].as_str().unwrap_or_else(|| panic!("{name} of {value}"))
}

pub(crate) fn instant(value: &Value) -> Option<Instant> {
    value.as_str().map(|text| Instant::parse(text).unwrap())
}

/// A JSON number in steps of ten to the minus `places`, exactly.
pub(crate) fn number(value: &Value, places: usize) -> Option<i64> {
    let text = value.as_number()?.to_string();
    let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
    assert!(fraction.len() <= places, "{text}");
    Some(format!("{whole}{fraction:0<places$}").parse().unwrap_or_else(|_| panic!("{text}")))
}

pub(crate) fn kilowatts(value: &Value) -> Option<Kilowatts> {
    number(value, 2).map(Kilowatts::from_hundredths)
}

/// An id that ends in a number, so that cases stay short.
pub(crate) fn uuid(place: i64) -> String {
    format!("019a0b5e-7c00-7000-8000-{place:012}")
}

/// Asserts that every member of `expect` is in the answer as it serializes; null means absent, a list is matched element by
/// element, in order and as long.
pub(crate) fn matches(name: &str, answer: &impl Serialize, expect: &Value) {
    let answer = serde_json::to_value(answer).unwrap();
    if let Err(why) = within(&answer, expect) {
        panic!("{name}: {why}\n{answer:#}");
    }
}

fn within(answer: &Value, expect: &Value) -> Result<(), String> {
    match (answer, expect) {
        (Value::Object(has), Value::Object(wants)) => wants.iter().try_for_each(|(key, want)| {
            within(has.get(key).unwrap_or(&Value::Null), want).map_err(|why| format!("/{key}{why}"))
        }),
        (Value::Array(has), Value::Array(wants)) if has.len() == wants.len() => {
            has.iter().zip(wants).enumerate().try_for_each(|(place, (has, want))| {
                within(has, want).map_err(|why| format!("/{place}{why}"))
            })
        }
        (Value::Number(has), Value::Number(want)) if has.as_f64() == want.as_f64() => Ok(()),
        _ if answer == expect => Ok(()),
        _ => Err(format!(" is {answer}, not {expect}")),
    }
}
