//! Every kind of problem that the description shows for an operation is provoked there, and looks as it is shown.

use std::{cell::RefCell, collections::BTreeMap};

use blackbox::{
    Backend, Client, Reply, World,
    contract::{self, Operation},
    none_failed, on_both,
    service::NOW,
    world::{self, description, new_id},
};
use serde_json::{Value, json};

use crate::{blobs, imports};

use super::{
    address, examples, in_order,
    play::{FORM, RECIPIENT, UNIT, code},
};

on_both!(problems_are_as_they_are_shown);

/// Kinds that take a broken or restored database, a slow line or many jobs; other tests make those.
const NOT_PROVOKED: &[&str] =
    &["busy", "cursor_expired", "import_expired", "internal", "request_too_slow", "too_many_imports"];

/// So many units of a site are folded for one answer at most, and so many are worked out.
const UNITS_FOLDED: usize = 200;
const UNITS_WORKED_OUT: usize = 1000;

/// What is another in every answer.
const OWN: &[&str] = &["instance", "current_etag"];

#[test]
fn every_example_fits_its_schema() {
    for operation in contract::operations() {
        let bodies = [("body", &operation.value["requestBody"])].into_iter();
        let answers = operation.value["responses"].as_object().unwrap();
        for (name, body) in bodies.chain(answers.iter().map(|(status, answer)| (status.as_str(), answer))) {
            for media in body["content"].as_object().into_iter().flat_map(|content| content.values()) {
                for (example, shown) in media["examples"].as_object().into_iter().flatten() {
                    let key = format!("{} {name}", operation.id);
                    contract::valid(&key, &media["schema"], &resolved(shown)["value"], example);
                }
            }
        }
        for parameter in operation.value["parameters"].as_array().into_iter().flatten() {
            if let Some(example) = parameter.get("example") {
                let key = format!("{} {}", operation.id, parameter["name"]);
                contract::valid(&key, &parameter["schema"], example, "its example");
            }
        }
    }
}

fn problems_are_as_they_are_shown(backend: Backend) {
    let world = World::new(backend);
    let (organization, people) = world.organization();
    let provoker = Provoker {
        boss: world.client(organization, people["coordinator"]),
        viewer: world.client(organization, people["viewer"]),
        admin: world.client(organization, people["admin"]),
        nobody: world.client(organization, world.person(organization, &[])),
        guesser: world.client(organization, world.person(organization, &[("viewer", json!("all"))])),
        anonymous: world.service.anonymous(),
        token: world.token(organization, people["coordinator"]),
        units: RefCell::default(),
    };
    let mut failures = Vec::new();
    for operation in in_order() {
        let mut file = examples(&operation.id);
        if let Some(token) = file.pointer_mut("/parameters/token") {
            *token = json!(world.leaving(organization, RECIPIENT));
        }
        let path = address(&operation, &file);
        for body in file["request"].as_array().into_iter().flatten() {
            provoker.request(&operation, &path, &body["value"], &[]);
        }
        let shown = &operation.value["responses"]["4XX"]["content"]["application/problem+json"]["examples"];
        for (code, shown) in shown.as_object().unwrap() {
            if NOT_PROVOKED.contains(&code.as_str()) {
                continue;
            }
            let case = format!("{} {code}", operation.id);
            let Some(reply) = provoker.provoke(&operation, code, &file) else {
                failures
                    .push(format!("{case}: nothing provokes it; see tests/blackbox/description/problems.rs"));
                continue;
            };
            let (found, shown) = (reply.json(), resolved(shown)["value"].clone());
            // An example of the operation's own may show more than one thing wrong.
            let several = file["problems"][code]["errors"].as_array().is_some_and(|errors| errors.len() > 1);
            let same = |name: &str| {
                OWN.contains(&name) && found.get(name).is_some()
                    || several && name == "errors"
                    || without_ids(&found[name]) == without_ids(&shown[name])
            };
            let differs: Vec<&String> =
                shown.as_object().unwrap().keys().filter(|name| !same(name)).collect();
            if !differs.is_empty() || reply.status != found["status"] {
                failures.push(format!("{case}: {differs:?}: {found}"));
            }
        }
    }
    none_failed(&failures);
}

struct Provoker {
    boss: Client,
    viewer: Client,
    admin: Client,
    nobody: Client,
    /// Whose wrong codes keep nobody else from enrolling.
    guesser: Client,
    anonymous: Client,
    token: String,
    /// How many units were made at each site to be too many.
    units: RefCell<BTreeMap<String, usize>>,
}

