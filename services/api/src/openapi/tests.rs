use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::{lint::lint, schedule_schema, text};
use crate::routes;

const SCHEDULES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../openapi/schedule.schema.json");
const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../openapi/keepstart.json");

fn description() -> Value {
    serde_json::from_str(text().unwrap().0).unwrap()
}

#[test]
fn the_router_and_the_description_have_the_same_operations() {
    let description = description();
    let methods = |(path, item): (&String, &Value)| {
        item.as_object().unwrap().keys().map(|method| (path.clone(), method.clone())).collect::<Vec<_>>()
    };
    let described: BTreeSet<_> = description["paths"].as_object().unwrap().iter().flat_map(methods).collect();
    let routed = routes::TABLE
        .iter()
        .flat_map(|(path, methods)| methods.iter().map(|m| ((*path).to_owned(), (*m).to_owned())))
        .collect();
    assert_eq!(described, routed);
}

#[test]
fn the_checked_in_description_is_the_generated_one() {
    let checked_in = std::fs::read_to_string(FILE).unwrap_or_default();
    assert!(
        checked_in == text().unwrap().0,
        "openapi/keepstart.json is out of date: run `cargo run --bin keepstart-api -- openapi > openapi/keepstart.json`"
    );
}

#[test]
fn the_checked_in_schema_of_schedules_is_the_generated_one() {
    let checked_in = std::fs::read_to_string(SCHEDULES).unwrap_or_default();
    assert!(
        checked_in == schedule_schema().unwrap(),
        "openapi/schedule.schema.json is out of date: run `cargo run --bin keepstart-api -- schedule-schema > \
         openapi/schedule.schema.json`"
    );
}

#[test]
fn the_description_has_all_that_a_stranger_needs() {
    let found = lint(&description());
    assert!(found.is_empty(), "{} things are missing:\n{}", found.len(), found.join("\n"));
}

/// A check that cannot fail checks nothing.
#[test]
fn the_lint_finds_what_is_broken() {
    type Break = fn(&mut Value);
    let breaks: &[(&str, Break)] = &[
        ("no summary", |d| d["paths"]["/v1/due"]["get"]["summary"] = json!(" ")),
        ("no description", |d| d["paths"]["/v1/due"]["get"]["description"] = Value::Null),
        ("the id is not snake_case", |d| d["paths"]["/v1/due"]["get"]["operationId"] = json!("listDue")),
        ("the id list_units is taken", |d| d["paths"]["/v1/due"]["get"]["operationId"] = json!("list_units")),
        ("not one tag that is declared", |d| d["paths"]["/v1/due"]["get"]["tags"] = json!(["due", "units"])),
        ("not one tag that is declared", |d| d["paths"]["/v1/due"]["get"]["tags"] = json!(["colours"])),
        ("the tag has no description", |d| d["tags"][0]["description"] = Value::Null),
        ("has no description", |d| d["paths"]["/v1/due"]["get"]["parameters"][0]["description"] = json!("")),
        ("has no type", |d| d["paths"]["/v1/due"]["get"]["parameters"][0]["schema"] = json!({})),
        ("no problem for 4XX", |d| {
            d["paths"]["/v1/due"]["get"]["responses"]["4XX"] = json!({"description": "x"})
        }),
        ("5XX: application/problem+json has no example", |d| {
            d["paths"]["/v1/due"]["get"]["responses"]["5XX"]["content"]["application/problem+json"]["examples"] =
                json!({});
        }),
        ("200: application/json has no example", |d| {
            d["paths"]["/v1/due"]["get"]["responses"]["200"]["content"]["application/json"]["examples"] =
                json!({});
        }),
        ("the request: application/json has no example", |d| {
            d["paths"]["/v1/sites"]["post"]["requestBody"]["content"]["application/json"]["examples"] =
                json!({});
        }),
        ("nobody uses this schema", |d| {
            d["components"]["schemas"]["Lonely"] = json!({"type": "object", "description": "Alone."});
        }),
        ("DueLine: no description", |d| d["components"]["schemas"]["DueLine"]["description"] = Value::Null),
        ("DueLine/task: no description", |d| {
            d["components"]["schemas"]["DueLine"]["properties"]["task"]["description"] = Value::Null;
        }),
        ("DueLine/task: no type", |d| {
            d["components"]["schemas"]["DueLine"]["properties"]["task"]["type"].take();
            d["components"]["schemas"]["DueLine"]["properties"]["task"] = json!({"description": "The task."});
        }),
        ("the description is for Rust", |d| {
            d["components"]["schemas"]["DueLine"]["properties"]["task"]["description"] =
                json!("See [`Task`].");
        }),
        ("PartNew: takes members that the service does not know", |d| {
            d["components"]["schemas"]["PartNew"]["additionalProperties"] = Value::Null;
        }),
        ("Part: an answer may get further members", |d| {
            d["components"]["schemas"]["Part"]["additionalProperties"] = json!(false);
        }),
        ("DueLine: null where something is absent", |d| {
            d["components"]["schemas"]["DueLine"]["properties"]["task"]["type"] = json!(["string", "null"]);
        }),
        ("busy: the problem has no example", |d| d["components"]["examples"]["problem_busy"] = Value::Null),
        ("busy: /problems does not say what it means", |d| {
            d["paths"]["/problems/{code}"]["get"]["responses"]["200"]["content"]["application/json"]["examples"]
                ["busy"] = Value::Null;
        }),
        ("an example of no kind of problem", |d| d["components"]["examples"]["problem_colour"] = json!({})),
    ];
    let whole = description();
    for (expected, break_it) in breaks {
        let mut broken = whole.clone();
        break_it(&mut broken);
        let found = lint(&broken);
        assert!(found.iter().any(|finding| finding.contains(expected)), "{expected}: {found:?}");
    }
}
