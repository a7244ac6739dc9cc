//! The text of a cell as the value of a member.

use model::json;
use serde_json::{Map, Value, json};

use crate::{
    columns::{Column, Shape},
    complaint::shortened,
    date::{Dates, Read},
    doubt::Doubt,
    number::{Decimal, number},
};

/// How the cells of a column are to be read.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct How {
    pub(crate) decimal: Decimal,
    pub(crate) dates: Dates,
}

/// The members that a cell gives; none where it is empty.
pub(crate) fn members(column: &Column, text: &str, how: &How) -> Result<Vec<(&'static str, Value)>, Doubt> {
    let trimmed = text.trim();
    if trimmed.is_empty() {
        return Ok(Vec::new());
    }
    let value = match column.shape {
        Shape::Text | Shape::Id => Value::from(trimmed),
        Shape::Prose => Value::from(text),
        Shape::Hours if trimmed.contains(':') => Value::from(trimmed),
        Shape::Number | Shape::Hours => Value::Number(number(trimmed, how.decimal)?),
        Shape::List => codes(trimmed).collect(),
        Shape::Numbers => numbers(trimmed, how.decimal)?,
        Shape::Jobs => codes(trimmed).map(|code| job(Value::from(code))).collect(),
        Shape::Flag => Value::Bool(flag(trimmed)?),
        // A mark is there or not: `false` is the same as nothing.
        Shape::Mark if !flag(trimmed)? => return Ok(Vec::new()),
        Shape::Mark => Value::Bool(true),
        Shape::Json => Value::Object(object(trimmed)?),
        Shape::JsonList => Value::Array(list(trimmed)?),
        Shape::Date => Value::from(how.dates.read_day(trimmed)?),
        Shape::Instant => Value::from(how.dates.read_instant(trimmed)?),
        Shape::Occurred => return how.dates.read(trimmed).map(occurred),
    };
    Ok(vec![(column.name, value)])
}

/// A JSON object.
pub(crate) fn object(text: &str) -> Result<Map<String, Value>, Doubt> {
    match parsed(text)? {
        Value::Object(members) => Ok(members),
        _ => Err(Doubt::new("wrong_type", "This must be a JSON object.")),
    }
}

/// A JSON array.
fn list(text: &str) -> Result<Vec<Value>, Doubt> {
    match parsed(text)? {
        Value::Array(items) => Ok(items),
        _ => Err(Doubt::new("wrong_type", "This must be a JSON array.")),
    }
}

fn parsed(text: &str) -> Result<Value, Doubt> {
    json::parse(text.as_bytes()).map_err(|error| Doubt::new("invalid_json", shortened(&error.detail)))
}

fn occurred(read: Read) -> Vec<(&'static str, Value)> {
    match read {
        Read::Day(day) => vec![("occurred_on", Value::from(day))],
        Read::At { text, to_the_minute: false } => vec![("occurred_at", Value::from(text))],
        Read::At { text, to_the_minute: true } => {
            vec![("occurred_at", Value::from(text)), ("occurred_precision", Value::from("minute"))]
        }
    }
}

fn numbers(text: &str, decimal: Decimal) -> Result<Value, Doubt> {
    codes(text).map(|text| number(text, decimal).map(Value::Number)).collect()
}

fn codes(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| c.is_whitespace() || c == ';').filter(|code| !code.is_empty())
}

/// A job that was done, of which nothing but the code is told.
pub(crate) fn job(told: Value) -> Value {
    if told.is_string() { json!({"job": told}) } else { told }
}

fn flag(text: &str) -> Result<bool, Doubt> {
    match text.to_ascii_lowercase().as_str() {
        "true" | "yes" => Ok(true),
        "false" | "no" => Ok(false),
        _ => Err(Doubt::new(
            "invalid_flag",
            "This is true or false, yes or no; for other words the mapping has `values`.",
        )),
    }
}
