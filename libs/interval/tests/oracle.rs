//! Compares the library with the independent oracle (`tests/oracle`), case by case: those checked in, and with the
//! feature `histories` as many random ones as `KEEPSTART_ORACLE_HISTORIES` says, drawn and answered by the oracle while
//! they are judged.
//! `KEEPSTART_ORACLE_CASES` names another file of cases instead of those checked in.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use std::{collections::BTreeMap, path::PathBuf, sync::Arc};

use interval::{
    DueItem, DueState, HoursRange, Input, ItemKey, Policy, SetAside, TraceEntry, UnitFacts, UnitState,
    refold_until,
};
use model::{
    EditionId, Hours, Instant, SiteId, UnitId, Zone,
    event::ServiceEvent,
    json,
    read::{self, Object},
    schedule::Edition,
    unit::UnitFields,
};
use serde_json::{Value, json};

#[cfg(feature = "histories")]
#[path = "oracle/stream.rs"]
mod stream;

#[test]
fn the_library_and_the_oracle_agree_on_the_cases_checked_in() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/oracle");
    let checked_in = || vec![folder.join("cases.json"), folder.join("wide.json")];
    let named = std::env::var_os("KEEPSTART_ORACLE_CASES").map(|path| vec![PathBuf::from(path)]);
    for path in named.unwrap_or_else(checked_in) {
        let name = path.display();
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{name}: {e}"));
        let cases = cases(&text);
        assert!(cases.len() >= 100, "{name}: {} cases are too few to say anything", cases.len());
        let wrong: Vec<String> = cases.iter().flat_map(judge).collect();
        assert!(wrong.is_empty(), "{name}: {} differences:\n{}", wrong.len(), wrong.join("\n"));
    }
}

/// Where the library disagrees with the answer that comes with a case.
fn judge(case: &Value) -> Vec<String> {
    compared(case, &Life::read(case))
}

fn compared(case: &Value, life: &Life) -> Vec<String> {
    let at = Instant::read(&case["at"]).unwrap();
    let found = answer(&case["case"], &life.fold(at), at);
    let mut wrong = Vec::new();
    differences("", &case["answer"], &found, &mut |what| wrong.push(format!("{}{what}", case["case"])));
    wrong
}

/// A file of cases, or one case a line.
fn cases(text: &str) -> Vec<Value> {
    match json::parse(text.as_bytes()) {
        Ok(file) => file["cases"].as_array().unwrap().clone(),
        Err(_) => text.lines().map(|line| json::parse(line.as_bytes()).unwrap()).collect(),
    }
}

/// A unit with its surroundings, as a case tells of them.
struct Life {
    unit: UnitId,
    facts: UnitFacts,
    events: Vec<ServiceEvent>,
    zones: BTreeMap<SiteId, Zone>,
    editions: BTreeMap<EditionId, Arc<Edition>>,
}

impl Life {
    fn read(case: &Value) -> Self {
        let items = |name: &str| case[name].as_array().unwrap().iter();
        let zone = |site: &Value| (SiteId::read(&site["id"]).unwrap(), Zone::read(&site["zone"]).unwrap());
        let edition = |edition: &Value| {
            let fields = without(edition, &["id", "schedule_id"]);
            (EditionId::read(&edition["id"]).unwrap(), Arc::new(whole(&fields, Edition::read)))
        };
        Self {
            unit: UnitId::read(&case["unit"]["id"]).unwrap(),
            facts: UnitFacts::of(&whole(&without(&case["unit"], &["id"]), UnitFields::read)).unwrap(),
            events: items("events").map(|event| whole(event, ServiceEvent::read)).collect(),
            zones: items("sites").map(zone).collect(),
            editions: items("editions").map(edition).collect(),
        }
    }

    fn fold(&self, at: Instant) -> UnitState {
        refold_until(
            &Input {
                unit: self.unit,
                facts: &self.facts,
                events: &self.events,
                zones: &self.zones,
                editions: &self.editions,
                policy: &Policy::standard(),
            },
            at,
        )
    }
}

