//! Reads `tests/vectors/interval.json` and checks every case in it.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

use std::{
    collections::{BTreeMap, BTreeSet},
    path::PathBuf,
    sync::Arc,
};

use interval::{
    Compliance, HoursRange, Input, ItemKey, Policy, QualityEntry, SetAside, UnitFacts, UnitState, belongs_to,
    bundle, condemned, refold, state_in,
};
use model::{
    EditionId, EventId, Hours, Instant, LocalDate, ScheduleId, SiteId, UnitId, Zone,
    event::{Details, ServiceEvent},
    json, read,
    schedule::Edition,
    time::Meaning,
    unit::{Ignition, UnitFields},
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
    let mut failures = Vec::new();
    for case in section(&vectors, "cases") {
        let name = format!("{}: {} ({})", text(case, "case"), text(case, "what"), text(case, "source"));
        for check in section(case, "checks") {
            let known_at = check["known_at"].as_str().map(|_| instant(check, "known_at"));
            let asked = Asked { vectors: &vectors, case, editions: &editions, known_at };
            let mut wrong = Vec::new();
            compare(check, &found(&asked, check), "", &mut wrong);
            if !wrong.is_empty() {
                failures.push(format!("{name}, at {}:\n{}", text(check, "at"), wrong.join("\n")));
            }
        }
    }
    assert!(failures.is_empty(), "{} checks fail:\n{}", failures.len(), failures.join("\n"));
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
fn analyses() {
    for case in section(&vectors(), "analyses") {
        let mut analysis = case["analysis"].clone();
        analysis["results_on"] = json!("2025-01-24");
        let event = json!({"id": UNIT, "unit_id": UNIT, "kind": "service", "occurred_on": "2025-01-20",
                           "jobs": [{"job": "oil_analysis", "analysis": analysis}]});
        let event = whole(&json::parse(event.to_string().as_bytes()).unwrap(), ServiceEvent::read);
        let Details::Service(service) = &event.details else { panic!("{case}") };
        let ignition = match case["ignition"].as_str() {
            Some("spark") => Some(Ignition::Spark),
            Some("compression") => Some(Ignition::Compression),
            _ => None,
        };
        let unfit = condemned(service.jobs[0].analysis.as_ref().unwrap(), ignition);
        let result = unfit.map_or("done", |unfit| if unfit { "failed" } else { "passed" });
        assert_eq!(result, text(case, "result"), "{case}");
    }
}

#[test]
fn entries() {
    for case in section(&vectors(), "entries") {
        let found = match Hours::read(&case["text"]) {
            Ok(hours) => json!({"hours": hours}),
            Err(flaw) => json!({"refused": flaw.code}),
        };
        let mut wrong = Vec::new();
        compare(&found, case, "", &mut wrong);
        assert!(wrong.is_empty(), "{case}: {found}");
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

/// What a check asks about: a unit of the case, as its events were known at some time.
struct Asked<'v> {
    vectors: &'v Value,
    case: &'v Value,
    editions: &'v BTreeMap<&'v str, Adopted>,
    known_at: Option<Instant>,
}

impl Asked<'_> {
    fn fold(&self, unit: &str) -> UnitState {
        self.of_input(unit, refold)
    }

    fn of_input<T>(&self, unit: &str, of: impl FnOnce(&Input<'_>) -> T) -> T {
        let mut fields = self.vectors["unit"].clone();
        fields.as_object_mut().unwrap().extend(self.case["unit"].as_object().cloned().unwrap_or_default());
        let facts = UnitFacts::of(&whole(&fields, UnitFields::read)).unwrap();
        let zones = section(self.vectors, "sites")
            .iter()
            .map(|site| (SiteId::read(&site["id"]).unwrap(), Zone::read(&site["zone"]).unwrap()))
            .collect();
        let editions =
            self.editions.values().map(|adopted| (adopted.id, Arc::clone(&adopted.edition))).collect();
        of(&Input {
            unit: UnitId::parse(unit).unwrap(),
            facts: &facts,
            events: &self.events(unit),
            zones: &zones,
            editions: &editions,
            policy: &Policy::standard(),
        })
    }

    /// The events that were recorded by then; whichever unit is asked about has adopted the case's editions.
    fn events(&self, unit: &str) -> Vec<ServiceEvent> {
        let adoptions = section(self.case, "adopted").iter().map(|name| {
            let adopted = &self.editions[name.as_str().unwrap()];
            json!({"kind": "adoption", "occurred_on": "2000-01-01", "unit_id": unit,
                   "schedule_id": adopted.schedule, "edition_id": adopted.id})
        });
        adoptions
            .chain(section(self.case, "events").iter().cloned())
            .enumerate()
            .filter_map(|(i, mut event)| {
                let members = event.as_object_mut().unwrap();
                let recorded = members.remove("recorded_at").map(|at| Instant::read(&at).unwrap());
                members.entry("id").or_insert(json!(format!("0194d000-0001-7000-8000-{i:012}")));
                members.entry("unit_id").or_insert(json!(UNIT));
                let known = recorded.zip(self.known_at).is_none_or(|(recorded, known)| recorded <= known);
                known.then(|| whole(&event, ServiceEvent::read))
            })
            .collect()
    }

    /// The units that the case is about.
    fn units(&self) -> BTreeSet<&str> {
        let named = section(self.case, "events").iter().filter_map(|event| event["unit_id"].as_str());
        named.chain([UNIT]).collect()
    }

    /// Of readings set aside, the unit that each belongs to rather.
    fn belongs_to(&self, unit: &str) -> Value {
        let others = self.units().into_iter().filter(|other| *other != unit);
        let others: Vec<(UnitId, UnitState)> =
            others.map(|other| (UnitId::parse(other).unwrap(), self.fold(other))).collect();
        let belongs =
            |aside: &SetAside| json!(belongs_to(aside, others.iter().map(|(unit, state)| (*unit, state))));
        let state = self.fold(unit);
        state.set_aside().iter().map(|aside| (aside.event_id.to_string(), belongs(aside))).collect()
    }
}

/// What the state answers to everything that a check may ask, in the check's own shape.
fn found(asked: &Asked<'_>, check: &Value) -> Value {
    let at = instant(check, "at");
    let unit = check["unit"].as_str().unwrap_or(UNIT);
    let state = asked.fold(unit);
    let items = state.items_at(at);
    let key = |task: &str| {
        let item = items.iter().find(|item| item.task.as_str() == task).unwrap_or_else(|| panic!("{task}"));
        ItemKey { schedule: item.schedule_id, task: item.task.clone() }
    };
    let named = section(check, "items").iter().map(|wanted| {
        json!(
            items
                .iter()
                .find(|item| item.task.as_str() == text(wanted, "task"))
                .unwrap_or_else(|| panic!("{wanted}"))
        )
    });
    let traces = check["trace"]
        .as_object()
        .into_iter()
        .flatten()
        .map(|(task, wanted)| (task.clone(), occurring(wanted, &json!(state.trace_at(&key(task), at)))));
    for (item, steps) in items.iter().zip(state.steps_from(at)) {
        let step = state_in(&steps.steps, at).unwrap();
        assert_eq!((step.state, step.reason), (item.state, item.reason), "{check}");
    }
    let bundles = check["bundle"].as_object().into_iter().flatten();
    let done = |service: &str| {
        let service = EventId::parse(service).unwrap();
        json!(asked.of_input(unit, |input| bundle(input, service)))
    };
    let projections = check["projection"].as_object().into_iter().flatten();
    let seconds =
        |bound: fn(&HoursRange) -> Hours| state.hours_at(at).range.as_ref().map(bound).map(Hours::seconds);
    let quality: Vec<QualityEntry> = state.quality().into_iter().filter(|entry| entry.holds(at)).collect();
    json!({
        "at": check["at"],
        "unit": unit,
        "known_at": check["known_at"],
        "engine_seconds": {"lower": seconds(|r| r.lower), "nominal": seconds(|r| r.nominal), "upper": seconds(|r| r.upper)},
        "hours_report": state.hours_report(at),
        "quality": occurring(&check["quality"], &json!(quality)),
        "compliance": Compliance::of(&items),
        "projection": projections.map(|(task, _)| (task.clone(), json!(state.projection(&key(task), at)))).collect::<Value>(),
        "bundle": bundles.map(|(service, _)| (service.clone(), done(service))).collect::<Value>(),
        "belongs_to": asked.belongs_to(unit),
        "items": named.collect::<Vec<_>>(),
        "tasks": items.iter().map(|item| &item.task).collect::<Vec<_>>(),
        "engine_hours": state.hours_at(at),
        "set_aside": state.set_aside(),
        "site": state.site_at(at),
        "trace": traces.collect::<serde_json::Map<_, _>>(),
    })
}

/// Of the entries that are wanted those that occur.
fn occurring(wanted: &Value, entries: &Value) -> Value {
    let fits = |wanted: &&Value| {
        entries.as_array().unwrap().iter().any(|entry| {
            let mut wrong = Vec::new();
            compare(wanted, entry, "", &mut wrong);
            wrong.is_empty()
        })
    };
    json!(wanted.as_array().into_iter().flatten().filter(fits).collect::<Vec<&Value>>())
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
