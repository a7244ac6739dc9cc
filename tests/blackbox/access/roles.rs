//! Every operation of the description by every role.

use std::collections::BTreeSet;

use blackbox::{
    Backend, Client, Reply, Town, World, none_failed, on_both,
    world::{description, edition, id_of, new_id},
};
use serde_json::{Value, json};

use crate::{blobs, imports};

on_both!(every_operation_by_every_role, every_operation_without_a_token);

/// The columns of [`TABLE`].
const ROLES: [&str; 8] =
    ["viewer", "custodian", "technician", "coordinator", "planner", "auditor", "integrator", "admin"];

const READ: [u16; 8] = [200; 8];

/// Operation, what it is asked to do, and the status for each role with a grant on all sites.
#[rustfmt::skip]
const TABLE: &[(&str, &str, [u16; 8])] = &[
    //                                              viewer
    //                                              |    custodian
    //                                              |    |    technician
    //                                              |    |    |    coordinator
    //                                              |    |    |    |    planner
    //                                              |    |    |    |    |    auditor
    //                                              |    |    |    |    |    |    integrator
    //                                              |    |    |    |    |    |    |    admin
    ("list_sites", "",                             READ),
    ("read_site", "",                              READ),
    ("create_site", "",                            [403, 403, 403, 201, 403, 403, 201, 201]),
    ("change_site", "",                            [403, 403, 403, 200, 403, 403, 200, 403]),
    ("list_units", "",                             READ),
    ("read_unit", "",                              READ),
    ("create_unit", "",                            [403, 403, 403, 201, 403, 403, 201, 403]),
    ("change_unit", "",                            [403, 403, 403, 200, 403, 403, 200, 403]),
    ("read_unit_due", "",                          READ),
    ("read_unit_hours", "",                        READ),
    ("read_engine_class", "",                      READ),
    ("read_unit_readiness", "",                    READ),
    ("read_site_readiness", "",                    READ),
    ("read_unit_fuel", "",                         READ),
    ("read_unit_battery", "",                      READ),
    ("read_unit_tests", "",                        READ),
    ("read_hours_ledger", "",                      READ),
    ("read_residence", "",                         READ),
    ("read_survival", "",                          READ),
    ("check_load", "",                             READ),
    ("check_fuel_storage", "",                     READ),
    ("run_unit_through", "",                       READ),
    ("run_site_through", "",                       READ),
    ("run_fleet_through", "",                      READ),
    ("triage_endurance", "",                       READ),
    ("list_while_here", "",                        READ),
    ("list_data_quality", "",                      READ),
    ("list_readiness", "",                         READ),
    ("list_site_readiness", "",                    READ),
    ("list_policy_packs", "",                      READ),
    ("list_due", "",                               READ),
    ("list_due_changes", "",                       READ),
    ("summarize_due_by_site", "",                  READ),
    ("list_changes", "",                           READ),
    ("follow_changes", "",                         READ),
    ("list_fingerprints", "",                      READ),
    ("list_fingerprint_records", "",               READ),
    ("list_schedules", "",                         READ),
    ("read_schedule", "",                          READ),
    ("create_schedule", "",                        [403, 403, 403, 201, 403, 403, 403, 403]),
    ("change_schedule", "",                        [403, 403, 403, 200, 403, 403, 403, 403]),
    ("list_editions", "",                          READ),
    ("read_edition", "",                           READ),
    ("create_edition", "",                         [403, 403, 403, 201, 403, 403, 403, 403]),
    ("list_service_events", "",                    READ),
    ("read_service_event", "",                     READ),
    ("read_bundle", "",                            READ),
    ("read_limits", "",                            READ),
    // Whoever may record any kind of event may send what it names.
    ("send_blob", "",                              [403, 201, 201, 201, 201, 403, 403, 403]),
    ("read_blob", "",                              READ),
    // A batch is judged item by item: that one is forbidden is told in its result.
    ("record_service_events", "reading",           [207; 8]),
    ("record_service_event", "commissioning",      [403, 403, 201, 201, 403, 403, 403, 403]),
    ("record_service_event", "reading",            [403, 201, 201, 201, 403, 403, 403, 403]),
    ("record_service_event", "service",            [403, 403, 201, 201, 403, 403, 403, 403]),
    ("record_service_event", "component",          [403, 403, 201, 201, 403, 403, 403, 403]),
    ("record_service_event", "placement",          [403, 403, 201, 201, 403, 403, 403, 403]),
    ("record_service_event", "adoption",           [403, 403, 403, 201, 403, 403, 403, 403]),
    ("record_service_event", "void of another's",  [403, 403, 403, 201, 403, 403, 403, 403]),
    ("record_service_event", "void of one's own",  [403, 201, 201, 201, 403, 403, 403, 403]),
    ("make_handset_code", "",                      [403, 403, 403, 201, 403, 403, 403, 201]),
    ("enrol_handset", "",                          [201; 8]),
    ("list_handsets", "",                          READ),
    // On this one the viewer has signed in; of others those who may not see all of them learn nothing.
    ("read_handset", "",                           [200, 404, 404, 200, 404, 404, 404, 200]),
    ("revoke_handset", "",                         [403, 404, 404, 200, 404, 404, 404, 200]),
    // The same of what it sent: the viewer sees their own, whoever reads what is held sees that of everybody.
    ("list_handset_edits", "",                     [200, 404, 404, 200, 200, 200, 404, 200]),
    ("list_held", "",                              [403, 403, 403, 200, 200, 200, 403, 200]),
    ("release_held", "",                           [403, 403, 403, 200, 403, 403, 403, 200]),
    ("refuse_held", "",                            [403, 403, 403, 200, 403, 403, 403, 200]),
    ("list_contested", "",                         READ),
    ("export_sites", "",                           READ),
    ("export_units", "",                           READ),
    ("export_service_events", "",                  READ),
    ("export_due", "",                             READ),
    ("list_imports", "",                           READ),
    ("create_import", "",                          [403, 403, 403, 201, 403, 403, 201, 403]),
    // These the coordinator has made; an admin sees them, and sends no file in the name of another one.
    ("send_import_file", "",                       [404, 404, 404, 202, 404, 404, 404, 403]),
    ("read_import", "",                            [404, 404, 404, 200, 404, 404, 404, 200]),
    ("list_import_rows", "",                       [404, 404, 404, 200, 404, 404, 404, 200]),
    ("apply_import", "",                           [404, 404, 404, 201, 404, 404, 404, 403]),
    ("cancel_import", "",                          [404, 404, 404, 200, 404, 404, 404, 200]),
    ("list_mail_lists", "",                        [403, 403, 403, 200, 403, 403, 403, 200]),
    ("create_mail_list", "",                       [403, 403, 403, 201, 403, 403, 403, 201]),
    ("read_mail_list", "",                         [404, 404, 404, 200, 404, 404, 404, 200]),
    ("change_mail_list", "",                       [403, 403, 403, 200, 403, 403, 403, 200]),
    ("list_recipients", "",                        [403, 403, 403, 200, 403, 403, 403, 200]),
    ("create_recipient", "",                       [403, 403, 403, 201, 403, 403, 403, 201]),
    ("read_recipient", "",                         [404, 404, 404, 200, 404, 404, 404, 200]),
    ("change_recipient", "",                       [403, 403, 403, 200, 403, 403, 403, 200]),
    ("list_incidents", "",                         READ),
    ("create_incident", "",                        [403, 403, 403, 201, 201, 403, 403, 201]),
    ("read_incident", "",                          READ),
    ("change_incident", "",                        [403, 403, 403, 200, 200, 403, 403, 200]),
    ("list_promises", "",                          READ),
    ("create_promise", "",                         [403, 403, 403, 201, 201, 403, 403, 201]),
    ("read_promise", "",                           READ),
    ("change_promise", "",                         [403, 403, 403, 200, 200, 403, 403, 200]),
    ("check_promises", "",                         READ),
    ("read_hours_pack", "",                        READ),
    ("export_hours_pack", "",                      READ),
    ("read_unit_fit", "",                          READ),
    ("list_acknowledgements", "",                  READ),
    ("acknowledge", "",                            [403, 403, 403, 200, 200, 403, 403, 403]),
    // Whoever syncs a handset has signed in on it; of each edit they are told by itself whether it is theirs to make.
    ("sync", "",                                   [200; 8]),
];

