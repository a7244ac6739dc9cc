//! What answers have in common: HEAD, the description byte for byte, and what a problem's type leads to.

use std::collections::BTreeSet;

use blackbox::{
    Backend, World, none_failed, on_both, service,
    world::{description, id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    head_tells_what_get_tells,
    every_type_of_problem_leads_to_its_description,
    the_description_is_served_byte_for_byte,
    private_text_is_recognised_without_its_salt,
);

/// RFC 9110 section 9.3.2, on every route that has GET, found or not.
fn head_tells_what_get_tells(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let event = town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
    let description = description();
    let mut failures = Vec::new();
    for (path, _) in description["paths"].as_object().unwrap().iter().filter(|(_, m)| m.get("get").is_some())
    {
        let there = path
            .replace("{site_id}", &town.sites[0])
            .replace("{unit_id}", &unit)
            .replace("{schedule_id}", &town.schedule)
            .replace("{edition_id}", &town.edition)
            .replace("{event_id}", &id_of(&event))
            .replace("{code}", "busy")
            .replace("{file}", "start.js");
        // A stream that is got does not end; what it tells at its head is held in `changes::stream`.
        let endless = there == "/v1/changes/stream";
        for path in [there.clone(), format!("{there}/nowhere"), format!("{there}?colour=red")] {
            if endless && path == there {
                continue;
            }
            let (got, head) = (client.get(&path), client.send("HEAD", &path, &[], None));
            if head.status != got.status || !head.text.is_empty() {
                failures.push(format!("HEAD {path}: {} {:?}, GET {}", head.status, head.text, got.status));
            }
            // The time in an answer, and so its length, and the id of a request are each one's own.
            for name in ["content-type", "etag", "allow", "cache-control", "vary"] {
                if head.header(name) != got.header(name) {
                    failures.push(format!(
                        "HEAD {path}: {name} {:?} {:?}",
                        head.header(name),
                        got.header(name)
                    ));
                }
            }
        }
        if endless {
            continue;
        }
        let etag = client.get(&there).headers.get("etag").map(|tag| tag.to_str().unwrap().to_owned());
        if let Some(etag) = etag {
            let reply = client.send("HEAD", &there, &[("if-none-match", &etag)], None);
            assert_eq!((reply.status, reply.text.as_str()), (304, ""), "HEAD {there}");
        }
    }
    none_failed(&failures);
}

fn every_type_of_problem_leads_to_its_description(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let site = json!({"name": "Yard", "zone": "UTC", "id": new_id()});
    client.post("/v1/sites", &site).expect(201);
    let path = format!("/v1/sites/{}", town.sites[0]);
    let (kind, merge) = ("content-type", "application/merge-patch+json");
    let (json_type, large) = ([(kind, "application/json")], vec![b' '; (1 << 20) + 1]);
    let replies = [
        world.service.anonymous().get("/v1/due"),
        town.clients["viewer"].post("/v1/sites", &json!({"name": "Y", "zone": "UTC"})),
        client.get("/nowhere"),
        client.send("DELETE", &path, &[], None),
        client.send("POST", "/v1/sites", &json_type, Some(b"[")),
        client.send("POST", "/v1/sites", &json_type, Some(&large)),
        client.send("POST", "/v1/sites", &[(kind, "text/plain")], Some(b"{}")),
        client.post("/v1/sites", &json!({})),
        client.post("/v1/sites", &json!({"name": "Other", "zone": "UTC", "id": site["id"]})),
        client.get("/v1/due?colour=red"),
        client.get("/v1/due?cursor=x"),
        client.patch(&path, "*", &json!({"name": "Y"})),
        client.patch(&path, "\"x\"", &json!({"name": "Y"})),
        client.send("PATCH", &path, &[(kind, merge)], Some(b"{\"name\":\"Y\"}")),
    ];
    let mut met = BTreeSet::new();
    for reply in replies {
        let problem = reply.json();
        let leads = problem["type"].as_str().unwrap();
        let described = world.service.anonymous().get(leads).expect(200).json();
        for member in ["title", "status"] {
            assert_eq!(described[member], problem[member], "{leads}");
        }
        met.insert(leads.to_owned());
    }
    assert_eq!(met.len(), 14, "each in another way: {met:?}");
    // So do the types that the description shows as examples.
    for kind in types(description()) {
        world.service.anonymous().get(&kind).expect(200);
    }
}

/// Every `/problems/...` anywhere in a value, but for the path itself.
fn types(value: &Value) -> BTreeSet<String> {
    match value {
        Value::String(text) if text.starts_with("/problems/") => BTreeSet::from([text.clone()]),
        Value::Array(items) => items.iter().flat_map(types).collect(),
        Value::Object(members) => members.values().flat_map(types).collect(),
        _ => BTreeSet::new(),
    }
}

fn the_description_is_served_byte_for_byte(backend: Backend) {
    let world = World::new(backend);
    let checked_in = std::fs::read_to_string(service::root().join("openapi/keepstart.json")).unwrap();
    let served = world.service.anonymous().get("/openapi.json").expect(200).text;
    assert!(served == checked_in, "run `keepstart-api openapi > openapi/keepstart.json`");
}

/// A client that sends no salt cannot send the same one twice; its repeat is a repeat all the same.
fn private_text_is_recognised_without_its_salt(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    for (path, mut body) in [
        ("/v1/sites", json!({"name": "Yard", "zone": "UTC"})),
        ("/v1/units", json!({"label": "FS-1", "home_site_id": town.sites[0], "fuel": "petrol"})),
    ] {
        body["id"] = json!(new_id());
        body["note"] = json!("key under the mat");
        let first = client.post(path, &body).expect(201);
        let rows = world.database.log_rows();
        assert_eq!(client.post(path, &body).expect(200).json(), first.json(), "{path}");
        for other in [json!("key with the clerk"), Value::Null] {
            let mut changed = body.clone();
            changed["note"] = other;
            client.post(path, &changed).problem(409, "id_reused");
        }
        assert_eq!(world.database.log_rows(), rows, "{path}");
        let (there, key) = (first.header("location"), new_id());
        let patch = |note: Value| {
            let headers = [
                ("content-type", "application/merge-patch+json"),
                ("if-match", &first.etag()),
                ("idempotency-key", &key),
            ];
            client.send("PATCH", there, &headers, Some(json!({"note": note}).to_string().as_bytes()))
        };
        let changed = patch(json!("key with the clerk")).expect(200);
        assert_eq!(patch(json!("key with the clerk")).expect(200).json(), changed.json(), "{path}");
        patch(json!("key under the mat")).problem(409, "id_reused");
        patch(Value::Null).problem(409, "id_reused");
        assert_eq!(world.database.log_rows(), rows + 1, "{path}");
    }
}
