//! The canonical columns are the members that the API describes.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

use std::collections::BTreeSet;

use import::{Mapping, Records, columns};
use serde_json::{Value, json};

/// What only files have, or some kinds of record alone.
const BESIDE: [&str; 2] = ["external_ids", "details"];

#[test]
fn every_member_of_a_body_is_a_column_and_every_column_a_member() {
    let openapi: Value = serde_json::from_str(include_str!("../../../openapi/keepstart.json")).unwrap();
    let schemas = &openapi["components"]["schemas"];
    let all = [
        (Records::Sites, vec![&schemas["SiteNew"]]),
        (Records::Units, vec![&schemas["UnitNew"]]),
        (Records::ServiceEvents, events(schemas)),
        (Records::Readings, vec![&schemas["ReadingEventNew"]]),
    ];
    for (records, bodies) in all {
        let members: BTreeSet<&str> = bodies
            .iter()
            .flat_map(|body| body["properties"].as_object().unwrap().keys().map(String::as_str))
            .filter(|name| !BESIDE.contains(name))
            .collect();
        let named = columns(records).iter().map(|column| column.name).filter(|name| !BESIDE.contains(name));
        assert_eq!(named.collect::<BTreeSet<_>>(), members, "{records:?}");
        assert_eq!(columns(records).last().unwrap().name, "details");
    }
}

/// What may be posted as an event: one schema for each kind.
fn events(schemas: &Value) -> Vec<&Value> {
    let kinds = schemas["EventNew"]["oneOf"].as_array().unwrap();
    let name = |kind: &Value| kind["$ref"].as_str().unwrap().rsplit('/').next().unwrap().to_owned();
    kinds.iter().map(|kind| &schemas[name(kind)]).collect()
}

#[test]
fn no_column_stands_twice() {
    for records in [Records::Sites, Records::Units, Records::ServiceEvents, Records::Readings] {
        let names: BTreeSet<&str> = columns(records).iter().map(|column| column.name).collect();
        assert_eq!(names.len(), columns(records).len(), "{records:?}");
    }
}

#[test]
fn every_column_can_be_mapped_to() {
    for records in [Records::Sites, Records::Units, Records::ServiceEvents, Records::Readings] {
        let each = columns(records).iter().map(|column| (format!("x {}", column.name), json!(column.name)));
        let mapping =
            json!({"records": records, "columns": each.collect::<serde_json::Map<String, Value>>()});
        assert!(Mapping::parse(mapping.to_string().as_bytes()).is_ok(), "{records:?}");
    }
}
