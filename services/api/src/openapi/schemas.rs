//! Walking over the schemas of the description: who refers to whom, and what is out of use.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

/// The schemas of the components by name.
pub(super) type Schemas = Map<String, Value>;

const PREFIX: &str = "#/components/schemas/";

/// A reference to a schema.
pub(super) fn reference(name: &str) -> Value {
    Value::from(format!("{PREFIX}{name}"))
}

/// The name of the schema that this one refers to.
pub(super) fn referred(schema: &Value) -> Option<&str> {
    schema.get("$ref")?.as_str()?.strip_prefix(PREFIX)
}

/// The words of a member that is an array of strings.
pub(super) fn words<'a>(schema: &'a Value, member: &str) -> impl Iterator<Item = &'a str> {
    schema.get(member).and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str)
}

/// Does something to every object in a value, the outer ones first.
pub(super) fn visit(value: &mut Value, change: &mut impl FnMut(&mut Map<String, Value>)) {
    match value {
        Value::Object(members) => {
            change(members);
            members.values_mut().for_each(|inner| visit(inner, change));
        }
        Value::Array(items) => items.iter_mut().for_each(|inner| visit(inner, change)),
        _ => {}
    }
}

/// The names of all schemas that a value refers to, directly or through others.
pub(super) fn reached(value: &Value, schemas: &Schemas) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut waiting = direct(value);
    while let Some(name) = waiting.pop() {
        if let Some(schema) = schemas.get(&name)
            && found.insert(name)
        {
            waiting.extend(direct(schema));
        }
    }
    found
}

fn direct(value: &Value) -> Vec<String> {
    match value {
        Value::Object(members) => {
            let own = referred(value).map(str::to_owned);
            own.into_iter().chain(members.values().flat_map(direct)).collect()
        }
        Value::Array(items) => items.iter().flat_map(direct).collect(),
        _ => Vec::new(),
    }
}

/// Takes out the schemas that no operation needs.
pub(super) fn drop_unused(paths: &Value, schemas: &mut Schemas) {
    let used = reached(paths, schemas);
    schemas.retain(|name, _| used.contains(name));
}
