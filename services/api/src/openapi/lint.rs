//! What a description has to have so that a stranger can use it.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use super::schemas::{reached, words};
use crate::problem::Kind;

/// Everything that is missing or wrong, each with its place.
pub(super) fn lint(description: &Value) -> Vec<String> {
    let mut found = Findings::default();
    let tags = tags(description, &mut found);
    let mut ids = BTreeSet::new();
    for (path, item) in members(&description["paths"]) {
        for (method, operation) in members(item) {
            let place = format!("{method} {path}");
            lint_operation(operation, &tags, &place, &mut found);
            let id = text(&operation["operationId"]);
            if !ids.insert(id) {
                found.add(&place, format!("the id {id} is taken"));
            }
        }
    }
    lint_schemas(description, &mut found);
    lint_problems(description, &mut found);
    found.0
}

#[derive(Default)]
struct Findings(Vec<String>);

impl Findings {
    fn add(&mut self, place: &str, what: impl AsRef<str>) {
        self.0.push(format!("{place}: {}", what.as_ref()));
    }

    fn unless(&mut self, fine: bool, place: &str, what: &str) {
        if !fine {
            self.add(place, what);
        }
    }
}

fn tags<'a>(description: &'a Value, found: &mut Findings) -> BTreeSet<&'a str> {
    let tags = || items(&description["tags"]);
    for tag in tags() {
        found.unless(said(&tag["description"]), text(&tag["name"]), "the tag has no description");
    }
    tags().map(|tag| text(&tag["name"])).collect()
}

fn lint_operation(operation: &Value, tags: &BTreeSet<&str>, place: &str, found: &mut Findings) {
    for member in ["operationId", "summary", "description"] {
        found.unless(said(&operation[member]), place, &format!("no {member}"));
    }
    found.unless(is_snake_case(text(&operation["operationId"])), place, "the id is not snake_case");
    let own: Vec<&str> = words(operation, "tags").collect();
    found.unless(
        matches!(own.as_slice(), [one] if tags.contains(one)),
        place,
        "not one tag that is declared",
    );
    for parameter in items(&operation["parameters"]) {
        let name = text(&parameter["name"]);
        found.unless(
            said(&parameter["description"]),
            place,
            &format!("the parameter {name} has no description"),
        );
        found.unless(typed(&parameter["schema"]), place, &format!("the parameter {name} has no type"));
    }
    if let Some(body) = operation.get("requestBody") {
        lint_body(body, &format!("{place}: the request"), found);
    }
    for class in ["4XX", "5XX"] {
        let shown = &operation["responses"][class]["content"]["application/problem+json"];
        found.unless(shown.is_object(), place, &format!("no problem for {class}"));
    }
    for (status, answer) in members(&operation["responses"]) {
        let place = format!("{place}: {status}");
        found.unless(said(&answer["description"]), &place, "no description");
        if answer.get("content").is_some() {
            lint_body(answer, &place, found);
        }
    }
}

fn lint_body(body: &Value, place: &str, found: &mut Findings) {
    for (kind, content) in members(&body["content"]) {
        found.unless(typed(&content["schema"]), place, &format!("{kind} has no schema"));
        let examples = members(&content["examples"]).next().is_some();
        found.unless(examples || content.get("example").is_some(), place, &format!("{kind} has no example"));
    }
}

fn lint_schemas(description: &Value, found: &mut Findings) {
    let Some(schemas) = description["components"]["schemas"].as_object() else {
        return found.add("components", "no schemas");
    };
    let used = reached(&description["paths"], schemas);
    for (name, schema) in schemas {
        found.unless(used.contains(name), name, "nobody uses this schema");
        found.unless(said(&schema["description"]), name, "no description");
        lint_schema(schema, name, found);
    }
}

fn lint_schema(schema: &Value, place: &str, found: &mut Findings) {
    for (name, property) in members(&schema["properties"]) {
        let place = format!("{place}/{name}");
        found.unless(typed(property), &place, "no type");
        let text = text(&property["description"]);
        found.unless(!text.trim().is_empty(), &place, "no description");
        found.unless(
            !text.contains("crate::") && !text.contains("[`"),
            &place,
            "the description is for Rust",
        );
        lint_schema(property, &place, found);
    }
    for choice in items(&schema["oneOf"]) {
        lint_schema(choice, place, found);
    }
}

/// Every kind of problem has an example of its own, and a description behind its type.
fn lint_problems(description: &Value, found: &mut Findings) {
    let means =
        &description["paths"]["/problems/{code}"]["get"]["responses"]["200"]["content"]["application/json"];
    for kind in Kind::ALL {
        let code = kind.code();
        let example = &description["components"]["examples"][format!("problem_{code}")]["value"];
        found.unless(example["type"] == format!("/problems/{code}"), code, "the problem has no example");
        found.unless(
            means["examples"][code]["value"]["code"] == code,
            code,
            "/problems does not say what it means",
        );
    }
    for (name, _) in members(&description["components"]["examples"]) {
        let known = Kind::ALL.iter().any(|kind| *name == format!("problem_{}", kind.code()));
        found.unless(known, name, "an example of no kind of problem");
    }
}

fn typed(schema: &Value) -> bool {
    ["type", "$ref", "oneOf"].iter().any(|member| schema.get(member).is_some())
}

fn said(value: &Value) -> bool {
    !text(value).trim().is_empty()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

fn is_snake_case(id: &str) -> bool {
    id.starts_with(|c: char| c.is_ascii_lowercase())
        && id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

fn members(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flat_map(Map::iter)
}

fn items(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}