impl Provoker {
    /// A request that goes wrong in this way; none if it is not known how.
    fn provoke(&self, operation: &Operation, problem: &str, file: &Value) -> Option<Reply> {
        let path = address(operation, file);
        let body = &file["request"][0]["value"];
        let bytes = body.to_string().into_bytes();
        let method = operation.method.to_uppercase();
        let media = media(operation);
        let kind = ("content-type", media);
        let mut changed = body.clone();
        if operation.id.contains("handset")
            && let Some(reply) = self.of_handset(operation, problem, body)
        {
            return Some(reply);
        }
        if operation.id == "unsubscribe"
            && let Some(reply) = self.of_leaving(&path, problem)
        {
            return Some(reply);
        }
        if operation.id.contains("import")
            && let Some(reply) = self.of_import(operation, problem, body)
        {
            return Some(reply);
        }
        if operation.id.ends_with("_blob")
            && let Some(reply) = self.of_blob(operation, problem, file)
        {
            return Some(reply);
        }
        if operation.id == "sync"
            && let Some(reply) = self.of_sync(operation, problem)
        {
            return Some(reply);
        }
        if operation.id.contains("held")
            && let Some(reply) = self.of_held(operation, problem, body)
        {
            return Some(reply);
        }
        Some(match problem {
            "invalid_parameter" => {
                let joint = if path.contains('?') { '&' } else { '?' };
                self.request(operation, &format!("{path}{joint}colour=red"), body, &[])
            }
            "invalid_header" => {
                let again = format!("Bearer {}", self.token);
                self.request(operation, &path, body, &[("authorization", &again)])
            }
            "cursor_invalid" if method == "GET" => {
                let joint = if path.contains('?') { '&' } else { '?' };
                self.boss.get(&format!("{path}{joint}cursor=x"))
            }
            "unauthenticated" => self.anonymous.send(&method, &path, &[kind], Some(&bytes)),
            "forbidden" if method == "GET" => self.viewer.get(&path),
            "forbidden" if operation.id == "acknowledge" => self.viewer.post(&path, body),
            "not_found" if operation.id == "acknowledge" => {
                changed["unit_id"] = json!(new_id());
                self.boss.post(&path, &changed)
            }
            "forbidden" if method == "PATCH" => {
                let etag = self.boss.get(&path).expect(200).etag();
                self.viewer.patch(&path, &etag, body)
            }
            "forbidden" => {
                changed["id"] = json!(new_id());
                self.viewer.post(&path, &changed)
            }
            "not_found" => self.not_found(operation, file)?,
            "invalid_json" => {
                self.boss.send(&method, &path, &[kind, ("if-match", "\"x\"")], Some(b"{\"label\":"))
            }
            "invalid_request" => {
                changed["colour"] = json!("red");
                self.request(operation, &path, &changed, &[])
            }
            "content_too_large" => {
                // A batch may be larger than other bodies.
                let large = vec![b' '; (4 << 20) + 1];
                self.boss.send(&method, &path, &[kind, ("if-match", "\"x\"")], Some(&large))
            }
            "unsupported_media_type" => {
                let headers = [("content-type", "text/plain"), ("if-match", "\"x\"")];
                self.boss.send(&method, &path, &headers, Some(&bytes))
            }
            "id_reused" if method == "PATCH" => {
                let key = new_id();
                self.request(operation, &path, body, &[("idempotency-key", &key)]).expect(200);
                self.request(operation, &path, &other(body), &[("idempotency-key", &key)])
            }
            "id_reused" => self.boss.post(&path, &other(body)),
            "external_id_taken" => self.external_id_taken(operation, &path, body),
            "precondition_required" => self.boss.send(&method, &path, &[kind], Some(&bytes)),
            "handset_unknown" => {
                changed["handset"] = json!(new_id());
                self.request(operation, &path, &changed, &[])
            }
            "too_many_edits" => {
                changed["edits"] = json!(vec![0; 1001]);
                self.request(operation, &path, &changed, &[])
            }
            "too_many_units" if operation.id.ends_with("hours_pack") => {
                let incident = format!("/v1/incidents/{}", file["parameters"]["incident_id"].as_str()?);
                let struck = self.boss.get(&incident).expect(200).json()["site_ids"][0].clone();
                self.units_at(&json!({"site_id": struck}), UNITS_FOLDED);
                self.boss.get(&path)
            }
            "too_many_units"
                if ["run_fleet_through", "triage_endurance"].contains(&operation.id.as_str()) =>
            {
                self.units_at(&file["parameters"], UNITS_WORKED_OUT);
                self.boss.get(&path)
            }
            "too_many_units" if ["run_site_through", "read_survival"].contains(&operation.id.as_str()) => {
                self.units_at(&file["parameters"], UNITS_FOLDED);
                self.boss.get(&path)
            }
            "too_many_units" => {
                self.units_at(&file["parameters"], UNITS_FOLDED);
                let path =
                    address(operation, &json!({"parameters": {"site_id": file["parameters"]["site_id"]}}));
                let then = if operation.id == "list_due_changes" { "since" } else { "valid_at" };
                self.boss.get(&format!("{path}?{then}=2020-01-01T00:00:00Z"))
            }
            "precondition_failed" => self.boss.patch(&path, "\"x\"", body),
            _ => return None,
        })
    }

