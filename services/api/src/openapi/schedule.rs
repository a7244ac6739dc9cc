//! The form of a schedule file as a JSON Schema of its own, for editors and for whoever writes such files elsewhere.

use serde_json::{Map, Value, json};

use super::{
    finish,
    schemas::{reached, referred, visit},
};
use crate::problem::{ApiError, ApiResult};

/// The JSON Schema (draft 2020-12) of a schedule with one edition, the two parts that files of schedules have.
pub(crate) fn schedule_schema() -> ApiResult<String> {
    let description = serde_json::to_value(finish::finished()?).map_err(ApiError::internal)?;
    let schemas = description.pointer("/components/schemas").and_then(Value::as_object);
    let schemas = schemas.ok_or_else(|| ApiError::internal("a description without schemas"))?;
    let mut file = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A schedule with one edition",
        "type": "object",
        "required": ["schedule", "edition"],
        "properties": {
            "schedule": {"$ref": "#/components/schemas/ScheduleNew"},
            "edition": {"$ref": "#/components/schemas/EditionNew"},
        },
        "additionalProperties": false,
    });
    let parts = reached(&file, schemas).into_iter();
    let parts =
        parts.filter_map(|name| schemas.get(&name).map(|schema| (name.clone(), together(&name, schema))));
    if let Some(members) = file.as_object_mut() {
        members.insert("$defs".to_owned(), Value::Object(parts.collect()));
    }
    visit(&mut file, &mut standing_alone);
    let mut text = serde_json::to_string_pretty(&file).map_err(ApiError::internal)?;
    text.push('\n');
    Ok(text)
}

/// What the members of a schema say together, which types made from the description could not hold.
fn together(name: &str, schema: &Value) -> Value {
    let mut schema = schema.clone();
    let rules = match name {
        "LimitsNew" => limits(),
        "SevereNew" => json!({
            "anyOf": [{"required": ["hours"]}, {"required": ["months"]}, {"required": ["days"]}],
            "not": {"required": ["months", "days"]},
        }),
        "TaskNew" => task(),
        _ => json!({}),
    };
    let added = rules.as_object().into_iter().flatten();
    if let Some(members) = schema.as_object_mut() {
        members.extend(added.map(|(name, rule)| (name.clone(), rule.clone())));
    }
    schema
}

fn limits() -> Value {
    let calendars = ["months", "days", "fixed_dates", "by"];
    let pairs = calendars.iter().enumerate().flat_map(|(at, one)| {
        calendars.iter().skip(at + 1).map(move |other| json!({"required": [one, other]}))
    });
    let day = "^((0[13578]|1[02])-(0[1-9]|[12][0-9]|3[01])|(0[469]|11)-(0[1-9]|[12][0-9]|30)|02-(0[1-9]|1[0-9]|2[0-8]))$";
    json!({
        "minProperties": 1,
        "not": {"anyOf": pairs.collect::<Vec<_>>()},
        "dependentRequired": {"to_month_end": ["months"]},
        "allOf": [{"properties": {"fixed_dates": {"items": {"pattern": day}}, "hours": {"not": {"const": 0}}}}],
    })
}

fn task() -> Value {
    let code = json!({"items": {"pattern": "^[a-z][a-z0-9_]{0,63}$"}});
    let no_day = json!({"not": {"required": ["by"]}});
    let is =
        |member: &str, value: Value| json!({"properties": {member: {"const": value}}, "required": [member]});
    json!({"allOf": [
        {"if": is("anchor", json!("planned_within")), "then": {"required": ["within_percent"]},
         "else": {"not": {"required": ["within_percent"]}}},
        {"if": is("once", json!(true)), "else": {"properties": {"limits": no_day, "first": no_day}}},
        {"properties": {
            "title": {"minLength": 1}, "earliest": {"minProperties": 1}, "first": {"not": {"required": ["on_failed"]}},
            "needs": code, "not_with": code, "reset_by_passed": code, "satisfies": code,
        }},
    ]})
}

/// References lead into the file itself, and what only OpenAPI knows is left out.
fn standing_alone(members: &mut Map<String, Value>) {
    let target = members.get("$ref").and(referred(&Value::Object(members.clone())).map(str::to_owned));
    if let Some(target) = target {
        members.insert("$ref".to_owned(), Value::from(format!("#/$defs/{target}")));
    }
    members.remove("discriminator");
    if let Some(example) = members.remove("example") {
        members.insert("examples".to_owned(), json!([example]));
    }
}
