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
    let parts = parts.filter_map(|name| schemas.get(&name).map(|schema| (name.clone(), schema.clone())));
    if let Some(members) = file.as_object_mut() {
        members.insert("$defs".to_owned(), Value::Object(parts.collect()));
    }
    visit(&mut file, &mut standing_alone);
    let mut text = serde_json::to_string_pretty(&file).map_err(ApiError::internal)?;
    text.push('\n');
    Ok(text)
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