/// Operations that everybody may ask for.
const PUBLIC: &[&str] = &[
    "livez",
    "readyz",
    "read_docs",
    "read_docs_file",
    "read_openapi",
    "read_problem",
    "show_unsubscribe",
    "unsubscribe",
];

/// Method, path with places for ids, and name of every operation.
fn operations() -> Vec<(String, String, String)> {
    let mut found = Vec::new();
    for (path, methods) in description()["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            let name = operation["operationId"].as_str().unwrap().to_owned();
            found.push((method.to_uppercase(), path.clone(), name));
        }
    }
    found
}

/// What the requests are about.
struct Subject<'a> {
    town: &'a Town,
    unit: String,
    reading: String,
    handset: String,
    /// An edit to be released, and one to be refused.
    held: [String; 2],
    /// An import that waits for its file, one to be stopped, and a dry run that is done.
    imports: [String; 3],
    mail_list: String,
    recipient: String,
    incident: String,
    promise: String,
    /// A paper that an event of the unit names.
    paper: String,
    /// With which that recipient leaves the list.
    leaving: String,
}

impl<'a> Subject<'a> {
    fn new(world: &World, town: &'a Town) -> Self {
        let unit = town.unit_in_service("FS-1", 0);
        let reading =
            town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
        let handset = id_of(&town.handset(&town.clients["viewer"], "Van 2"));
        let held = [town.held(&unit), town.held(&unit)];
        let client = town.coordinator();
        let import = |dry: bool| json!({"id": new_id(), "mapping": {"records": "sites"}, "dry_run": dry});
        let made = [false, false, true].map(|dry| imports::made(client, import(dry)));
        imports::put(client, &made[2], b"name,zone\r\n", &[]).expect(202);
        imports::ended(client, &made[2]);
        let list = json!({"name": "Daily", "zone": "UTC", "sites": "all", "role": "viewer"});
        let mail_list = id_of(&client.post("/v1/mail-lists", &list).expect(201).json());
        let recipient = json!({"mail_list_id": mail_list, "address": "duty@tarn-valley.example"});
        let recipient = id_of(&client.post("/v1/recipients", &recipient).expect(201).json());
        let leaving = world.leaving(town.id, &recipient);
        let reading = id_of(&reading);
        let paper = blobs::named(town, &unit, &blobs::paper("seen"));
        let incident = id_of(&client.post("/v1/incidents", &crate::outages::incident()).expect(201).json());
        let promise = crate::outages::promise(&unit, &town.sites[1]);
        let promise = id_of(&client.post("/v1/promises", &promise).expect(201).json());
        let imports = made;
        Self {
            town,
            unit,
            reading,
            handset,
            held,
            imports,
            mail_list,
            recipient,
            incident,
            promise,
            paper,
            leaving,
        }
    }

