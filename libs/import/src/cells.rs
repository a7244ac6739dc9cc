//! The inverse of reading: a body as the cells of one row.

use serde_json::{Map, Value};

use crate::{
    CELL_BYTES_MOST, Records,
    columns::{Column, DETAILS, Shape, columns},
    value::{How, members},
};

/// What one cell holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// Text, to be guarded against being taken for a formula.
    Text(String),
    /// A number, written as it is.
    Number(String),
}

/// The cells of `body`, one for each of [`columns`](crate::columns()). What no column can hold as it is goes into `details`, so
/// that reading the cells gives the body again.
pub fn cells(records: Records, body: &Map<String, Value>) -> Vec<Cell> {
    let mut rest = body.clone();
    let own = |column: &Column| {
        if column.name == DETAILS {
            return Cell::Empty;
        }
        let Some(cell) = body.get(column.name).and_then(|value| cell(column, value)) else {
            return Cell::Empty;
        };
        rest.remove(column.name);
        cell
    };
    let mut cells: Vec<Cell> = columns(records).iter().map(own).collect();
    if let (Some(details), false) = (cells.last_mut(), rest.is_empty()) {
        *details = Cell::Text(Value::Object(rest).to_string());
    }
    cells
}

/// The cell of a value, if reading it gives that value again.
fn cell(column: &Column, value: &Value) -> Option<Cell> {
    let cell = written(column.shape, value)?;
    let (Cell::Text(text) | Cell::Number(text)) = &cell else { return None };
    let read = members(column, text, &How::default()).ok()?;
    let same = matches!(read.as_slice(), [(name, read)] if *name == column.name && read == value);
    (same && text.len() <= CELL_BYTES_MOST).then_some(cell)
}

fn written(shape: Shape, value: &Value) -> Option<Cell> {
    let text = match (shape, value) {
        (Shape::Number | Shape::Hours, Value::Number(number)) => {
            return Some(Cell::Number(number.to_string()));
        }
        (Shape::List, Value::Array(codes)) => joined(codes.iter().map(Value::as_str))?,
        (Shape::Numbers, Value::Array(numbers)) => {
            let texts: Vec<String> = numbers.iter().map(Value::to_string).collect();
            joined(texts.iter().map(|text| Some(text.as_str())))?
        }
        (Shape::Jobs, Value::Array(jobs)) => joined(jobs.iter().map(|job| job.get("job")?.as_str()))?,
        (Shape::Flag | Shape::Mark, Value::Bool(flag)) => flag.to_string(),
        (Shape::Json, Value::Object(_)) | (Shape::JsonList, Value::Array(_)) => value.to_string(),
        (Shape::List | Shape::Numbers | Shape::Jobs, _)
        | (Shape::Flag | Shape::Mark | Shape::Json | Shape::JsonList | Shape::Number, _) => return None,
        (_, value) => value.as_str()?.to_owned(),
    };
    Some(Cell::Text(text))
}

fn joined<'a>(mut codes: impl Iterator<Item = Option<&'a str>>) -> Option<String> {
    codes.try_fold(String::new(), |all, code| {
        Some(if all.is_empty() { code?.to_owned() } else { all + " " + code? })
    })
}
