//! Reads the cases of a file of worked examples, and compares answers with what they expect.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    dead_code,
    reason = "helpers of tests, not all used by each"
)]

use std::path::PathBuf;

use interval::Fraction;
use model::{Hours, Instant, Kilowatts, LocalDate, quantity::Celsius};
use serde::Serialize;
use serde_json::Value;
use standby::amount::Volume;

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
        // A case that expects nothing would pass whatever is answered.
        assert!(case["expect"].as_object().is_none_or(|expect| !expect.is_empty()), "{case}");
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

/// An id that ends in a number, so that cases stay short.
pub(crate) fn uuid(place: i64) -> String {
    format!("019a0b5e-7c00-7000-8000-{place:012}")
}

pub(crate) fn instant(value: &Value) -> Option<Instant> {
    value.as_str().map(|text| Instant::parse(text).unwrap())
}

pub(crate) fn kilowatts(value: &Value) -> Option<Kilowatts> {
    number(value, 2).map(Kilowatts::from_hundredths)
}

pub(crate) fn hours(value: &Value) -> Option<Hours> {
    number(value, 2).map(Hours::from_hundredths)
}

/// The elements of a list that may be left out.
pub(crate) fn list<'v>(value: &'v Value, name: &str) -> &'v [Value] {
    value[name].as_array().map_or(&[], Vec::as_slice)
}

/// Which lists have more elements than a case names, in any order; no element stands for two that it names, and where it names
/// none there is none.
#[derive(Clone, Copy)]
enum Partly {
    /// No list.
    Of(&'static [&'static str]),
    /// Every list, unless the case writes `only_` before its name.
    OfAll,
}

/// Asserts that every member of `expect` is in the answer as it serializes; null means absent. Lists have the elements that a case
/// names, in order, but for those that say what an answer rests on and what to heed.
pub(crate) fn matches(name: &str, answer: &impl Serialize, expect: &Value) {
    compare(name, answer, expect, Partly::Of(&["trace", "cautions", "advice", "findings", "due"]));
}

/// The same, and every list is whole.
pub(crate) fn matches_whole(name: &str, answer: &impl Serialize, expect: &Value) {
    compare(name, answer, expect, Partly::Of(&[]));
}

/// The same, and only lists are whole before whose name the case writes `only_`.
pub(crate) fn matches_named(name: &str, answer: &impl Serialize, expect: &Value) {
    compare(name, answer, expect, Partly::OfAll);
}

fn compare(name: &str, answer: &impl Serialize, expect: &Value, some: Partly) {
    let answer = serde_json::to_value(answer).unwrap();
    if let Err(why) = within(&answer, expect, some) {
        panic!("{name}: {why}\n{answer:#}");
    }
}

fn within(answer: &Value, expect: &Value, some: Partly) -> Result<(), String> {
    match (answer, expect) {
        (Value::Object(has), Value::Object(wants)) => wants.iter().try_for_each(|(key, want)| {
            let (key, whole) = key.strip_prefix("only_").map_or((key.as_str(), false), |key| (key, true));
            let named = match some {
                Partly::Of(names) => names.contains(&key),
                Partly::OfAll => !whole,
            };
            let found = has.get(key).unwrap_or(&Value::Null);
            match (found, want) {
                (Value::Array(has), Value::Array(wants)) if named => each_once(has, wants, some),
                _ => within(found, want, some),
            }
            .map_err(|why| format!("/{key}{why}"))
        }),
        (Value::Array(has), Value::Array(wants)) if has.len() == wants.len() => {
            has.iter().zip(wants).enumerate().try_for_each(|(place, (has, want))| {
                within(has, want, some).map_err(|why| format!("/{place}{why}"))
            })
        }
        (Value::Number(has), Value::Number(want)) if has.as_f64() == want.as_f64() => Ok(()),
        _ if answer == expect => Ok(()),
        _ => Err(format!(" is {answer}, not {expect}")),
    }
}

fn each_once(has: &[Value], wants: &[Value], some: Partly) -> Result<(), String> {
    let mut left: Vec<&Value> = has.iter().collect();
    if wants.is_empty() && !has.is_empty() {
        return Err(" is not empty".to_owned());
    }
    wants.iter().try_for_each(|want| {
        let place = left.iter().position(|one| within(one, want, some).is_ok());
        let place = place.ok_or_else(|| format!(" has none like {want}, or not so many"))?;
        left.remove(place);
        Ok(())
    })
}
