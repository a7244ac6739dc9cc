//! What an edit says, in a few words.

use std::collections::BTreeMap;

use handset::wire::EditText;
use model::{Instant, Zone};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::{find::text, when};

/// What happened and when, without the unit.
pub(super) fn event(event: &Map<String, Value>, now: Instant, zone: &Zone) -> String {
    let what = what(event, now, zone);
    match time(event, now, zone) {
        Some(time) => format!("{what}, {time}"),
        None => what,
    }
}

/// What an edit is about, without its record.
pub(super) fn edit(edit: &EditText, names: &BTreeMap<Uuid, String>, now: Instant, zone: &Zone) -> String {
    if edit.kind == "service_event" {
        return event(&edit.body, now, zone);
    }
    let named = |value: &Value| {
        let id = value.as_str().and_then(|text| Uuid::try_parse(text).ok());
        id.and_then(|id| names.get(&id).cloned()).unwrap_or_else(|| value_of(value))
    };
    let set = edit.body.iter().map(|(field, value)| {
        let field = field.strip_suffix("_id").unwrap_or(field);
        format!("{}: {}", words(field), named(value))
    });
    let set = set.collect::<Vec<_>>().join(", ");
    if edit.record_id == Some(edit.id.uuid()) { format!("new, {set}") } else { set }
}

/// When it happened, as people read it.
pub(super) fn time(event: &Map<String, Value>, now: Instant, zone: &Zone) -> Option<String> {
    // What the service made of the clock of a handset counts.
    if let Some(at) = text(event, "happened_at").and_then(|at| Instant::parse(at).ok()) {
        return Some(when::shown(at, now, zone));
    }
    if let Some(date) = text(event, "occurred_on") {
        return Some(date.to_owned());
    }
    let at = text(event, "occurred_at")?;
    Some(Instant::parse(at).map_or_else(|_| at.to_owned(), |at| when::shown(at, now, zone)))
}

/// A code or a member's name in words.
pub(super) fn words(code: &str) -> String {
    code.replace('_', " ")
}

/// A value as people read it.
pub(super) fn value_of(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        Value::String(text) => text.clone(),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        other => other.to_string(),
    }
}

/// So many of something.
pub(super) fn many(of: usize, what: &str) -> String {
    if of == 1 { format!("1 {what}") } else { format!("{of} {what}s") }
}

fn what(event: &Map<String, Value>, now: Instant, zone: &Zone) -> String {
    let kind = text(event, "kind").unwrap_or("an event");
    let action = text(event, "action").map(words).unwrap_or_default();
    let said = |name: &str, unit: &str| {
        let value = event.get(name).filter(|value| !value.is_null())?;
        Some(format!("{}{unit}", value_of(value)))
    };
    let word = |name: &str| text(event, name).map(words);
    let details = match kind {
        "reading" => vec![said("meter_hours", " h")],
        "service" => vec![jobs(event), said("meter_hours", " h")],
        "run" => vec![
            word("phase").filter(|phase| phase != "whole"),
            until(event, now, zone),
            said("run_hours", " h"),
            said("load_kw", " kW"),
            said("load_percent", " %"),
            word("reason"),
        ],
        "fuel" => vec![Some(
            [Some(action), said("litres", " L"), said("kilograms", " kg")]
                .into_iter()
                .flatten()
                .collect::<Vec<_>>()
                .join(" "),
        )],
        "battery" => vec![
            word("result"),
            said("volts", " V"),
            event.get("replaced").and(Some("replaced".to_owned())),
            maintainer(event),
        ],
        "finding" if action == "opened" => vec![word("severity"), word("finding"), note(event)],
        "tag" => vec![Some(action), word("tag")],
        _ => vec![Some(action).filter(|action| !action.is_empty())],
    };
    let photos = event.get("attachments").and_then(Value::as_array).map_or(0, Vec::len);
    let photos = (photos > 0).then(|| many(photos, "photo"));
    let details = details.into_iter().flatten().chain(photos).collect::<Vec<_>>().join(", ");
    if details.is_empty() { words(kind) } else { format!("{} {details}", words(kind)) }
}

fn until(event: &Map<String, Value>, now: Instant, zone: &Zone) -> Option<String> {
    Some(format!("until {}", when::shown(when::stopped(event)?, now, zone)))
}

fn maintainer(event: &Map<String, Value>) -> Option<String> {
    let on = event.get("on_maintainer")?.as_bool()?;
    Some(if on { "on a maintainer" } else { "off its maintainer" }.to_owned())
}

/// Its words; nothing where they were erased.
fn note(event: &Map<String, Value>) -> Option<String> {
    let note = event.get("note")?;
    note.as_str().or_else(|| note.get("text")?.as_str()).map(str::to_owned)
}

fn jobs(event: &Map<String, Value>) -> Option<String> {
    let jobs = event.get("jobs")?.as_array()?;
    let name = |job: &Value| {
        let said = |member: &str| job.get(member).and_then(Value::as_str).map(words);
        let result = said("result").map(|result| format!(" ({result})")).unwrap_or_default();
        Some(said("job")? + &result)
    };
    Some(jobs.iter().filter_map(name).collect::<Vec<_>>().join(", "))
}
