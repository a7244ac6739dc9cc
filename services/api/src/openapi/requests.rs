//! What may be sent: nothing that the service does not know, nulls only where they remove something.

use std::collections::BTreeSet;

use model::{
    event::ServiceEvent,
    mail::RecipientFields,
    outage::{IncidentFields, PromiseFields},
    site::SiteFields,
    unit::UnitFields,
};
use serde_json::{Map, Value, json};

use super::schemas::{Schemas, reached, reference, referred, visit, words};

/// Patches, each with the fields it may set.
const PATCHES: [(&str, &str); 7] = [
    ("SitePatch", "SiteFields"),
    ("UnitPatch", "UnitFields"),
    ("SchedulePatch", "ScheduleFields"),
    ("MailListPatch", "MailListFields"),
    ("RecipientPatch", "RecipientFields"),
    ("IncidentPatch", "IncidentFields"),
    ("PromisePatch", "PromiseFields"),
];

/// Patches from the fields of their records: any may be absent, and null removes one that a record can do without.
pub(super) fn patches(schemas: &mut Schemas) {
    for (patch, fields) in PATCHES {
        let (Some(Value::Object(fields)), Some(Value::Object(old))) =
            (schemas.get(fields), schemas.get(patch))
        else {
            continue;
        };
        let mut members = fields.clone();
        let needed: BTreeSet<String> =
            words(&Value::Object(members.clone()), "required").map(str::to_owned).collect();
        members.remove("required");
        members.insert("minProperties".to_owned(), Value::from(1));
        if let Some(description) = old.get("description") {
            members.insert("description".to_owned(), description.clone());
        }
        if let Some(Value::Object(properties)) = members.get_mut("properties") {
            for (_, property) in properties.iter_mut().filter(|(name, _)| !needed.contains(*name)) {
                *property = or_null(property);
            }
        }
        schemas.insert(patch.to_owned(), Value::Object(members));
    }
}

fn or_null(property: &Value) -> Value {
    let mut property = property.clone();
    let Some(members) = property.as_object_mut() else { return property };
    if let Some(target) = members.remove("$ref") {
        members.insert("oneOf".to_owned(), json!([{"$ref": target}, {"type": "null"}]));
    } else if let Some(values) = members.get_mut("additionalProperties").filter(|values| values.is_object()) {
        // What is in it is removed one by one.
        *values = or_null(values);
    } else if let Some(kind) = members.get_mut("type") {
        *kind = json!([kind, "null"]);
    }
    property
}

/// Closes every object that is sent. One that is also answered stays open there, under its own name, since answers may
/// get further members; what is sent then has a name of its own.
pub(super) fn close(paths: &Value, schemas: &mut Schemas) {
    let (sent, answered) = both_ways(paths);
    let (sent, answered) = (reached(&sent, schemas), reached(&answered, schemas));
    let shared: BTreeSet<&String> =
        sent.iter().filter(|name| answered.contains(*name) && is_composed(schemas.get(*name))).collect();
    for name in &sent {
        let Some(mut schema) = schemas.get(name).filter(|schema| is_composed(Some(schema))).cloned() else {
            continue;
        };
        visit(&mut schema, &mut |members| {
            close_one(members);
            if let Some(target) = referred(&Value::Object(members.clone())).map(str::to_owned)
                && shared.contains(&target)
            {
                members.insert("$ref".to_owned(), reference(&format!("{target}New")));
            }
        });
        let own = if shared.contains(name) { format!("{name}New") } else { name.clone() };
        schemas.insert(own, schema);
    }
    schemas.insert("SaltedText".to_owned(), salted_text());
}

/// Everything that requests, and everything that answers refer to.
fn both_ways(paths: &Value) -> (Value, Value) {
    let operations = || {
        let items = paths.as_object().into_iter().flat_map(Map::values);
        items.flat_map(|item| item.as_object().into_iter().flat_map(Map::values))
    };
    let part = |name| operations().filter_map(|operation| operation.get(name).cloned()).collect();
    (part("requestBody"), part("responses"))
}

/// Whether it has members, its own or those of alternatives.
fn is_composed(schema: Option<&Value>) -> bool {
    schema.is_some_and(|schema| schema.get("properties").is_some() || schema.get("oneOf").is_some())
}

fn close_one(members: &mut Map<String, Value>) {
    let Some(Value::Object(properties)) = members.get_mut("properties") else { return };
    for (name, property) in properties.iter_mut() {
        let Some(property) = property.as_object_mut() else { continue };
        if is_text(property) && private().any(|private| private == *name) {
            with_salt(property);
        }
        if is_number(property) {
            let text = property.get("description").and_then(Value::as_str).unwrap_or_default();
            if !text.contains("decimal places") {
                let text = format!("{text} At most two decimal places.");
                property.insert("description".to_owned(), Value::from(text));
            }
        }
    }
    members.insert("additionalProperties".to_owned(), Value::from(false));
}

/// The same member may be a word in another kind of thing.
fn is_text(property: &Map<String, Value>) -> bool {
    let kind = property.get("type");
    let text = match kind {
        Some(Value::Array(kinds)) => kinds.iter().any(|kind| kind == "string"),
        kind => kind.is_some_and(|kind| kind == "string"),
    };
    text && !property.contains_key("enum")
}

fn is_number(property: &Map<String, Value>) -> bool {
    match property.get("type") {
        Some(Value::Array(kinds)) => kinds.iter().any(|kind| kind == "number"),
        kind => kind.is_some_and(|kind| kind == "number"),
    }
}

/// Members of private text, which may come with a salt.
fn private() -> impl Iterator<Item = &'static str> {
    let of_outages = IncidentFields::PRIVATE.iter().chain(PromiseFields::PRIVATE);
    let all = SiteFields::PRIVATE
        .iter()
        .chain(UnitFields::PRIVATE)
        .chain(RecipientFields::PRIVATE)
        .chain(of_outages);
    let of_events = ServiceEvent::PRIVATE_MEMBERS.iter().copied();
    all.filter_map(|pointer| pointer.strip_prefix('/')).chain(of_events)
}

fn with_salt(property: &mut Map<String, Value>) {
    let description = property.remove("description");
    let nullable = matches!(property.get("type"), Some(Value::Array(_)));
    property.insert("type".to_owned(), Value::from("string"));
    let mut choices = vec![Value::Object(std::mem::take(property)), json!({"$ref": reference("SaltedText")})];
    if nullable {
        choices.push(json!({"type": "null"}));
    }
    property.insert("oneOf".to_owned(), Value::from(choices));
    property.extend(description.map(|text| ("description".to_owned(), text)));
}

fn salted_text() -> Value {
    json!({
        "type": "object",
        "description": "Private text with the salt that its author's device chose, so that its repeat is the same edit byte for byte.",
        "required": ["text", "salt"],
        "properties": {
            "text": {"type": "string", "description": "The text.", "minLength": 1, "maxLength": 4000},
            "salt": {"type": "string", "description": "16 random bytes in hexadecimal digits.", "pattern": "^[0-9a-f]{32}$"},
        },
        "additionalProperties": false,
    })
}