    /// A site or unit that is given the id of another one.
    fn external_id_taken(&self, operation: &Operation, path: &str, body: &Value) -> Reply {
        let ids = json!({"gis": new_id()});
        let (list, mut other) = if operation.id.ends_with("_site") {
            ("/v1/sites", json!({"name": "Depot", "zone": "America/Denver"}))
        } else {
            let home = self.boss.get(&format!("/v1/units/{UNIT}")).expect(200).json()["home_site_id"].clone();
            ("/v1/units", json!({"label": "D-1", "home_site_id": home, "fuel": "petrol"}))
        };
        other["external_ids"] = ids.clone();
        self.boss.post(list, &other).expect(201);
        if operation.method == "post" {
            return self.boss.post(list, &other);
        }
        let mut changed = body.clone();
        changed["external_ids"] = ids;
        self.request(operation, path, &changed, &[])
    }

    /// What goes wrong with handsets in ways of their own.
    fn of_handset(&self, operation: &Operation, problem: &str, body: &Value) -> Option<Reply> {
        let enrol = |client: &Client, handset: Value| {
            let mut handset = handset;
            handset["code"] = code(&self.boss);
            client.post("/v1/handsets", &handset)
        };
        let new = |client: &Client| enrol(client, json!({"name": "Van 3"})).expect(201).json();
        Some(match (operation.id.as_str(), problem) {
            ("enrol_handset", "already_exists") => {
                let previous = json!({"id": new_id(), "number": new(&self.boss)["number"]});
                enrol(&self.boss, json!({"name": "Van 4", "previous": previous}))
            }
            ("enrol_handset", "id_reused") => {
                enrol(&self.boss, json!({"id": new(&self.boss)["id"], "name": "Van 5"}))
            }
            ("enrol_handset", "forbidden") => enrol(&self.nobody, json!({"name": "Van 6"})),
            ("enrol_handset", "code_not_valid") => self.boss.post("/v1/handsets", body),
            ("enrol_handset", "too_many_requests") => {
                let wrong = || self.guesser.post("/v1/handsets", body);
                (0..100).map(|_| wrong()).find(|reply| reply.status != 422)?
            }
            ("make_handset_code", "forbidden") => self.viewer.post(&operation.path, body),
            ("revoke_handset", "forbidden") => {
                let own = new(&self.viewer)["id"].clone();
                self.viewer.post(&format!("/v1/handsets/{}/revoke", own.as_str()?), body)
            }
            ("revoke_handset", "id_reused") => {
                let id = new(&self.viewer)["id"].clone();
                let path = format!("/v1/handsets/{}/revoke", id.as_str()?);
                self.request(operation, &path, body, &[("idempotency-key", id.as_str()?)])
            }
            _ => return None,
        })
    }

    /// What goes wrong for somebody who leaves a mail list.
    fn of_leaving(&self, path: &str, problem: &str) -> Option<Reply> {
        let send = |body: &[u8]| self.anonymous.send("POST", path, &[("content-type", FORM)], Some(body));
        Some(match problem {
            "invalid_request" => send(b"colour=red"),
            _ => return None,
        })
    }

