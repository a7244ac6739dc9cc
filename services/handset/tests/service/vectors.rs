//! The worked examples (`tests/vectors/interval.json`, each with its source) entered at the service and told to a handset: what
//! is due by the service and by the copy on the device is the same, to the last member.

use std::collections::BTreeSet;

use blackbox::{Backend, Town, World, none_failed, on_both};
use device::Records;
use model::Instant;
use serde_json::{Value, json};

use crate::van::{Van, due_differs};

on_both!(device_and_service_agree);

/// Later than all that the examples tell of.
const NOW: &str = "2027-06-01T12:00:00Z";
const VECTORS: &str = include_str!("../../../../tests/vectors/interval.json");
/// How the ids of the examples begin; those of each example are given a beginning of their own.
const BEGINS: &str = "0194d000-";
/// The unit that an example is about where it does not say.
const UNIT: &str = "0194d000-0000-7000-8000-00000000000c";
/// Sites and editions are the same for all examples.
const SHARED: [&str; 2] = ["sites", "editions"];
/// More checks than so many have to be there, or something is wrong with the test.
const CHECKS_LEAST: usize = 150;

/// An example as it is entered.
struct Case {
    name: String,
    /// The unit that it is about, unless a check names another.
    unit: String,
    /// All units of its events, with the same fields.
    units: BTreeSet<String>,
    fields: Value,
    events: Vec<Value>,
    checks: Vec<Value>,
}

fn device_and_service_agree(backend: Backend) {
    let world = World::at(backend, NOW);
    let town = world.town();
    let vectors: Value = serde_json::from_str(VECTORS).unwrap();
    enter_places(&town, &vectors);
    let cases: Vec<Case> =
        list(&vectors["cases"]).iter().enumerate().map(|(n, case)| Case::of(&vectors, n, case)).collect();
    for case in &cases {
        enter(&town, case);
    }
    let mut van = Van::new(&world, &town, "coordinator");
    van.reach(&world, &town, town.people["coordinator"], NOW);
    van.agrees();
    let records = van.records();
    let (mut failures, mut checked) = (Vec::new(), 0);
    for case in &cases {
        for check in case.checks.iter().filter(|check| case.is_all_before(check)) {
            checked += 1;
            failures.extend(case.differences(&town, &records, check));
        }
    }
    assert!(checked > CHECKS_LEAST, "{checked} checks");
    none_failed(&failures);
}

impl Case {
    fn of(vectors: &Value, n: usize, case: &Value) -> Self {
        let name = format!("{}: {}", case["case"].as_str().unwrap(), case["what"].as_str().unwrap());
        let own = own_ids(vectors, n, case);
        let unit = own_ids(vectors, n, &json!(UNIT));
        let mut events: Vec<Value> = list(&own["adopted"])
            .iter()
            .map(|name| {
                let adopted = edition(vectors, name.as_str().unwrap());
                json!({"kind": "adoption", "occurred_on": "2000-01-01", "unit_id": unit,
                    "schedule_id": adopted["schedule_id"], "edition_id": adopted["id"]})
            })
            .collect();
        events.extend(list(&own["events"]).iter().cloned());
        for (at, event) in events.iter_mut().enumerate() {
            let members = event.as_object_mut().unwrap();
            members.remove("recorded_at");
            let id = own_ids(vectors, n, &json!(format!("0194d000-0001-7000-8000-{at:012}")));
            members.entry("id").or_insert(id);
            members.entry("unit_id").or_insert(unit.clone());
        }
        let unit = unit.as_str().unwrap().to_owned();
        let named = events.iter().map(|event| event["unit_id"].as_str().unwrap().to_owned());
        let units = named.chain([unit.clone()]).collect();
        let mut fields = vectors["unit"].clone();
        fields.as_object_mut().unwrap().extend(own["unit"].as_object().cloned().unwrap_or_default());
        let checks =
            list(&own["checks"]).iter().filter(|check| check["known_at"].is_null()).cloned().collect();
        Self { name, unit, units, fields, events, checks }
    }

