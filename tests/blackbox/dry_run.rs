//! A dry run answers as the real request would, and leaves no trace.

use std::collections::BTreeSet;

use blackbox::{
    Backend, Client, Database, Reply, World, none_failed, on_both,
    world::{edition, new_id},
};
use serde_json::{Value, json};

on_both!(
    a_dry_run_tells_what_would_be_due,
    the_real_one_answers_the_same_afterwards,
    it_fails_as_the_real_one_would,
    a_batch_is_judged_as_a_whole,
    the_parameter_is_true_or_false,
);

/// Everything that is stored, beside a copy of how it was.
struct Stored<'d> {
    database: &'d Database,
    tables: BTreeSet<String>,
}

impl<'d> Stored<'d> {
    /// Every table there is; nothing is copied yet.
    fn of(database: &'d Database) -> Self {
        let column = |line: String| Some(line.strip_prefix("column ")?.split_once('.')?.0.to_owned());
        let tables: BTreeSet<_> =
            store::schema_dump(&database.address()).unwrap().into_iter().filter_map(column).collect();
        assert!(tables.len() > 15, "{tables:?}");
        if database.backend() == Backend::Postgres {
            database.sql("CREATE SCHEMA copies");
        }
        Self { database, tables }
    }

    /// On PostgreSQL copies stand apart from the tables behind the fence.
    fn copy(&self, table: &str) -> String {
        match self.database.backend() {
            Backend::Sqlite => format!("spare_{table}"),
            Backend::Postgres => format!("copies.{table}"),
        }
    }

    fn keep(&self) {
        for (table, copy) in self.tables.iter().map(|table| (table, self.copy(table))) {
            self.database.sql(&format!("DROP TABLE IF EXISTS {copy}"));
            self.database.sql(&format!("CREATE TABLE {copy} AS SELECT * FROM {table}"));
        }
    }

    /// The tables of which any row is another than it was.
    fn changed(&self) -> Vec<&str> {
        let differs = |table: &&str| {
            let copy = self.copy(table);
            let without =
                |a: &str, b: &str| format!("SELECT * FROM (SELECT * FROM {a} EXCEPT SELECT * FROM {b}) x");
            let either = [without(table, &copy), without(&copy, table)].join(" UNION ALL ");
            self.database.number(&format!("SELECT count(*) AS n FROM ({either}) y")) > 0
        };
        self.tables.iter().map(String::as_str).filter(differs).collect()
    }
}

fn with_parameter(path: &str, parameter: &str) -> String {
    format!("{path}{}{parameter}", if path.contains('?') { '&' } else { '?' })
}

/// A request that writes.
struct Case {
    name: &'static str,
    path: String,
    /// The tag that a PATCH is made from.
    etag: Option<String>,
    body: Value,
}

impl Case {
    fn send(&self, client: &Client, parameter: &str) -> Reply {
        let path =
            if parameter.is_empty() { self.path.clone() } else { with_parameter(&self.path, parameter) };
        match &self.etag {
            Some(etag) => client.patch(&path, etag, &self.body),
            None => client.post(&path, &self.body),
        }
    }
}

fn post(name: &'static str, path: &str, body: Value) -> Case {
    Case { name, path: path.to_owned(), etag: None, body }
}

fn without_time(mut value: Value) -> Value {
    if let Some(members) = value.as_object_mut() {
        members.remove("recorded_at");
        // What would change is told of what has not happened only.
        members.remove("would_change");
    }
    value
}

