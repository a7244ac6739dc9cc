//! What answers have in common: each is described, and says which headers matter.

use serde_json::{Map, Value, json};

use super::schemas::{Schemas, referred};

/// Describes the answers of every operation.
pub(super) fn describe(paths: &mut Value, schemas: &Schemas) {
    let items = paths.as_object_mut().into_iter().flat_map(Map::values_mut);
    for operation in items.flat_map(|item| item.as_object_mut().into_iter().flat_map(Map::values_mut)) {
        let tagged = is_tagged(operation);
        let Some(Value::Object(answers)) = operation.get_mut("responses") else { continue };
        // What cannot be made again by a repeat has no address at which it could be read.
        let creates = answers.contains_key("201") && answers.contains_key("200");
        for (status, answer) in answers.iter_mut() {
            let Some(answer) = answer.as_object_mut() else { continue };
            let described = answer.get("description").and_then(Value::as_str).is_some_and(|d| !d.is_empty());
            if !described && let Some(text) = schema_of(answer, schemas).and_then(|s| s.get("description")) {
                answer.insert("description".to_owned(), text.clone());
            }
            let headers = headers(status, creates, tagged || creates);
            if !headers.is_empty() {
                answer.insert("headers".to_owned(), Value::Object(headers));
            }
        }
    }
}

/// Whether an operation is about one thing with an ETag: it takes a condition.
fn is_tagged(operation: &Value) -> bool {
    let parameters = operation.get("parameters").and_then(Value::as_array).into_iter().flatten();
    let mut names = parameters.filter_map(|parameter| parameter.get("name")?.as_str());
    names.any(|name| matches!(name, "If-Match" | "If-None-Match"))
}

fn headers(status: &str, creates: bool, tagged: bool) -> Map<String, Value> {
    let header = |name: &str, text: &str, kind: &str| {
        (name.to_owned(), json!({"description": text, "schema": {"type": kind}}))
    };
    let etag = header("ETag", "Names this version; send it as If-Match or If-None-Match.", "string");
    match status {
        "201" if creates => Map::from_iter([header("Location", "Where it is read.", "string"), etag]),
        "200" | "304" if tagged => Map::from_iter([etag]),
        "5XX" => Map::from_iter([header(
            "Retry-After",
            "With 503: after how many seconds to try again.",
            "integer",
        )]),
        _ => Map::new(),
    }
}

fn schema_of<'a>(answer: &Map<String, Value>, schemas: &'a Schemas) -> Option<&'a Value> {
    let content = answer.get("content")?.as_object()?;
    let schema = content.values().next()?.get("schema")?;
    schemas.get(referred(schema)?)
}
