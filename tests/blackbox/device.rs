//! A device that has what the feed tells gives the answers that the service gives (`libs/device`).

use std::path::Path;

use blackbox::{
    Backend, Client, Database, Service, World, none_failed, on_both,
    service::{command, in_folder},
};
use serde_json::{Value, json};

use crate::oracle;

on_both!(the_fleet_is_answered_alike, random_histories_are_answered_alike);

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

/// Asks the service all about every unit and site, and the library the same at the same instants; says how many answers.
fn compare(client: &Client, failures: &mut Vec<String>) -> usize {
    let (records, retired) = (told(client), retired(client));
    let (mut paths, mut asked, mut answered) = (Vec::new(), Vec::new(), Vec::new());
    for record in &records {
        let (Some(kind), Some(id)) = (record["kind"].as_str(), record["id"].as_str()) else { continue };
        for (question, path) in questions(kind, id) {
            let mut answer = client.get(&path).expect(200).json();
            if let Some(clear) = answer["clear"].as_u64() {
                answer["clear"] =
                    json!(clear - retired.iter().filter(|site| *site == id).map(|_| 1).sum::<u64>());
            }
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

/// The site of each unit that is retired: the service has it among those with nothing to do, and a first fill leaves it out.
fn retired(client: &Client) -> Vec<String> {
    let units = client.all("/v1/units", 500);
    let due = |unit: &Value| format!("/v1/units/{}/due", unit["id"].as_str().unwrap());
    let standing = units
        .iter()
        .filter(|unit| unit["retired"] == true)
        .map(|unit| client.get(&due(unit)).expect(200).json());
    standing.map(|due| due["standing_site_id"].as_str().unwrap().to_owned()).collect()
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
