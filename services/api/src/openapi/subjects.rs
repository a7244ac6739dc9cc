//! Of what an event is: every kind is of one unit, and an adoption may be for a model instead.

use serde_json::{Map, Value};

use super::schemas::Schemas;

/// The schemas of an adoption, as it is sent, answered, and answered to its sender.
const ADOPTIONS: [&str; 3] = ["AdoptionEventNew", "AdoptionEvent", "AdoptionEventRecorded"];

/// Lets an adoption name maker and model instead of a unit.
pub(super) fn describe(schemas: &mut Schemas) {
    let Some(Value::Object(of_model)) =
        schemas.get("UnitModel").and_then(|model| model.get("properties")).cloned()
    else {
        return;
    };
    for name in ADOPTIONS {
        let Some(Value::Object(adoption)) = schemas.get_mut(name) else { continue };
        if let Some(Value::Array(required)) = adoption.get_mut("required") {
            required.retain(|member| member != "unit_id");
        }
        let Some(Value::Object(properties)) = adoption.get_mut("properties") else { continue };
        say(
            properties,
            "unit_id",
            "The unit that it is for; or `maker` and `model`, for all units of a model.",
        );
        for (member, schema) in &of_model {
            properties.insert(member.clone(), schema.clone());
        }
    }
}

fn say(properties: &mut Map<String, Value>, member: &str, text: &str) {
    if let Some(Value::Object(schema)) = properties.get_mut(member) {
        schema.insert("description".to_owned(), Value::from(text));
    }
}
