//! Compares the library with the independent oracle (`tests/oracle`), case by case.
//!
//! The cases are those checked in; `KEEPSTART_ORACLE_CASES` names another file, drawn with another seed.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "a test fails by panicking")]

use std::{collections::BTreeMap, path::PathBuf, sync::Arc};

use interval::{HoursRange, Input, Policy, UnitFacts, UnitState, refold_until};
use model::{
    EditionId, Hours, Instant, SiteId, UnitId, Zone,
    event::ServiceEvent,
    json,
    read::{self, Object},
    schedule::Edition,
    unit::{MeterTick, UnitFields},
};
use serde_json::{Value, json};

#[test]
fn the_library_and_the_oracle_agree() {
    let checked_in = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../tests/oracle/cases.json");
    let path = std::env::var_os("KEEPSTART_ORACLE_CASES").map_or(checked_in, PathBuf::from);
    let cases =
        json::parse(&std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))).unwrap();
    let cases = cases["cases"].as_array().unwrap();
    assert!(cases.len() >= 100, "{} cases are too few to say anything", cases.len());
    let mut wrong = Vec::new();
    for case in cases {
        let at = Instant::read(&case["at"]).unwrap();
        let found = answer(&case["case"], &fold(case, at), at);
        differences("", &case["answer"], &found, &mut |what| wrong.push(format!("{}{what}", case["case"])));
    }
    assert!(wrong.is_empty(), "{} differences:\n{}", wrong.len(), wrong.join("\n"));
}

fn fold(case: &Value, at: Instant) -> UnitState {
    let fields = whole(&without(&case["unit"], &["id"]), UnitFields::read);
    let facts = UnitFacts::plain(
        fields.meter_fitted.unwrap_or(true),
        fields.meter_tick_hours.unwrap_or(MeterTick::TENTH).hours(),
        fields.home_site_id.unwrap(),
    );
    let items = |name: &str| case[name].as_array().unwrap().iter();
    let zone = |site: &Value| (SiteId::read(&site["id"]).unwrap(), Zone::read(&site["zone"]).unwrap());
    let edition = |edition: &Value| {
        let fields = without(edition, &["id", "schedule_id"]);
        (EditionId::read(&edition["id"]).unwrap(), Arc::new(whole(&fields, Edition::read)))
    };
    let events: Vec<ServiceEvent> = items("events").map(|event| whole(event, ServiceEvent::read)).collect();
    let zones: BTreeMap<SiteId, Zone> = items("sites").map(zone).collect();
    let editions: BTreeMap<EditionId, Arc<Edition>> = items("editions").map(edition).collect();
    let policy = Policy::standard();
    refold_until(
        &Input {
            unit: UnitId::read(&case["unit"]["id"]).unwrap(),
            facts: &facts,
            events: &events,
            zones: &zones,
            editions: &editions,
            policy: &policy,
        },
        at,
    )
}

/// What the library says, in the oracle's shape: hours as whole seconds.
fn answer(case: &Value, state: &UnitState, at: Instant) -> Value {
    let hours = state.hours_at(at);
    let seconds = |bound: fn(&HoursRange) -> Hours| hours.range.as_ref().map(|range| bound(range).seconds());
    let mut set_aside: Vec<String> =
        state.set_aside().iter().map(|reading| reading.event_id.to_string()).collect();
    set_aside.sort();
    let items: Vec<Value> = state
        .items_at(at)
        .iter()
        .map(|item| {
            let limits = item.hours.map(|h| [h.limit_lower_hours, h.limit_hours, h.limit_upper_hours].map(Hours::seconds));
            json!({
                "schedule_id": item.schedule_id, "task": item.task, "state": item.state, "reason": item.reason,
                "hours_limit": limits, "date_limit": item.calendar.map(|c| c.limit_date),
                "days_left": item.calendar.map(|c| c.left_days),
            })
        })
        .collect();
    let engine = json!({
        "lower": seconds(|range| range.lower), "nominal": seconds(|range| range.nominal),
        "upper": seconds(|range| range.upper), "grade": hours.grade,
    });
    json!({"case": case, "engine_hours": engine, "set_aside": set_aside, "items": items})
}

fn differences(place: &str, oracle: &Value, library: &Value, report: &mut impl FnMut(String)) {
    match (oracle, library) {
        (Value::Object(left), Value::Object(right)) if left.keys().eq(right.keys()) => {
            for (name, value) in left {
                differences(&format!("{place}/{name}"), value, &right[name], report);
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