fn the_real_one_answers_the_same_afterwards(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let mut second = edition();
    second["id"] = json!(new_id());
    second["tasks"][0]["job"] = json!("a_job_that_nobody_names_yet");
    let site = format!("/v1/sites/{}", town.sites[0]);
    let (unit_path, schedule) = (format!("/v1/units/{unit}"), format!("/v1/schedules/{}", town.schedule));
    let patch = |name, path: &str, body| Case {
        name,
        path: path.to_owned(),
        etag: Some(client.get(path).expect(200).etag()),
        body,
    };
    let event = |name, mut body: Value| {
        body["id"] = json!(new_id());
        body["unit_id"] = json!(unit);
        body["occurred_at"] = json!("2026-06-14T12:00:00Z");
        post(name, "/v1/service-events", body)
    };
    let mut for_model = town.adoption();
    for (member, value) in [("maker", json!("Alder")), ("model", json!("P7")), ("id", json!(new_id()))] {
        for_model[member] = value;
    }
    for_model["occurred_at"] = json!("2026-06-14T12:00:00Z");
    let cases = [
        post(
            "a site",
            "/v1/sites",
            json!({"id": new_id(), "name": "Yard", "zone": "UTC", "note": "the gate sticks"}),
        ),
        post(
            "a unit",
            "/v1/units",
            json!({"id": new_id(), "label": "FS-2", "home_site_id": town.sites[0], "fuel": "dual"}),
        ),
        post(
            "a schedule",
            "/v1/schedules",
            json!({"id": new_id(), "title": "T", "publisher": "P", "basis": "maker"}),
        ),
        post("an edition", &format!("{schedule}/editions"), second),
        patch("a site's zone", &site, json!({"zone": "America/Chicago", "note": "round the back"})),
        patch("a unit's home", &unit_path, json!({"home_site_id": town.sites[1]})),
        patch("a schedule's title", &schedule, json!({"title": "Small sets"})),
        event("a reading", json!({"kind": "reading", "meter_hours": 5.0, "note": "in the rain"})),
        event("a service", json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 6.0})),
        event("a placement", json!({"kind": "placement", "site_id": town.sites[1]})),
        post("an adoption for a model", "/v1/service-events", for_model),
    ];
    let stored = Stored::of(&world.database);
    let mut failures = Vec::new();
    for case in &cases {
        stored.keep();
        let dry = case.send(client, "dry_run=true");
        let dry_again = case.send(client, "dry_run=true");
        let mut fail = |what: String| failures.push(format!("{}: {what}", case.name));
        if !stored.changed().is_empty() {
            fail(format!("it changed {:?}", stored.changed()));
        }
        if (dry.status, dry_again.status, dry.header("keepstart-dry-run")) != (200, 200, "applied") {
            fail(format!("{} {:?} {}", dry.status, dry.headers, dry.text));
        }
        if !dry.header("location").is_empty() || !dry.header("etag").is_empty() {
            fail(format!("something that was not written has an address or a tag: {:?}", dry.headers));
        }
        let not_asked = case.send(client, "dry_run=false");
        let expected = if case.etag.is_some() { 200 } else { 201 };
        if not_asked.status != expected || !not_asked.header("keepstart-dry-run").is_empty() {
            fail(format!("the real one: {} {}", not_asked.status, not_asked.text));
        }
        if stored.changed().is_empty() {
            fail("the real one changed nothing".to_owned());
        }
        if without_time(not_asked.json()) != without_time(dry.json()) {
            fail(format!("{} was foretold, {} came", dry.text, not_asked.text));
        }
        if case.etag.is_none() {
            let repeat = case.send(client, "dry_run=true");
            if (repeat.status, repeat.header("keepstart-dry-run")) != (200, "already_applied")
                || repeat.json() != not_asked.json()
            {
                fail(format!("a dry run of the repeat: {} {}", repeat.status, repeat.text));
            }
        }
    }
    // A slipped decimal point is found before it is recorded.
    let mut slipped = event("a slip", json!({"kind": "reading", "meter_hours": 64.0}));
    slipped.body["occurred_at"] = json!("2026-06-15T11:00:00Z");
    let warned = slipped.send(client, "dry_run=true").expect(200).json();
    assert_eq!(warned["warnings"][0]["code"], "reading_set_aside", "{warned}");
    assert_eq!(warned["warnings"][0]["suggested_meter_hours"].as_f64(), Some(6.4), "{warned}");
    none_failed(&failures);
}

fn it_fails_as_the_real_one_would(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let site = format!("/v1/sites/{}", town.sites[0]);
    let stale = client.get(&site).expect(200).etag();
    client.patch(&site, &stale, &json!({"note": "new"})).expect(200);
    let known = town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5.0}));
    let reading = |id: &Value, hours: f64| json!({"id": id, "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": hours});
    let stale = Case { name: "stale", path: site.clone(), etag: Some(stale), body: json!({"note": "newer"}) };
    let cases = [
        (client, stale, 412),
        (client, post("an id used before", "/v1/service-events", reading(&known["id"], 6.0)), 409),
        (
            client,
            post(
                "a site that is there",
                "/v1/sites",
                json!({"id": town.sites[0], "name": "N", "zone": "UTC"}),
            ),
            409,
        ),
        (client, post("wrong members", "/v1/service-events", reading(&json!(new_id()), -1.0)), 400),
        (
            client,
            post(
                "an unknown site",
                "/v1/units",
                json!({"label": "A", "home_site_id": new_id(), "fuel": "dual"}),
            ),
            400,
        ),
        (
            &town.clients["viewer"],
            post("not for a viewer", "/v1/sites", json!({"name": "N", "zone": "UTC"})),
            403,
        ),
        (
            client,
            post("an unknown schedule", &format!("/v1/schedules/{}/editions", new_id()), edition()),
            404,
        ),
    ];
    let stored = Stored::of(&world.database);
    let mut failures = Vec::new();
    for (client, case, status) in &cases {
        stored.keep();
        let dry = case.send(client, "dry_run=true");
        let by_dry = stored.changed();
        let real = case.send(client, "");
        // A refused write may leave a lock behind; a dry run never.
        let by_real: Vec<_> = stored.changed().into_iter().filter(|table| *table != "record_lock").collect();
        if !by_dry.is_empty() || !by_real.is_empty() {
            failures.push(format!("{}: changed {by_dry:?}, then {by_real:?}", case.name));
        }
        let plain = |reply: &Reply| {
            let mut problem = reply.json();
            problem.as_object_mut().unwrap().remove("instance");
            problem
        };
        if (dry.status, real.status) != (*status, *status) || plain(&dry) != plain(&real) {
            failures.push(format!(
                "{}: {} {} and {} {}",
                case.name, dry.status, dry.text, real.status, real.text
            ));
        }
    }
    let headers = [("content-type", "application/merge-patch+json")];
    let body = json!({"note": "x"}).to_string();
    client
        .send("PATCH", &with_parameter(&site, "dry_run=true"), &headers, Some(body.as_bytes()))
        .problem(428, "precondition_required");
    none_failed(&failures);
}

