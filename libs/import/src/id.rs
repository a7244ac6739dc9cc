//! Ids of events that come without one: the same row always gets the same.

use std::collections::BTreeMap;

use model::{EventId, OrganizationId, event::ServiceEvent};
use serde_json::{Map, Number, Value};
use sha2::{Digest, Sha256};
use uuid::Builder;

/// The id of the event that another system knows by an id of its own: UUIDv8 (RFC 9562 section 5.8) of the first 16 bytes of
/// SHA-256 over the JSON array `["ORGANIZATION","service_event","SYSTEM","ID"]` without blanks.
pub fn event_id(organization: OrganizationId, system: &str, id: &str) -> EventId {
    let told = [organization.to_string().as_str(), "service_event", system, id].map(Value::from);
    hashed(&Value::from(told.to_vec()).to_string())
}

/// The id of an event that has none: the same over `["ORGANIZATION","service_event",CONTENT]`, where the content is `body` with
/// all ids in it found, without `id`, and without private text.
///
/// The content is spelled without blanks, members sorted by their bytes, numbers without a fraction or with one that does not
/// end in 0. So two rows that say the same are one event, however often and in whichever file they come. Private text is left
/// out because an id outlives its erasure, and a short text can be guessed from a hash of it.
pub fn event_id_of_content(organization: OrganizationId, body: &Map<String, Value>) -> EventId {
    let mut content = Value::Object(body.clone());
    for pointer in ["/id"].iter().chain(ServiceEvent::private(&content)) {
        remove(&mut content, pointer);
    }
    let mut told = format!("[\"{organization}\",\"service_event\",");
    spell(&content, &mut told);
    told.push(']');
    hashed(&told)
}

fn remove(content: &mut Value, pointer: &str) {
    let Some((parent, name)) = pointer.rsplit_once('/') else { return };
    if let Some(members) = content.pointer_mut(parent).and_then(Value::as_object_mut) {
        members.remove(name);
    }
}

fn hashed(text: &str) -> EventId {
    let digest = Sha256::digest(text.as_bytes());
    let mut bytes = [0; 16];
    bytes.iter_mut().zip(digest.iter()).for_each(|(to, from)| *to = *from);
    EventId::from_uuid(Builder::from_custom_bytes(bytes).into_uuid())
}

fn spell(value: &Value, out: &mut String) {
    match value {
        Value::Object(members) => spell_members(members, out),
        Value::Array(items) => {
            out.push('[');
            for (at, item) in items.iter().enumerate() {
                if at > 0 {
                    out.push(',');
                }
                spell(item, out);
            }
            out.push(']');
        }
        Value::Number(number) => out.push_str(&shortest(number)),
        Value::Null | Value::Bool(_) | Value::String(_) => out.push_str(&value.to_string()),
    }
}

fn spell_members(members: &Map<String, Value>, out: &mut String) {
    out.push('{');
    // Sorted here: whether the map is sorted is for another crate to switch.
    for (at, (name, value)) in members.iter().collect::<BTreeMap<_, _>>().into_iter().enumerate() {
        if at > 0 {
            out.push(',');
        }
        out.push_str(&Value::from(name.as_str()).to_string());
        out.push(':');
        spell(value, out);
    }
    out.push('}');
}

/// 231.50 is 231.5, and 231.0 is 231; what has an exponent stays as it is.
fn shortest(number: &Number) -> String {
    let text = number.to_string();
    if text.contains(['e', 'E']) || !text.contains('.') {
        return text;
    }
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn organization(last: u8) -> OrganizationId {
        OrganizationId::parse(&format!("019a0b5e-7c00-7000-8000-0000000000{last:02}")).unwrap()
    }

    #[test]
    fn ids_of_another_system_are_told_apart() {
        let id = event_id(organization(1), "gis", "GN-0042");
        // Made by hashlib and uuid of Python 3: sha256 of the array above, version and variant set.
        assert_eq!(id.to_string(), "51481ce4-2c4a-8589-b26c-32cef8f7349f");
        assert_eq!(id.uuid().get_version_num(), 8);
        for other in [
            event_id(organization(2), "gis", "GN-0042"),
            event_id(organization(1), "gi", "sGN-0042"),
            event_id(organization(1), "gis\",\"GN-0042", ""),
        ] {
            assert_ne!(other, id);
        }
    }

    fn id(body: &Value) -> EventId {
        event_id_of_content(organization(1), body.as_object().unwrap())
    }

    #[test]
    fn the_same_content_has_the_same_id_however_it_is_written() {
        let jobs = json!([{"b": 1, "a": true}, null]);
        let found = id(&json!({"kind": "reading", "meter_hours": 231.5, "unit": "a \"b\"\n", "jobs": jobs}));
        // Made by hashlib, json and uuid of Python 3, in the same way.
        assert_eq!(found.to_string(), "00a24577-6772-827e-b878-6acdd8265650");
        let number = |text: &str| Value::Number(text.parse().unwrap());
        let again = json!({"unit": "a \"b\"\n", "id": "x", "jobs": [{"a": true, "b": number("1.0")}, null],
            "meter_hours": number("231.500"), "kind": "reading"});
        assert_eq!(id(&again), found);
        assert_ne!(id(&json!({"meter_hours": 2315})), id(&json!({"meter_hours": 231.5})));
        assert_ne!(id(&json!({"meter_hours": number("20")})), id(&json!({"meter_hours": number("2")})));
    }

    #[test]
    fn private_text_is_not_in_an_id() {
        let deferral = |reason: &str| json!({"kind": "deferral", "reason": reason, "note": reason});
        assert_eq!(id(&deferral("a")), id(&deferral("b")));
        let amend = |reason: &str| json!({"kind": "correction", "reason": reason, "replacement": {"kind": "deferral", "reason": reason}});
        assert_eq!(id(&amend("a")), id(&amend("b")));
        let run = |reason: &str| json!({"kind": "run", "reason": reason});
        assert_ne!(id(&run("test")), id(&run("emergency")), "the reason of a run is a word");
    }
}
