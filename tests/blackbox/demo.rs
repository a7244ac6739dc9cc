//! The demonstration fleet, as a newcomer starts it, with the traps that its files hold (deploy/demo/README.md).

use std::{
    collections::{BTreeMap, BTreeSet},
    path::Path,
};

use blackbox::{
    Backend, Client, Database, Service, none_failed, on_both,
    service::{command, in_folder, is_clean, root},
    world::{ROLES, id_of, new_id},
};
use serde_json::{Value, json};

on_both!(the_fleet_and_its_traps);

fn start(database: &Database) -> Service {
    let folder = in_folder(database, "demo");
    Service::serving(&mut command(&["demo", "--folder", &folder, "--database-url", database.url()]))
}

fn tokens(database: &Database) -> BTreeMap<String, String> {
    let text = std::fs::read_to_string(Path::new(&in_folder(database, "demo")).join("tokens.json")).unwrap();
    let tokens: Value = serde_json::from_str(&text).unwrap();
    tokens
        .as_object()
        .unwrap()
        .iter()
        .map(|(role, t)| (role.clone(), t.as_str().unwrap().to_owned()))
        .collect()
}

/// A unit of the fleet: what is due on it, by task.
struct Unit {
    id: String,
    due: Value,
}

impl Unit {
    fn find(client: &Client, label: &str) -> Self {
        let units = client.all("/v1/units", 500);
        let unit = units.iter().find(|unit| unit["label"] == label).unwrap_or_else(|| panic!("no {label}"));
        let id = unit["id"].as_str().unwrap().to_owned();
        let due = client.get(&format!("/v1/units/{id}/due?include=trace")).expect(200).json();
        Self { id, due }
    }

    fn item(&self, task: &str) -> &Value {
        let items = self.due["items"].as_array().unwrap();
        items.iter().find(|item| item["task"] == task).unwrap_or_else(|| panic!("no {task}: {}", self.due))
    }
}

fn the_fleet_and_its_traps(backend: Backend) {
    let database = Database::new(backend);
    let mut service = start(&database);
    let said = service.said().join("\n");
    assert!(said.contains("Imported 12 sites, 61 units,"), "{said}");
    let tokens = tokens(&database);
    assert_eq!(tokens.len(), ROLES.len(), "{:?}", tokens.keys());
    for role in ROLES {
        service.client(&tokens[*role]).get("/v1/schedules").expect(200);
        assert!(said.contains(&tokens[*role]), "the token of {role} is printed");
    }
    let client = service.client(&tokens["coordinator"]);
    let zones: BTreeSet<String> =
        client.all("/v1/sites", 500).iter().map(|site| site["zone"].to_string()).collect();
    assert_eq!((client.all("/v1/units", 7).len(), zones.len()), (61, 3));
    let mut failures = Vec::new();
    traps(&client, &mut failures);
    worked_out(&client, &mut failures);
    none_failed(&failures);
    only_two_sites(&service.client(&tokens["technician"]));
    main_job(&client);
    let listed = due(&client);

    // Started again, it imports nothing and knows what was recorded.
    let events = database.log_rows();
    service.kill();
    let again = start(&database);
    let said = again.said().join("\n");
    assert!(said.contains("there already"), "{said}");
    assert_eq!(database.log_rows(), events);
    let client = again.client(&self::tokens(&database)["coordinator"]);
    assert_eq!(Unit::find(&client, "PS-03").item("oil_change")["state"], "ok");
    let changed: Vec<_> =
        due(&client).into_iter().zip(listed).filter(|(now, before)| now != before).collect();
    assert!(changed.is_empty(), "the same is due at the same time: {changed:?}");
    is_clean(&database);
}

/// What is due, without what merely grows with time.
fn due(client: &Client) -> Vec<Value> {
    let item = |item: Value| {
        json!([item["unit_label"], item["schedule_id"], item["task"], item["state"], item["due_at"]])
    };
    client.all("/v1/due", 500).into_iter().map(item).collect()
}

