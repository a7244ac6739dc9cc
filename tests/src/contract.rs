//! The description as a contract: whatever the service answers in any test is what the description says.

use std::{
    collections::{BTreeSet, HashMap},
    sync::{Arc, LazyLock, Mutex, PoisonError},
};

use jsonschema::{Draft, Registry, Validator};
use serde_json::{Map, Value, json};

use crate::{Reply, world::description};

/// Under which the description is known to what refers to it.
const DESCRIPTION: &str = "urn:keepstart:description";

static KNOWN: LazyLock<Registry<'static>> = LazyLock::new(|| {
    let known = Registry::new().draft(Draft::Draft202012).add(DESCRIPTION, description());
    known.and_then(|known| known.prepare()).unwrap_or_else(|error| panic!("{error}"))
});
static COMPILED: LazyLock<Mutex<HashMap<String, Arc<Validator>>>> = LazyLock::new(Mutex::default);

/// What the description says about a request.
pub struct Operation {
    /// Its id.
    pub id: String,
    /// The method, in small letters.
    pub method: String,
    /// The path with its places for ids.
    pub path: String,
    /// All that is said.
    pub value: &'static Value,
}

/// Every operation of the description.
pub fn operations() -> Vec<Operation> {
    let paths = description()["paths"].as_object().unwrap();
    let of_path = |(path, item): (&String, &'static Value)| {
        let operation = |(method, value): (&String, &'static Value)| Operation {
            id: value["operationId"].as_str().unwrap().to_owned(),
            method: method.clone(),
            path: path.clone(),
            value,
        };
        item.as_object().unwrap().iter().map(operation).collect::<Vec<_>>()
    };
    paths.iter().flat_map(of_path).collect()
}

/// Fails if an answer is not what the description says, or if the service took a body that it does not describe.
#[track_caller]
pub fn check(method: &str, target: &str, body: Option<&[u8]>, reply: &Reply) {
    let path = target.split('?').next().unwrap_or_default();
    let mut of_path: Vec<Operation> = operations().into_iter().filter(|o| fits(&o.path, path)).collect();
    // A path that is written out goes before one with a place for an id, as in the router.
    let places = |o: &Operation| o.path.matches('{').count();
    let fewest = of_path.iter().map(places).min();
    of_path.retain(|o| Some(places(o)) == fewest);
    let described = of_path.iter().find(|o| o.method == method.to_lowercase());
    let case = format!("{method} {target}: {}", reply.status);
    let Some(operation) = described else {
        let outside = reply.status >= 400 || matches!(method, "HEAD");
        assert!(outside, "{case}: no such operation is described");
        if !reply.text.is_empty() {
            valid("Problem", &json!({"$ref": "#/components/schemas/Problem"}), &reply.json(), &case);
        }
        return;
    };
    answered(operation, reply, &case);
    // A batch is taken whatever its events are: each has a result of its own.
    if (200..300).contains(&reply.status)
        && reply.status != 207
        && let Some(body) = body.filter(|_| operation.value.get("requestBody").is_some())
    {
        taken(operation, body, reply, &case);
    }
}

/// Fails if a value does not fit a schema of the description.
#[track_caller]
pub fn valid(key: &str, schema: &Value, value: &Value, case: &str) {
    let validator = compiled(key, schema);
    let wrong: Vec<String> =
        validator.iter_errors(value).map(|error| format!("{}: {error}", error.instance_path())).collect();
    assert!(
        wrong.is_empty(),
        "{case}: outside the description's schema {key}:\n{}\n{value}",
        wrong.join("\n")
    );
}

#[track_caller]
fn answered(operation: &Operation, reply: &Reply, case: &str) {
    let responses = &operation.value["responses"];
    let class = format!("{}XX", reply.status / 100);
    let key = [reply.status.to_string(), class].into_iter().find(|key| responses.get(key).is_some());
    let Some(key) = key else { panic!("{case}: {} does not describe this status", operation.id) };
    let Some(content) = responses[&key]["content"].as_object() else {
        assert!(reply.text.is_empty(), "{case}: {} describes no body here: {}", operation.id, reply.text);
        return;
    };
    let sent = reply.header("content-type").split(';').next().unwrap_or_default();
    // The files of the page have types of their own, and so have photos and papers.
    let kind = match operation.id.as_str() {
        "read_docs_file" if reply.status == 200 => "text/javascript",
        "read_blob" if reply.status < 300 => "application/octet-stream",
        _ => sent,
    };
    let Some(media) = content.get(kind) else { panic!("{case}: {} describes no {sent}", operation.id) };
    if kind.ends_with("json") {
        let value = reply.json();
        valid(&format!("{} {key}", operation.id), &media["schema"], &value, case);
        if reply.status >= 400 {
            let code = value["type"].as_str().unwrap_or_default().trim_start_matches("/problems/");
            let shown: BTreeSet<&String> =
                media["examples"].as_object().into_iter().flat_map(Map::keys).collect();
            assert!(
                shown.contains(&code.to_owned()),
                "{case}: {} gives {code}, and does not say so: add it to services/api/src/examples/{0}.json",
                operation.id
            );
        }
    }
}

