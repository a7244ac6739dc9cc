//! Reads the cases of a file of worked examples.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    dead_code,
    reason = "helpers of tests, not all used by each"
)]

use std::path::PathBuf;

use interval::Fraction;
use model::LocalDate;
use serde::Serialize;
use serde_json::Value;
use standby::{amount::Volume, convert::Celsius};

/// All cases of `tests/vectors/standby/<name>.json` under `section`, each with a name and a source.
pub(crate) fn cases(name: &str, section: &str) -> Vec<Value> {
    let path =
        PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("../../tests/vectors/standby/{name}.json"));
    let all: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
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

pub(crate) fn date(value: &Value) -> Option<LocalDate> {
    value.as_str().map(|text| LocalDate::parse(text).unwrap())
}

/// The decimal `text` in steps of ten to the minus `places`.
pub(crate) fn steps(text: &str, places: usize) -> i64 {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    assert!(fraction.len() <= places, "{text}");
    format!("{whole}{fraction:0<places$}").parse().unwrap_or_else(|_| panic!("{text}"))
}

/// A JSON number in steps of ten to the minus `places`.
pub(crate) fn number(value: &Value, places: usize) -> Option<i64> {
    value.as_number().map(|number| steps(&number.to_string(), places))
}

pub(crate) fn litres(value: &Value) -> Option<Volume> {
    number(value, 6).map(Volume::from_microlitres)
}

pub(crate) fn celsius(value: &Value) -> Option<Celsius> {
    number(value, 2).map(Celsius::from_hundredths)
}

pub(crate) fn share(value: &Value) -> Option<Fraction> {
    number(value, 4).map(|steps| Fraction::of(steps, 10_000))
}

/// Lists of which a case names some elements only, in any order; all other lists have the elements that a case names, in order.
const NAMES_SOME: [&str; 5] = ["trace", "cautions", "advice", "findings", "due"];

/// Asserts that every member of `expect` is in the answer as it serializes; null means absent. No element of a list stands for
/// two that a case names.
pub(crate) fn matches(name: &str, answer: &impl Serialize, expect: &Value) {
    let answer = serde_json::to_value(answer).unwrap();
    if let Err(why) = within(&answer, expect) {
        panic!("{name}: {why}\n{answer:#}");
    }
}

fn within(answer: &Value, expect: &Value) -> Result<(), String> {
    match (answer, expect) {
        (Value::Object(has), Value::Object(wants)) => wants.iter().try_for_each(|(key, want)| {
            let found = has.get(key).unwrap_or(&Value::Null);
            match (found, want) {
                (Value::Array(has), Value::Array(wants)) if NAMES_SOME.contains(&key.as_str()) => {
                    some(has, wants)
                }
                _ => within(found, want),
            }
            .map_err(|why| format!("/{key}{why}"))
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

fn some(has: &[Value], wants: &[Value]) -> Result<(), String> {
    let mut left: Vec<&Value> = has.iter().collect();
    if wants.is_empty() && !has.is_empty() {
        return Err(" is not empty".to_owned());
    }
    wants.iter().try_for_each(|want| {
        let place = left.iter().position(|one| within(one, want).is_ok());
        let place = place.ok_or_else(|| format!(" has none like {want}, or not so many"))?;
        left.remove(place);
        Ok(())
    })
}
