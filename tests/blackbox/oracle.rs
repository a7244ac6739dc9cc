//! Random histories, recorded over HTTP as people would, and what is due then held against the independent oracle
//! (`tests/oracle`).
//!
//! They are those checked in with the oracle's answers; `KEEPSTART_ORACLE_CASES` names another file, one case a line.

use std::path::PathBuf;

use blackbox::{Backend, Client, World, none_failed, on_both, service::root, world::new_id};
use model::{Hours, json};
use serde_json::{Value, json};

on_both!(what_is_due_over_http_is_what_the_oracle_says);

/// Histories for each database; PostgreSQL makes the same answers of the same library.
const fn histories(backend: Backend) -> usize {
    match backend {
        Backend::Sqlite => 500,
        Backend::Postgres => 100,
    }
}

/// After everything that happens in a history.
pub(super) const CLOCK: &str = "2026-06-10T12:00:00Z";

/// Histories that the service may refuse a part of, in a hundred.
const REFUSED_MOST: usize = 5;

fn what_is_due_over_http_is_what_the_oracle_says(backend: Backend) {
    let world = World::at(backend, CLOCK);
    let cases = cases();
    let cases: Vec<&Value> = cases.iter().take(histories(backend)).collect();
    let (mut failures, mut refused) = (Vec::new(), Vec::new());
    for case in &cases {
        let (organization, people) = world.organization();
        let client = world.client(organization, people["coordinator"]);
        let person = people["coordinator"].to_string();
        match record(&client, case, &person) {
            Err(why) => refused.push(format!("{}: {why}", case["case"])),
            Ok(()) => compare(case, &due(&client, case), &mut failures),
        }
    }
    assert!(
        refused.len() * 100 <= cases.len() * REFUSED_MOST,
        "{} of {} were not taken:\n{}",
        refused.len(),
        cases.len(),
        refused.join("\n")
    );
    none_failed(&failures);
}

pub(super) fn cases() -> Vec<Value> {
    let text = |path: PathBuf| {
        std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
    };
    if let Some(path) = std::env::var_os("KEEPSTART_ORACLE_CASES") {
        return text(path.into()).lines().map(|line| json::parse(line.as_bytes()).unwrap()).collect();
    }
    let checked_in = ["wide.json", "cases.json"].map(|name| text(root().join("tests/oracle").join(name)));
    checked_in
        .iter()
        .flat_map(|text| list(&json::parse(text.as_bytes()).unwrap()["cases"]).to_vec())
        .collect()
}

/// Makes the sites, schedules and units of a case, and records its events in batches.
pub(super) fn record(client: &Client, case: &Value, person: &str) -> Result<(), String> {
    for site in list(&case["sites"]) {
        made(client, "/v1/sites", &with(site, &[("name", json!(site["id"]))]))?;
    }
    let mut schedules: Vec<&Value> = Vec::new();
    for edition in list(&case["editions"]) {
        let schedule = &edition["schedule_id"];
        if !schedules.contains(&schedule) {
            schedules.push(schedule);
            let fields = json!({"id": schedule, "title": "S", "publisher": "P", "basis": "maker"});
            made(client, "/v1/schedules", &fields)?;
        }
        let path = format!("/v1/schedules/{}/editions", schedule.as_str().unwrap());
        made(client, &path, &without(edition, &["schedule_id"]))?;
    }
    known_jobs(client, case)?;
    made(client, "/v1/units", &case["unit"])?;
    for unit in others(case) {
        let fields = json!({"id": unit, "label": new_id(), "home_site_id": case["unit"]["home_site_id"], "fuel": "petrol"});
        made(client, "/v1/units", &fields)?;
    }
    let mut events = events(case);
    for event in events.iter_mut().filter(|event| event.get("authorised_by").is_some()) {
        event["authorised_by"] = json!(person);
    }
    for event in events.iter_mut().filter(|event| event.get("by").is_some()) {
        event["by"] = json!(person);
    }
    for some in events.chunks(50) {
        let reply = client.post("/v1/service-events/batch", &json!({"events": some}));
        let results = reply.json()["results"].clone();
        if let Some(result) = list(&results).iter().find(|result| result["result"] != "applied") {
            return Err(format!("{result}"));
        }
    }
    Ok(())
}

/// A schedule that nobody adopts, for the jobs that no edition of the case names.
fn known_jobs(client: &Client, case: &Value) -> Result<(), String> {
    let events = list(&case["events"]);
    let mut jobs: Vec<&str> =
        events.iter().flat_map(|event| list(&event["jobs"])).filter_map(|job| job["job"].as_str()).collect();
    jobs.sort_unstable();
    jobs.dedup();
    if jobs.is_empty() {
        return Ok(());
    }
    let schedule = new_id();
    made(
        client,
        "/v1/schedules",
        &json!({"id": schedule, "title": "J", "publisher": "P", "basis": "maker"}),
    )?;
    let tasks: Vec<Value> = jobs
        .iter()
        .map(|job| json!({"task": job, "job": job, "title": job, "limits": {"months": 1}}))
        .collect();
    let edition =
        json!({"edition": "J", "effective_from": "2000-01-01", "source": "invented", "tasks": tasks});
    made(client, &format!("/v1/schedules/{schedule}/editions"), &edition)
}