fn a_batch_is_judged_as_a_whole(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let reading = |hours: f64| json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": hours});
    let known = town.record(reading(5.0));
    let mut repeat = json!({});
    for member in ["id", "kind", "unit_id", "occurred_at", "meter_hours"] {
        repeat[member] = known[member].clone();
    }
    let first = reading(5.0);
    let correction = json!({"id": new_id(), "kind": "correction", "action": "void", "unit_id": unit, "occurred_at": "2026-06-01T13:00:00Z",
        "target_id": first["id"], "reason": "the wrong set"});
    let batch = json!({"events": [first, correction, repeat, reading(-1.0), reading(9000.0)]});
    let stored = Stored::of(&world.database);
    stored.keep();
    let dry = client.post("/v1/service-events/batch?dry_run=true", &batch).expect(207);
    assert_eq!(stored.changed(), Vec::<&str>::new());
    assert_eq!(dry.header("keepstart-dry-run"), "results");
    let real = client.post("/v1/service-events/batch", &batch).expect(207);
    assert_eq!(real.header("keepstart-dry-run"), "");
    let plain = |reply: &Reply| -> Vec<Value> {
        let results = reply.json()["results"].as_array().unwrap().clone();
        results
            .into_iter()
            .map(|mut result| {
                if let Some(event) = result.get_mut("event") {
                    *event = without_time(event.take());
                }
                result
            })
            .collect()
    };
    assert_eq!(plain(&dry), plain(&real));
    let words: Vec<Value> = plain(&real).iter().map(|result| result["result"].clone()).collect();
    assert_eq!(words, ["applied", "applied", "already_applied", "refused", "applied"]);
}

fn the_parameter_is_true_or_false(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let rows = world.database.log_rows();
    let site = json!({"name": "Yard", "zone": "UTC"});
    let paths = ["/v1/sites", "/v1/units", "/v1/schedules", "/v1/service-events", "/v1/service-events/batch"];
    for path in paths {
        for query in [
            "dry_run=yes",
            "dry_run=",
            "dry_run=True",
            "dry_run=1",
            "dry_run=true&dry_run=true",
            "dry-run=true",
        ] {
            let reply = client.post(&format!("{path}?{query}"), &site);
            reply.problem(400, "invalid_parameter");
            let name = query.split('=').next().unwrap();
            assert_eq!(reply.errors()[0].0, name, "{path}?{query}: {}", reply.text);
        }
    }
    // Reading has no dry run.
    client.get("/v1/sites?dry_run=true").problem(400, "invalid_parameter");
    assert_eq!(world.database.log_rows(), rows);
}

/// The due items of a unit by task, each with its state and when it is due.
fn items(client: &Client, unit: &str) -> std::collections::BTreeMap<String, Value> {
    let due = client.get(&format!("/v1/units/{unit}/due")).expect(200).json();
    let items = due["items"].as_array().unwrap().iter();
    items
        .map(|item| {
            let mut told = json!({"state": item["state"]});
            for name in ["reason", "due_at"] {
                if let Some(value) = item.get(name) {
                    told[name] = value.clone();
                }
            }
            (item["task"].as_str().unwrap().to_owned(), told)
        })
        .collect()
}

fn a_dry_run_tells_what_would_be_due(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let client = town.coordinator();
    let service = json!({"id": new_id(), "kind": "service", "unit_id": unit, "jobs": [{"job": "oil_change"}],
        "meter_hours": 12, "occurred_at": "2026-06-14T12:00:00Z"});
    let before = items(client, &unit);
    let dry = client.post("/v1/service-events?dry_run=true", &service).expect(200).json();
    let batch =
        client.post("/v1/service-events/batch?dry_run=true", &json!({"events": [service]})).expect(207);
    assert_eq!(batch.json()["would_change"], dry["would_change"]);
    assert_eq!(items(client, &unit), before, "nothing is recorded");
    let real = client.post("/v1/service-events", &service).expect(201).json();
    assert_eq!(real.get("would_change"), None, "{real}");
    let after = items(client, &unit);
    let foretold = dry["would_change"].as_array().unwrap();
    let changed: Vec<&String> =
        after.keys().filter(|task| before[*task]["state"] != after[*task]["state"]).collect();
    assert!(changed.contains(&&"oil_change".to_owned()), "{before:?} {after:?}");
    for task in changed {
        let told = foretold.iter().find(|change| change["task"] == task.as_str());
        let told = told.unwrap_or_else(|| panic!("{task} was not foretold: {dry}"));
        assert_eq!((&told["before"], &told["after"]), (&before[task], &after[task]), "{task}");
    }
}