    /// Where the answers of service and device to a check differ.
    fn differences(&self, town: &Town, records: &Records, check: &Value) -> Vec<String> {
        let unit = check["unit"].as_str().unwrap_or(&self.unit);
        let at = check["at"].as_str().unwrap();
        let query = format!("&valid_at={}", at.replace('+', "%2B"));
        let differ = due_differs(records, town.coordinator(), unit, &query);
        differ.iter().map(|line| format!("{} at {at}, {line}", self.name)).collect()
    }

    /// Whether nothing of the example lies after a check: asked about an earlier time the service leaves that out.
    fn is_all_before(&self, check: &Value) -> bool {
        let at = Instant::parse(check["at"].as_str().unwrap()).unwrap();
        self.events.iter().all(|event| match event["occurred_at"].as_str() {
            Some(occurred) => Instant::parse(occurred).unwrap() <= at,
            None => event["occurred_on"].as_str().unwrap() < &check["at"].as_str().unwrap()[..10],
        })
    }
}

/// A value with the ids of an example in it made its own; those of sites, schedules and editions stay.
fn own_ids(vectors: &Value, n: usize, value: &Value) -> Value {
    let mut text = value.to_string().replace(BEGINS, &format!("0194d{:03x}-", n + 1));
    for shared in SHARED {
        for id in ids(&vectors[shared]) {
            let moved = id.replace(BEGINS, &format!("0194d{:03x}-", n + 1));
            text = text.replace(&moved, &id);
        }
    }
    serde_json::from_str(&text).unwrap()
}

/// All ids anywhere in a value.
fn ids(value: &Value) -> Vec<String> {
    match value {
        Value::String(text) if text.starts_with(BEGINS) => vec![text.clone()],
        Value::Array(items) => items.iter().flat_map(ids).collect(),
        Value::Object(members) => members.values().flat_map(ids).collect(),
        _ => Vec::new(),
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

/// An edition of the examples with its ids.
fn edition(vectors: &Value, name: &str) -> Value {
    let edition = &vectors["editions"][name];
    let Some(file) = edition["file"].as_str() else { return edition.clone() };
    let file = std::fs::read_to_string(blackbox::service::root().join(file)).unwrap();
    let file: Value = serde_json::from_str(&file).unwrap();
    let mut edition = file["edition"].clone();
    edition["schedule_id"] = file["schedule"]["id"].clone();
    edition
}

/// Sites, schedules and editions.
fn enter_places(town: &Town, vectors: &Value) {
    let desk = town.coordinator();
    for site in list(&vectors["sites"]) {
        desk.post("/v1/sites", &json!({"id": site["id"], "name": site["zone"], "zone": site["zone"]}))
            .expect(201);
    }
    let mut made = BTreeSet::new();
    for name in vectors["editions"].as_object().unwrap().keys() {
        let mut edition = edition(vectors, name);
        let schedule = edition["schedule_id"].as_str().unwrap().to_owned();
        if made.insert(schedule.clone()) {
            let body = json!({"id": schedule, "title": name, "publisher": "Tarn Valley", "basis": "common_practice"});
            desk.post("/v1/schedules", &body).expect(201);
        }
        edition.as_object_mut().unwrap().remove("schedule_id");
        desk.post(&format!("/v1/schedules/{schedule}/editions"), &edition).expect(201);
    }
}

/// The units of an example with their events.
fn enter(town: &Town, case: &Case) {
    let desk = town.coordinator();
    for unit in &case.units {
        let mut fields = case.fields.clone();
        fields["id"] = json!(unit);
        desk.post("/v1/units", &fields).expect(201);
    }
    for event in &case.events {
        let mut event = event.clone();
        if event["authorised_by"].is_string() {
            event["authorised_by"] = json!(town.people["coordinator"]);
        }
        let reply = desk.post("/v1/service-events", &event);
        assert!(reply.status == 201, "{}: {event}: {}", case.name, reply.json());
    }
}