/// What the library says, in the oracle's shape: hours as whole seconds.
fn answer(case: &Value, state: &UnitState, at: Instant) -> Value {
    let hours = state.hours_at(at);
    let seconds = |bound: fn(&HoursRange) -> Hours| hours.range.as_ref().map(|range| bound(range).seconds());
    let mut set_aside: Vec<String> =
        state.set_aside().iter().map(|reading| reading.event_id.to_string()).collect();
    set_aside.sort();
    let engine = json!({
        "lower": seconds(|range| range.lower), "nominal": seconds(|range| range.nominal),
        "upper": seconds(|range| range.upper), "grade": hours.grade,
    });
    let items: Vec<Value> = state.items_at(at).iter().map(|found| item(found, state, at)).collect();
    let suggestion =
        |reading: &SetAside| (reading.event_id.to_string(), reading.suggested.map(Hours::seconds));
    let mut suggestions: Vec<(String, Option<i64>)> = state.set_aside().iter().map(suggestion).collect();
    suggestions.sort_by(|left, right| left.0.cmp(&right.0));
    let report = state.hours_report(at);
    json!({
        "case": case, "engine_hours": engine, "set_aside": set_aside, "items": items,
        "suggestions": suggestions, "stop_missing": !report.stop_missing.is_empty(),
        "swap_not_recorded": report.swap_not_recorded.map_or_else(Vec::new, |swap| swap.event_ids.to_vec()),
    })
}

fn item(item: &DueItem, state: &UnitState, at: Instant) -> Value {
    let limits =
        item.hours.map(|h| [h.limit_lower_hours, h.limit_hours, h.limit_upper_hours].map(Hours::seconds));
    let late = item.late.map(|late| {
        json!({"hours": late.hours.map_or(0, Hours::seconds), "days": late.days.unwrap_or(0), "justified_by": late.justified_by})
    });
    let decides = item.state == DueState::Deferred && item.reason.is_none();
    json!({
        "schedule_id": item.schedule_id, "task": item.task, "state": item.state, "reason": item.reason,
        "hours_limit": limits, "date_limit": item.calendar.map(|c| c.limit_date),
        "days_left": item.calendar.map(|c| c.left_days), "hours_left": item.hours.map(|h| h.left_hours.seconds()),
        "anchor": anchor(item, state, at), "recommission_gate": item.recommission_gate,
        "deferral": item.deferral.filter(|_| decides).map(|deferral| deferral.event_id),
        "waited_for_emergency": item.waited_for_emergency, "failed_event_id": item.failed_event_id,
        "component_hours": item.component_hours.map(Hours::seconds), "late": late, "pack": item.pack,
    })
}

/// The event that the item counts from, which only its trace names.
fn anchor(item: &DueItem, state: &UnitState, at: Instant) -> Option<Value> {
    let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
    state.trace_at(&key, at).iter().find_map(|entry| {
        let (kind, event_id) = match entry {
            TraceEntry::CountsFromCompletion { event_id, .. } => ("completion", event_id),
            TraceEntry::CountsFromCommissioning { event_id, .. } => ("commissioning", event_id),
            TraceEntry::CountsFromComponent { event_id, .. } => ("component", event_id),
            TraceEntry::CountsFromApplicable { event_id, .. } => ("applicable", event_id),
            TraceEntry::CountsFromAdoption { event_id, .. } => ("adoption", event_id),
            _ => return None,
        };
        Some(json!({"kind": kind, "event_id": event_id}))
    })
}

/// Reports where the library says another thing than the oracle; what the oracle leaves out is not asked.
fn differences(place: &str, oracle: &Value, library: &Value, report: &mut impl FnMut(String)) {
    match (oracle, library) {
        (Value::Object(left), Value::Object(right)) => {
            for (name, value) in left {
                if let Some(found) = right.get(name) {
                    differences(&format!("{place}/{name}"), value, found, report);
                }
            }
        }
        (Value::Array(left), Value::Array(right)) if left.len() == right.len() => {
            for (at, (left, right)) in left.iter().zip(right).enumerate() {
                differences(&format!("{place}/{at}"), left, right, report);
            }
        }
        _ if oracle == library => {}
        _ => report(format!("{place}: the oracle says {oracle}, the library {library}")),
    }
}

fn without(value: &Value, names: &[&str]) -> Value {
    let mut fields = value.as_object().unwrap().clone();
    fields.retain(|name, _| !names.contains(&name.as_str()));
    Value::Object(fields)
}

fn whole<T>(value: &Value, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> T {
    read::whole(value, read::Mode::New, read).unwrap_or_else(|errors| panic!("{value}: {errors:?}"))
}
