//! The cases of `tests/vectors/import.json`, one runner for all of them.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use import::{By, Complaint, FileError, Key, Mapping, Name, Named, Row, read};
use model::OrganizationId;
use serde_json::{Value, json};

fn organization() -> OrganizationId {
    OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap()
}

#[test]
fn every_case_reads_as_it_says() {
    let vectors = vectors();
    let mut wrong = Vec::new();
    for case in vectors["cases"].as_array().unwrap() {
        assert!(case["source"].is_string(), "{}", case["case"]);
        let found = found(&case["mapping"], &bytes(case));
        let expected = if case["refused"].is_null() {
            json!({"rows": case["rows"]})
        } else {
            json!({"refused": case["refused"]})
        };
        if found != expected {
            wrong.push(format!("{}\nexpected {expected}\nfound    {found}", case["case"]));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

#[test]
fn every_error_of_a_mapping_is_told() {
    for case in vectors()["mappings"].as_array().unwrap() {
        let mapping = &case["mapping"];
        let text = mapping.as_str().map_or_else(|| mapping.to_string(), str::to_owned);
        let errors = Mapping::parse(text.as_bytes()).unwrap_err();
        let told: Value = errors.iter().map(|error| json!([error.pointer, error.code])).collect();
        assert_eq!(told, case["errors"], "{text}");
    }
}

fn vectors() -> Value {
    serde_json::from_str(include_str!("../../../tests/vectors/import.json")).unwrap()
}

fn bytes(case: &Value) -> Vec<u8> {
    let Some(hex) = case["hex"].as_str() else { return case["file"].as_str().unwrap().as_bytes().to_vec() };
    let pairs = hex.as_bytes().chunks(2);
    pairs.map(|pair| u8::from_str_radix(std::str::from_utf8(pair).unwrap(), 16).unwrap()).collect()
}

fn found(mapping: &Value, file: &[u8]) -> Value {
    let mapping = Mapping::parse(mapping.to_string().as_bytes()).unwrap();
    match read(&mapping, organization(), file) {
        Ok(rows) => json!({"rows": rows.map(|row| told(row.unwrap())).collect::<Vec<_>>()}),
        Err(FileError::Refused(complaints)) => {
            let told = |c: &Complaint| json!([c.line, c.column, c.code, c.suggestion]);
            json!({"refused": complaints.iter().map(told).collect::<Vec<_>>()})
        }
        Err(FileError::Unreadable(error)) => panic!("{error}"),
    }
}

fn told(row: Row) -> Value {
    let wish = match row.wish {
        Ok(wish) => wish,
        Err(complaints) => {
            assert!(complaints.iter().all(|complaint| complaint.line == row.line));
            let told = |c: &Complaint| json!([c.column, c.code, c.suggestion]);
            return json!({"line": row.line, "complaints": complaints.iter().map(told).collect::<Vec<_>>()});
        }
    };
    let mut told = json!({"line": row.line, "body": wish.body});
    if let Some(key) = &wish.key {
        told["key"] = match key {
            Key::Id(id) => json!(id.to_string()),
            Key::External { system, id } => json!(format!("{id} of {system}")),
        };
    }
    if !wish.names.is_empty() {
        told["names"] = wish.names.iter().map(name).collect();
    }
    told
}

fn name(name: &Name) -> String {
    let of = match name.of {
        Named::Site => "site",
        Named::Unit => "unit",
        Named::Schedule => "schedule",
    };
    let by = match &name.by {
        By::Called(called) => format!("called {called}"),
        By::External { system, id } => format!("{id} of {system}"),
    };
    format!("{}: {of} {by} ({})", name.member, name.column)
}