    /// What goes wrong with files that are brought in in ways of their own.
    fn of_import(&self, operation: &Operation, problem: &str, body: &Value) -> Option<Reply> {
        let wanted = |dry: bool| json!({"id": new_id(), "mapping": {"records": "sites"}, "dry_run": dry});
        let waiting = || imports::made(&self.boss, wanted(true));
        let put =
            |path: &str, file: &[u8], header: (&str, &str)| imports::put(&self.boss, path, file, &[header]);
        let csv = ("content-type", "text/csv");
        let done = |dry: bool| {
            let path = imports::send(&self.boss, wanted(dry), "name,zone\r\n");
            imports::ended(&self.boss, &path);
            path
        };
        Some(match (operation.id.as_str(), problem) {
            ("create_import", "id_reused") => {
                let mut other = body.clone();
                other["dry_run"] = json!(false);
                self.boss.post("/v1/imports", &other)
            }
            ("apply_import", "id_reused") => {
                let path = done(true);
                let (_, id) = path.rsplit_once('/')?;
                self.boss.post(&format!("{path}/apply"), &json!({"id": id}))
            }
            ("apply_import", "forbidden") => self.admin.post(&format!("{}/apply", done(true)), &json!({})),
            ("apply_import", "wrong_state") => self.boss.post(&format!("{}/apply", done(false)), &json!({})),
            ("cancel_import", "wrong_state") => self.boss.post(&format!("{}/cancel", done(true)), &json!({})),
            ("send_import_file", "forbidden") => imports::put(&self.admin, &waiting(), b"name,zone\r\n", &[]),
            ("send_import_file", "wrong_state") => put(&done(true), b"name,zone\r\n", csv),
            ("send_import_file", "content_too_large") => put(&waiting(), &vec![b'x'; (1 << 20) + 1], csv),
            ("send_import_file", "invalid_request") => put(&waiting(), b"x", ("content-encoding", "gzip")),
            ("send_import_file", "unsupported_media_type") => {
                put(&waiting(), b"name,zone\r\n", ("content-type", "text/plain"))
            }
            _ => return None,
        })
    }

    /// What goes wrong with photos and papers.
    fn of_blob(&self, operation: &Operation, problem: &str, file: &Value) -> Option<Reply> {
        let put = |client: &Client, bytes: &[u8], header: (&str, &str)| {
            blobs::put(client, &blobs::path(bytes), bytes, &[header])
        };
        let kind = ("content-type", "application/pdf");
        Some(match (operation.id.as_str(), problem) {
            (_, "not_found") => {
                let path = operation.path.replace("{sha256}", "nowhere");
                self.boss.send(
                    &operation.method.to_uppercase(),
                    &path,
                    &[],
                    Some(&b"x"[..]).filter(|_| operation.method == "put"),
                )
            }
            ("send_blob", "forbidden") => put(&self.viewer, &blobs::paper("forbidden"), kind),
            ("send_blob", "blob_refused") => put(&self.boss, b"<html></html>", kind),
            ("send_blob", "unsupported_media_type") => {
                put(&self.boss, &blobs::paper("text"), ("content-type", "text/plain"))
            }
            ("send_blob", "content_too_large") => {
                put(&self.boss, b"x", ("content-range", "bytes 0-0/16777217"))
            }
            ("send_blob", "upload_offset") => put(&self.boss, b"x", ("content-range", "bytes 5-5/10")),
            ("send_blob", "invalid_parameter") => {
                let bytes = file["request"][0]["value"].as_str()?.as_bytes();
                blobs::put(&self.boss, &format!("{}?colour=red", address(operation, file)), bytes, &[])
            }
            _ => return None,
        })
    }

    /// What goes wrong only for a handset that is enrolled.
    fn of_sync(&self, operation: &Operation, problem: &str) -> Option<Reply> {
        let handset = json!({"code": code(&self.boss), "name": "Van 8"});
        let handset = self.boss.post("/v1/handsets", &handset).expect(201).json();
        let mut body = json!({"handset": handset["id"], "clock": NOW, "pull": false});
        Some(match problem {
            "cursor_invalid" => {
                body["cursor"] = json!("x");
                self.boss.post(&operation.path, &body)
            }
            // So many edits as a minute allows, and one request more.
            "too_many_requests" => {
                let edit = world::edit(&handset, 1, &new_id(), "service_event", "create", json!({}));
                body["edits"] = json!(vec![edit; 1000]);
                let sent = (0..100).map(|_| self.boss.post(&operation.path, &body));
                sent.into_iter().find(|reply| reply.status != 200)?
            }
            _ => return None,
        })
    }

