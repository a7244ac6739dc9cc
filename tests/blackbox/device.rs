//! A device that has what the feed tells gives the answers that the service gives (`libs/device`).

use std::path::Path;

use blackbox::{
    Backend, Client, Database, Service, World, none_failed, on_both,
    service::{command, in_folder},
};
use serde_json::{Value, json};

use crate::{
    oracle,
    sync::{Phone, with},
};

on_both!(
    the_fleet_is_answered_alike,
    random_histories_are_answered_alike,
    who_sees_one_site_is_answered_alike,
);

/// So many of the histories: what the device adds to the library are records told by the feed, and corrections among units.
const HISTORIES: usize = 60;

fn the_fleet_is_answered_alike(backend: Backend) {
    let database = Database::new(backend);
    let folder = in_folder(&database, "demo");
    let service =
        Service::serving(&mut command(&["demo", "--folder", &folder, "--database-url", database.url()]));
    let tokens = std::fs::read_to_string(Path::new(&folder).join("tokens.json")).unwrap();
    let tokens: Value = serde_json::from_str(&tokens).unwrap();
    let client = service.client(tokens["coordinator"].as_str().unwrap());
    let mut failures = Vec::new();
    let answers = compare(&client, &mut failures);
    none_failed(&failures);
    assert!(answers > 200, "{answers} answers");
}

fn random_histories_are_answered_alike(backend: Backend) {
    let world = World::at(backend, oracle::CLOCK);
    let (mut failures, mut answers) = (Vec::new(), 0);
    for case in oracle::cases().iter().take(HISTORIES) {
        let (organization, people) = world.organization();
        let client = world.client(organization, people["coordinator"]);
        if oracle::record(&client, case, &people["coordinator"].to_string()).is_ok() {
            answers += compare(&client, &mut failures);
        }
    }
    none_failed(&failures);
    assert!(answers > HISTORIES * 4, "{answers} answers");
}

/// What bears on a unit from beside it: an adoption for its model, another entry of the machine, a stay elsewhere, a clock that
/// was put right. All is asked by who sees everything, and by technicians who see one site each.
fn who_sees_one_site_is_answered_alike(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let technicians = town
        .sites
        .each_ref()
        .map(|site| world.client(town.id, world.person(town.id, &[("technician", json!([site]))])));
    let (older, newer) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-1 again", 0));
    let link =
        json!({"kind": "correction", "action": "link", "other_unit_id": older, "reason": "entered twice"});
    town.happened(&newer, "2026-06-01T12:00:00Z", link);
    let service = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 40});
    town.happened(&older, "2026-05-01T12:00:00Z", service);
    let path = format!("/v1/units/{older}");
    let etag = town.coordinator().get(&path).expect(200).etag();
    town.coordinator().patch(&path, &etag, &json!({"retired": true})).expect(200);

    let of_model = town.unit_of_model("FS-2", "2026-01-10T10:00:00-07:00");
    town.adopted_for_model("2026-02-01T12:00:00Z");
    let lent = town.unit_in_service("SH-1", 1);
    let phone = Phone::new(&town, "technician");
    for unit in [&of_model, &lent, &newer] {
        let run = json!({"kind": "run", "unit_id": unit, "occurred_at": "2020-06-14T08:00:00Z", "occurred_source": "clock",
            "stopped_at": "2020-06-14T09:30:00Z", "reason": "test"});
        let edit = with(&phone.event(run), "boot", json!(4));
        let request =
            with(&with(&phone.request(&[&edit]), "clock", json!("2020-06-15T12:00:00Z")), "boot", json!(4));
        assert_eq!(phone.sync(&request).expect(200).json()["results"][0]["result"], "applied");
    }
    let (mut failures, mut answers) = (Vec::new(), Vec::new());
    let mut ask = |client: &Client| {
        answers.push(compare(client, &mut failures));
        failures
            .extend([&older, &newer, &of_model, &lent].into_iter().flat_map(|unit| checked(client, unit)));
    };
    technicians.iter().for_each(&mut ask);
    // What stands at a site that one may not see goes by another zone there, so that only who sees both is asked.
    town.happened(&lent, "2026-06-10T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[0]}));
    ask(town.coordinator());
    none_failed(&failures);
    // Three questions about each unit and two about each site.
    assert_eq!(answers, [3 * 3 + 2, 3 + 2, 4 * 3 + 2 * 2]);
}