/// The events in an order in which they can be recorded, each correction with the unit of what it corrects. One of
/// another correction means nothing, and the service takes none.
fn events(case: &Value) -> Vec<Value> {
    let all = list(&case["events"]);
    let target = |event: &Value| all.iter().find(|other| other["id"] == event["target_id"]);
    let mut events: Vec<Value> = all
        .iter()
        .filter(|event| target(event).is_none_or(|target| target["kind"] != "correction"))
        .map(|event| {
            target(event)
                .map_or(event.clone(), |target| with(event, &[("unit_id", target["unit_id"].clone())]))
        })
        .collect();
    events.sort_by_key(rank);
    events
}

/// What is spoken of by others comes before them.
fn rank(event: &Value) -> u8 {
    match (event["kind"].as_str().unwrap(), event["phase"].as_str(), event["action"].as_str()) {
        ("correction", ..) => 2,
        (_, Some("stop"), _) | (_, _, Some("removed")) => 1,
        _ => 0,
    }
}

/// Units that events speak of beside the one that is asked about.
fn others(case: &Value) -> Vec<&str> {
    let events = list(&case["events"]);
    let members = ["unit_id", "to_unit_id", "other_unit_id"];
    let named = events.iter().flat_map(|event| members.map(|member| event[member].as_str()));
    let mut units: Vec<&str> = named.flatten().filter(|unit| case["unit"]["id"] != *unit).collect();
    units.sort_unstable();
    units.dedup();
    units
}

fn made(client: &Client, path: &str, body: &Value) -> Result<(), String> {
    let reply = client.post(path, body);
    if reply.status == 201 { Ok(()) } else { Err(format!("{path}: {}", reply.text)) }
}

fn due(client: &Client, case: &Value) -> Value {
    let (unit, at) = (case["unit"]["id"].as_str().unwrap(), case["at"].as_str().unwrap());
    client.get(&format!("/v1/units/{unit}/due?valid_at={at}")).expect(200).json()
}

/// Compares what both tell; hours as they are shown.
fn compare(case: &Value, found: &Value, failures: &mut Vec<String>) {
    let answer = &case["answer"];
    let mut differ = |place: String, oracle: Value, service: &Value| {
        if &oracle != service {
            failures
                .push(format!("{}: {place}: the oracle says {oracle}, the service {service}", case["case"]));
        }
    };
    for bound in ["lower", "nominal", "upper"] {
        let (oracle, service) =
            (&answer["engine_hours"][bound], &found["engine_hours"][format!("{bound}_hours")]);
        differ(bound.to_owned(), shown(oracle), service);
    }
    differ("grade".to_owned(), answer["engine_hours"]["grade"].clone(), &found["engine_hours"]["grade"]);
    let mut aside: Vec<&Value> =
        list(&found["set_aside"]).iter().map(|reading| &reading["event_id"]).collect();
    aside.sort_by_key(|id| id.as_str());
    differ("set_aside".to_owned(), answer["set_aside"].clone(), &json!(aside));
    let (oracle, service) = (list(&answer["items"]), list(&found["items"]));
    differ("items".to_owned(), json!(oracle.len()), &json!(service.len()));
    for (oracle, service) in oracle.iter().zip(service) {
        let task = oracle["task"].as_str().unwrap();
        for member in ["schedule_id", "task", "state", "reason"] {
            differ(format!("{task}/{member}"), oracle[member].clone(), &service[member]);
        }
        differ(
            format!("{task}/limit_hours"),
            shown(&oracle["hours_limit"][1]),
            &service["hours"]["limit_hours"],
        );
        // The older of the cases checked in do not tell it.
        if let Some(left) = oracle.get("hours_left") {
            differ(format!("{task}/left_hours"), shown(left), &service["hours"]["left_hours"]);
        }
        differ(
            format!("{task}/limit_date"),
            oracle["date_limit"].clone(),
            &service["calendar"]["limit_date"],
        );
        differ(format!("{task}/left_days"), oracle["days_left"].clone(), &service["calendar"]["left_days"]);
    }
}

/// Whole seconds as the service shows hours.
fn shown(seconds: &Value) -> Value {
    seconds.as_i64().map_or(Value::Null, |seconds| json!(Hours::from_seconds(seconds)))
}

fn with(value: &Value, members: &[(&str, Value)]) -> Value {
    let mut fields = value.as_object().unwrap().clone();
    fields.extend(members.iter().map(|(name, value)| ((*name).to_owned(), value.clone())));
    Value::Object(fields)
}

fn without(value: &Value, names: &[&str]) -> Value {
    let mut fields = value.as_object().unwrap().clone();
    fields.retain(|name, _| !names.contains(&name.as_str()));
    Value::Object(fields)
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