    fn path(&self, template: &str) -> String {
        template
            .replace("{site_id}", &self.town.sites[0])
            .replace("{unit_id}", &self.unit)
            .replace("{schedule_id}", &self.town.schedule)
            .replace("{edition_id}", &self.town.edition)
            .replace("{event_id}", &self.reading)
            .replace("{handset_id}", &self.handset)
            .replace("{edit_id}", &self.held[usize::from(template.ends_with("/refuse"))])
            .replace(
                "/v1/imports/{import_id}",
                &self.imports[match template {
                    _ if template.ends_with("/cancel") => 1,
                    _ if template.ends_with("/apply") => 2,
                    _ => 0,
                }],
            )
            .replace("{mail_list_id}", &self.mail_list)
            .replace("{recipient_id}", &self.recipient)
            .replace("{incident_id}", &self.incident)
            .replace("{promise_id}", &self.promise)
            .replace("/v1/blobs/{sha256}", &self.paper)
            .replace("{token}", &self.leaving)
            .replace("{code}", "not_found")
            .replace("{file}", "start.js")
    }

    /// A good request of an operation.
    fn send(
        &self,
        client: &Client,
        (method, template, name): &(String, String, String),
        what: &str,
    ) -> Reply {
        let mut path = self.path(template);
        if name == "list_service_events" {
            path = format!("{path}?unit={}", self.unit);
        }
        if name == "list_due_changes" {
            path = format!("{path}?since=2026-06-01T12:00:00Z");
        }
        if name == "read_engine_class" {
            path = format!("{path}?source=area");
        }
        if name.starts_with("list_fingerprint") {
            path = format!("{path}?site_id={}", self.town.sites[0]);
        }
        if name == "list_recipients" {
            path = format!("{path}?mail_list={}", self.mail_list);
        }
        match method.as_str() {
            // It would not end.
            "GET" if name == "follow_changes" => client.send("HEAD", &path, &[], None),
            "GET" => client.get(&path),
            "PUT" if name == "send_blob" => {
                let paper = blobs::paper(&new_id());
                blobs::put(client, &blobs::path(&paper), &paper, &[])
            }
            "PUT" => client.send("PUT", &path, &[("content-type", "text/csv")], Some(b"name,zone\r\n")),
            "POST" => client.post(&path, &self.body(client, name, what)),
            "PATCH" => {
                let etag = self.town.coordinator().get(&path).expect(200).etag();
                let field = match name.as_str() {
                    "change_recipient" => {
                        let address = format!("{}@tarn-valley.example", new_id());
                        return client.patch(&path, &etag, &json!({"address": address}));
                    }
                    "change_site" | "change_mail_list" | "change_incident" => "name",
                    "change_promise" => "note",
                    "change_unit" => "label",
                    _ => "title",
                };
                client.patch(&path, &etag, &json!({field: new_id()}))
            }
            other => panic!("{other}"),
        }
    }