/// The technician of the demonstration looks after the fire station and the pump station, and sees nothing else.
fn only_two_sites(client: &Client) {
    let names = |path: &str, member: &str| {
        let items = client.all(path, 500);
        items.iter().map(|item| item[member].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>()
    };
    let sites = BTreeSet::from(["Lower Weir Pump Station", "Ridge Road Fire Station"].map(str::to_owned));
    assert_eq!(names("/v1/sites", "name"), sites);
    let units = ["FS-01", "FS-02", "FS-03", "FS-04", "PS-01", "PS-02", "PS-03"].map(str::to_owned);
    assert_eq!(names("/v1/units", "label"), BTreeSet::from(units.clone()));
    assert_eq!(names("/v1/due", "unit_label"), BTreeSet::from(units));
    // Another site's unit, and one that is not there: they look the same.
    for unit in [id_in_file("WY-01"), new_id()] {
        client.get(&format!("/v1/units/{unit}")).problem(404, "not_found");
        client.get(&format!("/v1/units/{unit}/due")).problem(404, "not_found");
        let reading = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-11-02T07:45:00-07:00", "meter_hours": 500});
        let refused = client.post("/v1/service-events", &reading);
        assert!((400..500).contains(&refused.status), "{unit}: {}", refused.text);
    }
}

/// A unit's id as the demonstration's file has it.
fn id_in_file(label: &str) -> String {
    let text = std::fs::read_to_string(root().join("deploy/demo/units.csv")).unwrap();
    let mut rows = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
    let headings = rows.next().unwrap();
    let at = |heading: &str| headings.iter().position(|found| *found == heading).unwrap();
    rows.find(|row| row[at("label")] == label).unwrap()[at("id")].to_owned()
}

/// What was worked out by hand for the sets of the demonstration, held against the service.
fn worked_out(client: &Client, failures: &mut Vec<String>) {
    let text = std::fs::read_to_string(root().join("tests/vectors/tarn-valley.json")).unwrap();
    let table: Value = serde_json::from_str(&text).unwrap();
    let rows = table["rows"].as_array().unwrap();
    assert!(rows.len() > 50, "the table has only {} rows", rows.len());
    let units = client.all("/v1/units", 500);
    let quality = client.all("/v1/data-quality", 500);
    for row in rows {
        let unit = units.iter().find(|unit| unit["label"] == row["unit"]).unwrap_or_else(|| panic!("{row}"));
        let answer = answer(client, row, &id_of(unit), &quality);
        for (pointer, expected) in row["expect"].as_object().unwrap() {
            let found = answer.pointer(pointer).unwrap_or(&Value::Null);
            if found != expected {
                let (unit, what, source) = (&row["unit"], &row["what"], &row["source"]);
                failures.push(format!("{unit}: {what} ({source}): {pointer} is {found}, not {expected}"));
            }
        }
    }
}

/// What the service says to one row of the table.
fn answer(client: &Client, row: &Value, unit: &str, quality: &[Value]) -> Value {
    let ask = row["ask"].as_str().unwrap();
    if ask == "quality" {
        return quality
            .iter()
            .filter(|line| line["unit_id"] == unit)
            .map(|line| line["code"].clone())
            .collect();
    }
    let at = row["at"].as_str().map_or_else(String::new, |at| format!("?valid_at={at}"));
    let whole = client.get(&format!("/v1/units/{unit}/{ask}{at}")).expect(200).json();
    match row["task"].as_str() {
        None => whole,
        Some(task) => {
            let mut items = whole["items"].as_array().unwrap().iter().filter(|item| item["task"] == task);
            let item = items.next().unwrap_or_else(|| panic!("no {task}: {row}"));
            assert!(items.next().is_none(), "{task} stands twice: {row}");
            item.clone()
        }
    }
}

/// Each trap of the demonstration data and what is right about it.
fn traps(client: &Client, failures: &mut Vec<String>) {
    let mut check = |what: &str, found: &Value, expected: Value| {
        if *found != expected {
            failures.push(format!("{what}: expected {expected}, got {found}"));
        }
    };
    let overdue = client.all("/v1/due?state=overdue", 500);
    check("something is overdue", &json!(overdue.is_empty()), json!(false));

    let misread = Unit::find(client, "WY-01");
    let set_aside = misread.due["set_aside"].as_array().unwrap();
    check("one reading of WY-01 is set aside", &json!(set_aside.len()), json!(1));
    check("as it was read", &set_aside[0]["meter_hours"], json!(4231.7));
    check("with what was meant", &set_aside[0]["suggested_meter_hours"], json!(423.2));
    let jumped = misread.due["engine_hours"]["upper_hours"].as_f64().unwrap() > 2000.0;
    check("hours do not jump", &json!(jumped), json!(false));

    let unknown = Unit::find(client, "FS-04");
    for item in unknown.due["items"].as_array().unwrap() {
        check(
            "FS-04 has no history",
            &json!([item["state"], item["reason"]]),
            json!(["unknown", "no_history"]),
        );
    }
    check(
        "FS-04 follows schedules",
        &json!(unknown.due["items"].as_array().unwrap().is_empty()),
        json!(false),
    );
    let listed: Vec<Value> = client.all(&format!("/v1/due?unit={}&state=unknown", unknown.id), 500);
    check("all of it is listed", &json!(listed.len()), json!(unknown.due["items"].as_array().unwrap().len()));

    let backdated = Unit::find(client, "FS-02");
    let oil = backdated.item("oil_change");
    check(
        "FS-02's oil counts from the day it was changed",
        &oil["calendar"]["anchor_date"],
        json!("2026-05-12"),
    );
    check("and is due half a year later", &oil["calendar"]["limit_date"], json!("2026-11-12"));
    check("so it is coming due, not overdue", &oil["state"], json!("coming_due"));

    let swapped = Unit::find(client, "PS-03");
    let oil = swapped.item("oil_change");
    check("PS-03's hours run on over the swap", &oil["hours"]["limit_hours"], json!(508.7));
    check("its limit on the new meter", &oil["hours"]["limit_meter_hours"], json!(101.8));
    check("its oil is overdue", &json!([oil["state"], oil["governing"]]), json!(["overdue", "hours"]));

    let voided = Unit::find(client, "WY-02");
    for task in ["oil_change", "plug_inspect"] {
        if voided.due["items"].as_array().unwrap().iter().any(|item| item["task"] == task) {
            check("WY-02 falls back", &voided.item(task)["calendar"]["anchor_date"], json!("2025-12-09"));
            check("and is overdue", &voided.item(task)["state"], json!("overdue"));
        }
    }
    let stale = Unit::find(client, "WY-03");
    let oil = stale.item("oil_change");
    check(
        "WY-03 was not read for long",
        &json!([oil["state"], oil["reason"]]),
        json!(["unknown", "possibly_due"]),
    );
    let used = Unit::find(client, "SH-02");
    let hours = used.due["engine_hours"]["lower_hours"].as_f64().unwrap();
    check("SH-02's engine is older than its meter", &json!(hours >= 655.0), json!(true));
}

/// What the README's tour does: the oil of PS-03.
fn main_job(client: &Client) {
    let unit = Unit::find(client, "PS-03");
    for item in unit.due["items"].as_array().unwrap() {
        assert!(item["trace"].as_array().is_some_and(|trace| !trace.is_empty()), "{item}");
    }
    let service = json!({"kind": "service", "unit_id": unit.id, "occurred_at": "2026-11-02T07:45:00-07:00",
        "jobs": [{"job": "oil_change"}], "meter_hours": 109.4});
    let done = client.post("/v1/service-events", &service).expect(201).json();
    assert_eq!(done["warnings"], json!([]));
    let oil = Unit::find(client, "PS-03");
    assert_eq!(oil.item("oil_change")["state"], "ok");
    assert_eq!(oil.item("oil_change")["hours"]["limit_meter_hours"], 209.4);
}
