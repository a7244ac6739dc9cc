//! Reads `tests/vectors/interval.json` and checks every case in it.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use std::{collections::BTreeMap, path::PathBuf, sync::Arc};

use interval::{Input, ItemKey, Policy, UnitFacts, UnitState, refold, state_in};
use model::{
    EditionId, Hours, Instant, LocalDate, ScheduleId, SiteId, UnitId, Zone, event::ServiceEvent, json, read,
    schedule::Edition, time::Meaning, unit::UnitFields,
};
use serde_json::{Value, json};

const UNIT: &str = "0194d000-0000-7000-8000-00000000000c";

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn file(path: &str) -> Value {
    json::parse(&std::fs::read(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))).unwrap()
}

fn vectors() -> Value {
    file("tests/vectors/interval.json")
}

fn section<'v>(vectors: &'v Value, name: &str) -> &'v [Value] {
    vectors[name].as_array().map_or(&[], Vec::as_slice)
}

fn text<'v>(value: &'v Value, name: &str) -> &'v str {
    value[name].as_str().unwrap_or_else(|| panic!("{name} of {value}"))
}

fn whole<T>(value: &Value, read: impl FnOnce(&mut read::Object<'_>) -> Option<T>) -> T {
    read::whole(value, read::Mode::New, read).unwrap_or_else(|errors| panic!("{value}: {errors:?}"))
}

fn instant(value: &Value, name: &str) -> Instant {
    Instant::parse(text(value, name)).unwrap()
}

#[test]
fn cases() {
    let vectors = vectors();
    let editions: BTreeMap<&str, Adopted> = vectors["editions"]
        .as_object()
        .unwrap()
        .iter()
        .map(|(name, edition)| (name.as_str(), Adopted::read(edition)))
        .collect();
    for case in section(&vectors, "cases") {
        let name = format!("{}: {} ({})", text(case, "case"), text(case, "what"), text(case, "source"));
        let state = fold(&vectors, case, &editions);
        for check in section(case, "checks") {
            let mut wrong = Vec::new();
            compare(check, &found(&state, check), "", &mut wrong);
            assert!(wrong.is_empty(), "{name}, at {}:\n{}", text(check, "at"), wrong.join("\n"));
        }
    }
}

#[test]
fn dates() {
    for case in section(&vectors(), "dates") {
        let months = i32::try_from(case["months"].as_i64().unwrap()).unwrap();
        let found = LocalDate::parse(text(case, "from")).unwrap().plus_months(months);
        assert_eq!(found.to_string(), text(case, "date"), "{case}");
    }
}

#[test]
fn wall_clocks() {
    for case in section(&vectors(), "wall_clocks") {
        let zone = Zone::parse(text(case, "zone")).unwrap();
        let meaning = |name: &str| match zone.meaning(text(case, name)).unwrap() {
            Meaning::One(instant) => vec![instant],
            Meaning::Two(first, second) => vec![first, second],
            Meaning::None => vec![],
        };
        if let Some(hours) = case["hours"].as_f64() {
            let seconds = meaning("to")[0].seconds_since(meaning("from")[0]);
            assert_eq!(json!(Hours::from_seconds(seconds)).as_f64(), Some(hours), "{case}");
        } else {
            assert_eq!(json!(meaning("local")), case["instants"], "{case}");
        }
    }
}

/// An edition under its ids.
struct Adopted {
    schedule: ScheduleId,
    id: EditionId,
    edition: Arc<Edition>,
}

impl Adopted {
    fn read(value: &Value) -> Self {
        let (schedule, edition) = match value["file"].as_str() {
            Some(path) => {
                let file = file(path);
                (file["schedule"]["id"].clone(), file["edition"].clone())
            }
            None => (value["schedule_id"].clone(), value.clone()),
        };
        let id = EditionId::read(&edition["id"]).unwrap();
        let mut fields = edition;
        let members = fields.as_object_mut().unwrap();
        members.remove("id");
        members.remove("schedule_id");
        Self {
            schedule: ScheduleId::read(&schedule).unwrap(),
            id,
            edition: Arc::new(whole(&fields, Edition::read)),
        }
    }
}

fn fold(vectors: &Value, case: &Value, editions: &BTreeMap<&str, Adopted>) -> UnitState {
    let mut fields = vectors["unit"].clone();
    fields.as_object_mut().unwrap().extend(case["unit"].as_object().cloned().unwrap_or_default());
    let fields = whole(&fields, UnitFields::read);
    let facts = UnitFacts::of(&fields).unwrap();
    let zones = section(vectors, "sites")
        .iter()
        .map(|site| (SiteId::read(&site["id"]).unwrap(), Zone::read(&site["zone"]).unwrap()))
        .collect();
    let adoptions = section(case, "adopted").iter().map(|name| {
        let adopted = &editions[name.as_str().unwrap()];
        json!({"kind": "adoption", "occurred_on": "2000-01-01", "schedule_id": adopted.schedule, "edition_id": adopted.id})
    });
    let events: Vec<ServiceEvent> = adoptions
        .chain(section(case, "events").iter().cloned())
        .enumerate()
        .map(|(i, mut event)| {
            let members = event.as_object_mut().unwrap();
            members.entry("id").or_insert(json!(format!("0194d000-0001-7000-8000-{i:012}")));
            members.insert("unit_id".into(), json!(UNIT));
            whole(&event, ServiceEvent::read)
        })
        .collect();
    let editions = editions.values().map(|adopted| (adopted.id, Arc::clone(&adopted.edition))).collect();
    let policy = Policy::standard();
    refold(&Input {
        unit: UnitId::parse(UNIT).unwrap(),
        facts: &facts,
        events: &events,
        zones: &zones,
        editions: &editions,
        policy: &policy,
    })
}

/// What the state answers to everything that a check may ask, in the check's own shape.
fn found(state: &UnitState, check: &Value) -> Value {
    let at = instant(check, "at");
    let items = state.items_at(at);
    let named = section(check, "items").iter().map(|wanted| {
        json!(
            items
                .iter()
                .find(|item| item.task.as_str() == text(wanted, "task"))
                .unwrap_or_else(|| panic!("{wanted}"))
        )
    });
    let traces = check["trace"].as_object().into_iter().flatten().map(|(task, wanted)| {
        let item = items.iter().find(|item| item.task.as_str() == task).unwrap();
        let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
        let trace = json!(state.trace_at(&key, at));
        let fits = |wanted: &&Value| {
            trace.as_array().unwrap().iter().any(|entry| {
                let mut wrong = Vec::new();
                compare(wanted, entry, "", &mut wrong);
                wrong.is_empty()
            })
        };
        let occurring: Vec<&Value> = wanted.as_array().unwrap().iter().filter(fits).collect();
        (task.clone(), json!(occurring))
    });
    for (item, steps) in items.iter().zip(state.steps_from(at)) {
        let step = state_in(&steps.steps, at).unwrap();
        assert_eq!((step.state, step.reason), (item.state, item.reason), "{check}");
    }
    json!({
        "at": check["at"],
        "items": named.collect::<Vec<_>>(),
        "tasks": items.iter().map(|item| &item.task).collect::<Vec<_>>(),
        "engine_hours": state.hours_at(at),
        "set_aside": state.set_aside(),
        "site": state.site_at(at),
        "trace": traces.collect::<serde_json::Map<_, _>>(),
    })
}

/// Compares what is wanted with what was found; members that are not wanted are free.
fn compare(wanted: &Value, found: &Value, place: &str, wrong: &mut Vec<String>) {
    let same = match (wanted, found) {
        (Value::Object(members), _) if members.contains_key("rounds_to") => {
            let number = members["rounds_to"].to_string();
            let places = number.split_once('.').map_or(0, |(_, decimals)| decimals.len());
            found.as_f64().is_some_and(|found| format!("{found:.places$}") == number)
        }
        (Value::Object(members), Value::Object(_)) => {
            for (name, wanted) in members {
                compare(wanted, &found[name.as_str()], &format!("{place}/{name}"), wrong);
            }
            return;
        }
        (Value::Array(wanted), Value::Array(found)) if wanted.len() == found.len() => {
            for (i, (wanted, found)) in wanted.iter().zip(found).enumerate() {
                compare(wanted, found, &format!("{place}/{i}"), wrong);
            }
            return;
        }
        (Value::Number(wanted), Value::Number(found)) => wanted.as_f64() == found.as_f64(),
        _ => wanted == found,
    };
    if !same {
        wrong.push(format!("{place}: wanted {wanted}, found {found}"));
    }
}