    fn body(&self, client: &Client, name: &str, what: &str) -> Value {
        match name {
            "create_site" => json!({"name": "Yard", "zone": "UTC"}),
            "check_load" => json!({"loads": [{"name": "pump", "running_watts": 800, "surge_watts": 1300}]}),
            "check_fuel_storage" => {
                json!({"in_vehicle": [{"fuel": "petrol", "kind": "can", "capacity_litres": 20}]})
            }
            "create_unit" => json!({"label": "A", "home_site_id": self.town.sites[0], "fuel": "petrol"}),
            "create_schedule" => json!({"title": "T", "publisher": "P", "basis": "maker"}),
            "create_edition" => edition(),
            "make_handset_code" | "revoke_handset" | "release_held" | "cancel_import" | "apply_import" => {
                json!({})
            }
            "create_mail_list" => json!({"name": "Weekly", "zone": "UTC", "sites": "all", "role": "viewer"}),
            "create_recipient" => {
                json!({"mail_list_id": self.mail_list, "address": "yard@tarn-valley.example"})
            }
            "create_incident" => crate::outages::incident(),
            "create_promise" => crate::outages::promise(&self.unit, &self.town.sites[1]),
            "acknowledge" => {
                json!({"unit_id": self.unit, "schedule_id": self.town.schedule, "task": "oil_change",
                "until": "2026-06-20T12:00:00Z"})
            }
            "unsubscribe" => json!("List-Unsubscribe=One-Click"),
            "create_import" => json!({"mapping": {"records": "sites"}}),
            "refuse_held" => json!({"reason": "A slip"}),
            "enrol_handset" => json!({"code": self.town.handset_code(), "name": "Van 3"}),
            "sync" => json!({"handset": self.handset, "clock": "2026-06-15T12:00:00Z"}),
            "record_service_events" => json!({"events": [self.event(client, what)]}),
            _ => self.event(client, what),
        }
    }