/// Where the device warns otherwise of a reading than the service, of some that anybody may have misread.
fn checked(client: &Client, unit: &str) -> Vec<String> {
    let records = told(client);
    if records.iter().all(|record| record["id"] != unit) {
        return Vec::new();
    }
    let events: Vec<Value> = [0, 41, 42, 410, 99_999]
        .map(|hours| json!({"id": blackbox::world::new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-15T11:00:00Z", "meter_hours": hours}))
        .into();
    let asks: Vec<Value> = events.iter().map(|event| json!({"question": "check", "event": event})).collect();
    let text = device::answer(json!({"records": records, "ask": asks}).to_string().as_bytes()).unwrap();
    let found: Value = serde_json::from_str(&text).unwrap();
    let mut failures = Vec::new();
    for (event, device) in events.iter().zip(found["answers"].as_array().unwrap()) {
        let service = client.post("/v1/service-events?dry_run=true", event).expect(200).json();
        let place = format!("{unit} at {}", event["meter_hours"]);
        differ(&place, &service["warnings"], &device["warnings"], &mut failures);
    }
    failures
}

/// Asks the service all about every unit and site, and the library the same at the same instants; says how many answers.
fn compare(client: &Client, failures: &mut Vec<String>) -> usize {
    let records = told(client);
    let (mut paths, mut asked, mut answered) = (Vec::new(), Vec::new(), Vec::new());
    for record in &records {
        let (Some(kind), Some(id)) = (record["kind"].as_str(), record["id"].as_str()) else { continue };
        for (question, path) in questions(kind, id) {
            let answer = client.get(&path).expect(200).json();
            let include = if question == "due" { json!(["trace", "projection"]) } else { Value::Null };
            let mut asks = json!({"question": question, format!("{kind}_id"): id, "at": answer["as_of"]});
            if !include.is_null() {
                asks["include"] = include;
            }
            asked.push(asks);
            answered.push(answer);
            paths.push(path);
        }
    }
    let text = device::answer(json!({"records": records, "ask": asked}).to_string().as_bytes()).unwrap();
    let found: Value = serde_json::from_str(&text).unwrap();
    let found = found["answers"].as_array().unwrap();
    assert_eq!(found.len(), answered.len());
    for ((path, service), device) in paths.iter().zip(&answered).zip(found) {
        differ(path, service, device, failures);
        let remarks = ["unknown_because", "passed_over"].map(|name| device[name].as_array().map(Vec::len));
        if remarks.iter().flatten().any(|remarks| *remarks > 0) {
            failures.push(format!("{path}: {} {}", device["unknown_because"], device["passed_over"]));
        }
    }
    answered.len()
}

/// What the library can be asked about a record, with the address of the same at the service.
fn questions(kind: &str, id: &str) -> Vec<(&'static str, String)> {
    match kind {
        "unit" => vec![
            ("due", format!("/v1/units/{id}/due?include=trace,projection")),
            ("hours", format!("/v1/units/{id}/hours")),
            ("readiness", format!("/v1/units/{id}/readiness")),
        ],
        "site" => vec![
            ("while_here", format!("/v1/sites/{id}/while-here")),
            ("site_readiness", format!("/v1/sites/{id}/readiness")),
        ],
        _ => Vec::new(),
    }
}

/// All that the feed tells.
fn told(client: &Client) -> Vec<Value> {
    let (mut records, mut path) = (Vec::new(), "/v1/changes?limit=500".to_owned());
    loop {
        let page = client.get(&path).expect(200).json();
        records.extend(page["changes"].as_array().unwrap().iter().cloned());
        if page["more"] != true {
            return records;
        }
        path = format!("/v1/changes?limit=500&cursor={}", page["cursor"].as_str().unwrap());
    }
}

/// Where the device says something else than the service; it may say more.
fn differ(place: &str, service: &Value, device: &Value, failures: &mut Vec<String>) {
    match (service, device) {
        (Value::Object(members), Value::Object(found)) => {
            for (name, value) in members {
                differ(&format!("{place}/{name}"), value, found.get(name).unwrap_or(&Value::Null), failures);
            }
        }
        (Value::Array(items), Value::Array(found)) if items.len() == found.len() => {
            for (n, (item, found)) in items.iter().zip(found).enumerate() {
                differ(&format!("{place}/{n}"), item, found, failures);
            }
        }
        _ if service == device => {}
        _ => failures.push(format!("{place}: the service says {service}, the device {device}")),
    }
}
