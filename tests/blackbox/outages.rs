//! Outages: incidents with what was done in them, and spares promised to sites.

mod check;
mod fit;
mod hours_pack;
mod incidents;
mod promises;

use serde_json::{Value, json};

/// An incident about every site, while it goes on.
pub(crate) fn incident() -> Value {
    json!({"name": "Ice storm", "began_at": "2026-06-10T04:00:00Z"})
}

/// A promise of a unit to a site for June.
pub(crate) fn promise(unit: &str, site: &str) -> Value {
    json!({"unit_id": unit, "site_id": site, "made_at": "2026-05-20T15:00:00Z", "from": "2026-06-01T00:00:00Z",
        "until": "2026-07-01T00:00:00Z", "bridge": "not_needed"})
}

/// The same with other members; null leaves one out.
pub(crate) fn with(mut body: Value, members: &Value) -> Value {
    for (name, value) in members.as_object().unwrap() {
        match value {
            Value::Null => drop(body.as_object_mut().unwrap().remove(name)),
            value => body[name.as_str()] = value.clone(),
        }
    }
    body
}