    fn event(&self, client: &Client, what: &str) -> Value {
        let mut event = match what {
            "commissioning" => json!({"kind": what, "site_id": self.town.sites[0]}),
            "reading" => json!({"kind": what, "meter_hours": 6}),
            "service" => json!({"kind": what, "jobs": [{"job": "oil_change"}]}),
            "component" => json!({"kind": what, "component": "engine", "action": "rebuilt"}),
            "placement" => json!({"kind": what, "site_id": self.town.sites[1]}),
            "adoption" => self.town.adoption(),
            // The table's other rows void what the coordinator recorded, the coordinator included.
            "void of another's" => {
                json!({"kind": "correction", "action": "void", "target_id": self.reading, "reason": "x"})
            }
            "void of one's own" => {
                let own = client.post("/v1/service-events", &self.event(client, "reading"));
                let target = if own.status == 201 { id_of(&own.json()) } else { self.reading.clone() };
                json!({"kind": "correction", "action": "void", "target_id": target, "reason": "x"})
            }
            other => panic!("{other}"),
        };
        event["unit_id"] = json!(self.unit);
        event["occurred_at"] = json!("2026-06-02T12:00:00Z");
        event
    }
}

fn every_operation_by_every_role(backend: Backend) {
    let operations = operations();
    let named: BTreeSet<&str> = operations.iter().map(|(_, _, name)| name.as_str()).collect();
    let known: BTreeSet<&str> = TABLE.iter().map(|row| row.0).chain(PUBLIC.iter().copied()).collect();
    assert_eq!(named, known, "every operation of the description has a row, and no other");
    let world = World::new(backend);
    let town = world.town();
    let subject = Subject::new(&world, &town);
    let mut failures = Vec::new();
    for (name, what, told) in TABLE {
        let operation = operations.iter().find(|operation| operation.2 == *name).unwrap();
        for (role, status) in ROLES.iter().zip(told) {
            let rows = world.database.log_rows();
            let reply = subject.send(&town.clients[role], operation, what);
            if reply.status != *status {
                failures.push(format!(
                    "{name} {what} by {role}: expected {status}, got {} {}",
                    reply.status, reply.text
                ));
            }
            if reply.status == 403 {
                reply.problem(403, "forbidden");
                if !what.ends_with("own") && world.database.log_rows() != rows {
                    failures.push(format!("{name} {what} by {role}: refused, but something was written"));
                }
            }
        }
    }
    none_failed(&failures);
}

fn every_operation_without_a_token(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let subject = Subject::new(&world, &town);
    let nobody = world.service.anonymous();
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for operation in operations() {
        let what = if operation.2.starts_with("record_service_event") { "service" } else { "" };
        // Nobody is sent a stream, so that it ends.
        let reply = match operation.2.as_str() {
            "follow_changes" => nobody.get(&operation.1),
            _ => subject.send(&nobody, &operation, what),
        };
        let public = PUBLIC.contains(&operation.2.as_str());
        if reply.status != if public { 200 } else { 401 } {
            failures.push(format!("{operation:?}: {}", reply.status));
        }
        if !public {
            reply.problem(401, "unauthenticated");
            if reply.header("www-authenticate") != "Bearer" {
                failures.push(format!("{operation:?}: 401 names no scheme"));
            }
        }
    }
    none_failed(&failures);
    // Whoever holds a mail leaves its list, which is a row.
    assert_eq!(world.database.log_rows(), rows + 1);
}
