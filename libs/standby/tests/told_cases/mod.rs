//! Reads the cases of a file of worked examples, and compares answers as they serialize.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    dead_code,
    reason = "helpers of tests, not all used by each"
)]

use std::path::PathBuf;

use model::{Hours, Instant, LocalDate};
use serde::Serialize;
use serde_json::Value;

/// All cases of `tests/vectors/standby/<name>.json` under `section`, each with a name and a source.
pub(crate) fn cases(name: &str, section: &str) -> Vec<Value> {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("../../tests/vectors/standby/{name}.json"));
    let all: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    let cases = all[section].as_array().unwrap_or_else(|| panic!("no {section} in {name}")).clone();
    assert!(!cases.is_empty());
    for case in &cases {
        assert!(!text(case, "name").is_empty() && !text(case, "source").is_empty(), "{case}");
        assert!(case["expect"].as_object().is_some_and(|expect| !expect.is_empty()), "{case}");
    }
    cases
}

pub(crate) fn text<'v>(value: &'v Value, name: &str) -> &'v str {
    value[name].as_str().unwrap_or_else(|| panic!("{name} of {value}"))
}

/// The elements of a list that may be left out.
pub(crate) fn list<'v>(value: &'v Value, name: &str) -> &'v [Value] {
    value[name].as_array().map_or(&[], Vec::as_slice)
}

pub(crate) fn date(value: &Value) -> Option<LocalDate> {
    value.as_str().map(|text| LocalDate::parse(text).unwrap())
}

pub(crate) fn instant(value: &Value) -> Option<Instant> {
    value.as_str().map(|text| Instant::parse(text).unwrap())
}

/// A JSON number in hundredths, exactly.
pub(crate) fn hundredths(value: &Value) -> Option<i64> {
    let text = value.as_number()?.to_string();
    let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
    assert!(fraction.len() <= 2, "{text}");
    Some(format!("{whole}{fraction:0<2}").parse().unwrap())
}

pub(crate) fn hours(value: &Value) -> Option<Hours> {
    hundredths(value).map(Hours::from_hundredths)
}

/// Asserts that every member of `expect` is in the answer; null means absent, a list named `only_…` has the elements of the list
/// without that prefix in their order and no others, any other list holds at least what is named.
pub(crate) fn matches(name: &str, answer: &impl Serialize, expect: &Value) {
    let answer = serde_json::to_value(answer).unwrap();
    if let Err(why) = within(&answer, expect) {
        panic!("{name}: {why}\n{answer:#}");
    }
}

fn within(answer: &Value, expect: &Value) -> Result<(), String> {
    match (answer, expect) {
        (Value::Object(has), Value::Object(wants)) => wants.iter().try_for_each(|(key, want)| {
            let found = |key: &str| has.get(key).unwrap_or(&Value::Null);
            match key.strip_prefix("only_") {
                Some(key) => in_order(found(key), want).map_err(|why| format!("/{key}{why}")),
                None => within(found(key), want).map_err(|why| format!("/{key}{why}")),
            }
        }),
        (Value::Array(has), Value::Array(wants)) => wants.iter().try_for_each(|want| {
            let found = has.iter().any(|one| within(one, want).is_ok());
            found.then_some(()).ok_or_else(|| format!(" has none like {want}"))
        }),
        (Value::Number(has), Value::Number(want)) if has.as_f64() == want.as_f64() => Ok(()),
        _ if answer == expect => Ok(()),
        _ => Err(format!(" is {answer}, not {expect}")),
    }
}

fn in_order(answer: &Value, expect: &Value) -> Result<(), String> {
    let (has, wants) = (answer.as_array().unwrap(), expect.as_array().unwrap());
    if has.len() != wants.len() {
        return Err(format!(" has {} elements, not {}", has.len(), wants.len()));
    }
    has.iter()
        .zip(wants)
        .enumerate()
        .try_for_each(|(at, (has, want))| within(has, want).map_err(|why| format!("/{at}{why}")))
}