/// What the service took is what the description says may be sent. In a new thing null is another word for absent.
#[track_caller]
fn taken(operation: &Operation, body: &[u8], reply: &Reply, case: &str) {
    let content = operation.value["requestBody"]["content"].as_object().unwrap();
    let (kind, media) = content.iter().next().unwrap();
    // A form is text, and a file is taken whatever its rows are, which are told of one by one.
    if !kind.ends_with("json") {
        return;
    }
    let mut value: Value = serde_json::from_slice(body).unwrap();
    if !kind.contains("patch") {
        drop_nulls(&mut value);
    }
    if operation.id == "sync" {
        drop_unread(&mut value, &reply.json());
    }
    valid(&format!("{} body", operation.id), &media["schema"], &value, case);
}

/// Of a sync each edit has a result of its own, too: one that was refused or could not be read is not described.
fn drop_unread(value: &mut Value, answer: &Value) {
    let Some(edits) = value.get_mut("edits").and_then(Value::as_array_mut) else { return };
    let mut results = answer["results"].as_array().unwrap().iter();
    edits.retain(|_| {
        results.next().is_none_or(|one| one["result"] != "refused" && one["reason"] != "newer_format")
    });
}

fn drop_nulls(value: &mut Value) {
    match value {
        Value::Object(members) => {
            members.retain(|_, member| !member.is_null());
            members.values_mut().for_each(drop_nulls);
        }
        Value::Array(items) => items.iter_mut().for_each(drop_nulls),
        _ => {}
    }
}

/// Compiles a schema of the description.
fn compiled(key: &str, schema: &Value) -> Arc<Validator> {
    let all = || COMPILED.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(found) = all().get(key) {
        return Arc::clone(found);
    }
    // Nobody waits for this; who needs the same meanwhile compiles it as well.
    let options = jsonschema::options().with_draft(Draft::Draft202012).should_validate_formats(true);
    let built = options.with_registry(&KNOWN).build(&absolute(schema));
    let built = built.unwrap_or_else(|error| panic!("{key}: {error}"));
    Arc::clone(all().entry(key.to_owned()).or_insert_with(|| Arc::new(built)))
}

/// A schema whose references say that they are into the description.
fn absolute(schema: &Value) -> Value {
    match schema {
        Value::Object(members) => {
            let member = |(name, value): (&String, &Value)| match (name.as_str(), value) {
                ("$ref", Value::String(reference)) => {
                    (name.clone(), json!(format!("{DESCRIPTION}{reference}")))
                }
                _ => (name.clone(), absolute(value)),
            };
            Value::Object(members.iter().map(member).collect())
        }
        Value::Array(items) => Value::Array(items.iter().map(absolute).collect()),
        other => other.clone(),
    }
}

/// Whether a path is one of a template such as `/v1/sites/{site_id}`.
fn fits(template: &str, path: &str) -> bool {
    let (wanted, found): (Vec<&str>, Vec<&str>) = (template.split('/').collect(), path.split('/').collect());
    wanted.len() == found.len()
        && wanted.iter().zip(found).all(|(w, f)| if w.starts_with('{') { !f.is_empty() } else { *w == f })
}

#[cfg(test)]
mod tests {
    use std::panic::catch_unwind;

    use super::*;

    /// Otherwise no answer could be wrong.
    #[test]
    fn what_the_description_does_not_say_is_found() {
        let problem =
            |errors: Value| json!({"type": "/problems/x", "title": "X", "status": 400, "errors": errors});
        let field = json!({"pointer": "/x", "code": "x", "detail": "X."});
        let cases = [
            (problem(json!([])), true),
            (problem(json!([field])), true),
            (json!({"type": "/problems/x", "title": "X"}), false),
            // Behind two references.
            (problem(json!([{"pointer": 1, "code": "x", "detail": "X."}])), false),
            (problem(json!([{}])), false),
        ];
        let schema = json!({"$ref": "#/components/schemas/Problem"});
        for (value, is_valid) in cases {
            let found = catch_unwind(|| valid("Problem", &schema, &value, "a case"));
            assert_eq!(found.is_ok(), is_valid, "{value}");
        }
    }
}