    /// What goes wrong with edits that wait for a person in ways of their own.
    fn of_held(&self, operation: &Operation, problem: &str, body: &Value) -> Option<Reply> {
        let held = |event: Value| {
            let handset = json!({"code": code(&self.boss), "name": "Van 7"});
            let handset = self.boss.post("/v1/handsets", &handset).expect(201).json();
            let id = new_id();
            let mut edit = world::edit(&handset, 1, &id, "service_event", "create", event);
            edit["author"] = json!(new_id());
            world::push(&self.boss, NOW, &handset, &[edit]);
            operation.path.replace("{edit_id}", &id)
        };
        let event =
            |kind: &str| json!({"kind": kind, "unit_id": UNIT, "occurred_at": "2026-06-01T12:00:00Z"});
        let mut reading = event("reading");
        reading["meter_hours"] = json!(900);
        Some(match problem {
            "forbidden" if operation.method == "get" => self.viewer.get(&operation.path),
            "forbidden" => self.viewer.post(&held(reading), body),
            "not_found" if operation.method == "get" => self.nobody.get(&operation.path),
            "already_decided" => {
                let path = held(reading);
                let (edit, _) = path.rsplit_once('/')?;
                self.boss.post(&format!("{edit}/refuse"), &json!({"reason": "Nobody knows"})).expect(200);
                self.boss.post(&path, body)
            }
            "not_possible" => {
                let mut placement = event("placement");
                placement["site_id"] = json!(new_id());
                self.boss.post(&held(placement), body)
            }
            _ => return None,
        })
    }

    /// The request of the example with further headers, as the one who runs the fleet.
    fn request(&self, operation: &Operation, path: &str, body: &Value, headers: &[(&str, &str)]) -> Reply {
        let method = operation.method.to_uppercase();
        let mut headers = headers.to_vec();
        if method == "GET" {
            return self.boss.send(&method, path, &headers, None);
        }
        headers.push(("content-type", media(operation)));
        if let ("PUT", Some(file)) = (method.as_str(), body.as_str()) {
            return self.boss.send(&method, path, &headers, Some(file.as_bytes()));
        }
        let etag =
            if method == "PATCH" { self.boss.get(path).header("etag").to_owned() } else { String::new() };
        if method == "PATCH" {
            headers.push(("if-match", if etag.is_empty() { "\"x\"" } else { &etag }));
        }
        self.boss.send(&method, path, &headers, Some(body.to_string().as_bytes()))
    }

    /// More than `most` units at the site of an example.
    fn units_at(&self, parameters: &Value, most: usize) {
        let site = parameters.get("site_id").or(parameters.get("site")).unwrap().as_str().unwrap();
        let mut made = self.units.borrow_mut();
        let made = made.entry(site.to_owned()).or_default();
        while *made <= most {
            let unit = json!({"label": format!("More {made}"), "home_site_id": site, "fuel": "petrol"});
            self.boss.post("/v1/units", &unit).expect(201);
            *made += 1;
        }
    }

    /// The same about something that is not there.
    fn not_found(&self, operation: &Operation, file: &Value) -> Option<Reply> {
        let mut elsewhere = file.clone();
        for (name, value) in elsewhere["parameters"].as_object_mut()? {
            if name.ends_with("_id") || name == "unit" {
                *value = json!(new_id());
            } else if ["code", "file", "token"].contains(&name.as_str()) {
                *value = json!("nowhere");
            }
        }
        let mut body = file["request"][0]["value"].clone();
        if body.get("id").is_some() {
            body["id"] = json!(new_id());
        }
        Some(self.request(operation, &address(operation, &elsewhere), &body, &[]))
    }
}

/// A body with another text in it.
fn other(body: &Value) -> Value {
    let mut other = body.clone();
    const TEXTS: &[(&str, &str)] = &[
        ("name", "something else"),
        ("label", "something else"),
        ("title", "something else"),
        ("edition", "something else"),
        ("send_at", "07:00"),
        ("address", "somebody-else@tarn-valley.example"),
        ("note", "something else"),
    ];
    let found = TEXTS.iter().find(|(name, _)| body.get(name).is_some());
    let (name, text) = found.unwrap_or(&("note", "something else"));
    other[name] = json!(text);
    other
}

fn without_ids(value: &Value) -> Value {
    let Some(text) = value.as_str() else { return value.clone() };
    let word =
        |word: &str| if uuid::Uuid::try_parse(word).is_ok() { "ID".to_owned() } else { word.to_owned() };
    Value::from(text.split(' ').map(word).collect::<Vec<_>>().join(" "))
}

fn media(operation: &Operation) -> &'static str {
    if operation.method == "put" {
        return "text/csv";
    }
    let takes = |media: &&&str| operation.value["requestBody"]["content"].get(**media).is_some();
    ["application/merge-patch+json", FORM].iter().find(takes).copied().unwrap_or("application/json")
}

/// An example, also where it is referred to.
fn resolved(example: &Value) -> Value {
    match example["$ref"].as_str() {
        Some(reference) => description().pointer(reference.trim_start_matches('#')).unwrap().clone(),
        None => example.clone(),
    }
}
