//! Tables that the csv module of Python wrote; `python.py` beside this file made them.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

use import::{Mapping, read};
use model::OrganizationId;
use serde_json::{Map, Value, json};

#[test]
fn what_python_writes_is_read() {
    let made: Value = serde_json::from_str(include_str!("python.json")).unwrap();
    let organization = OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap();
    let expected: Vec<Value> = made["cells"].as_array().unwrap().iter().map(body).collect();
    for file in made["files"].as_array().unwrap() {
        // Two columns whose cells are kept with their blanks.
        let mapping = json!({"records": "service_events", "encoding": file["encoding"],
            "columns": {"A": "reason", "B": "note"}});
        let mapping = Mapping::parse(mapping.to_string().as_bytes()).unwrap();
        let bytes = bytes(file["hex"].as_str().unwrap());
        let rows = read(&mapping, organization, &bytes[..]).unwrap();
        let (lines, bodies): (Vec<u64>, Vec<Value>) =
            rows.map(Result::unwrap).map(|row| (row.line, Value::Object(row.wish.unwrap().body))).unzip();
        assert_eq!(bodies, expected, "{}", file["name"]);
        assert_eq!(json!(lines), file["lines"], "{}", file["name"]);
    }
}

/// A cell of blanks alone is empty.
fn body(row: &Value) -> Value {
    let members = ["reason", "note"].into_iter().zip(row.as_array().unwrap());
    let told = members.filter(|(_, cell)| !cell.as_str().unwrap().trim().is_empty());
    Value::Object(told.map(|(name, cell)| (name.to_owned(), cell.clone())).collect::<Map<_, _>>())
}

fn bytes(hex: &str) -> Vec<u8> {
    let pairs = hex.as_bytes().chunks(2);
    pairs.map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}
