//! Conditional requests: nobody overwrites what they have not seen, and nobody downloads what they have.

use std::{sync::Barrier, thread};

use blackbox::{
    Backend, Client, Reply, World, none_failed, on_both,
    world::{new_id, plain},
};
use serde_json::{Value, json};

on_both!(
    a_change_needs_the_tag_that_was_read,
    a_hundred_changes_from_one_tag,
    a_change_sent_again_gets_the_first_answer,
    one_key_sent_ten_times_at_once,
    null_removes_and_absent_leaves,
    what_you_have_is_not_sent_again,
    the_tag_of_due_follows_what_is_due,
);

const MERGE_PATCH: &str = "application/merge-patch+json";

fn patch_keyed(client: &Client, path: &str, etag: &str, key: &str, body: &Value) -> Reply {
    let headers = [("content-type", MERGE_PATCH), ("if-match", etag), ("idempotency-key", key)];
    client.send("PATCH", path, &headers, Some(body.to_string().as_bytes()))
}

fn a_change_needs_the_tag_that_was_read(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit("FS-1");
    for (path, field) in [
        (format!("/v1/units/{unit}"), "maker"),
        (format!("/v1/sites/{}", town.sites[0]), "name"),
        (format!("/v1/schedules/{}", town.schedule), "title"),
    ] {
        let first = client.get(&path).expect(200).etag();
        assert!(first.starts_with('"'), "a strong tag: {first}");
        let body = json!({field: "One"});
        let changed = client.patch(&path, &first, &body).expect(200);
        assert_eq!(changed.json()[field], "One");
        assert_ne!(changed.etag(), first, "{path}");
        assert_eq!(client.get(&path).expect(200).etag(), changed.etag());
        let late = client.patch(&path, &first, &json!({field: "Two"}));
        let problem = late.problem(412, "precondition_failed");
        assert_eq!(late.etag(), changed.etag(), "412 tells the tag as it is now");
        assert_eq!(problem["current_etag"], changed.etag(), "{problem}");
        let merge = [("content-type", MERGE_PATCH)];
        client
            .send("PATCH", &path, &merge, Some(body.to_string().as_bytes()))
            .problem(428, "precondition_required");
        assert_eq!(client.get(&path).expect(200).json()[field], "One", "{path}");
        // What does not exist has no tag to be stale.
        let nowhere = format!("{}/{}", path.rsplit_once('/').unwrap().0, new_id());
        client.patch(&nowhere, &first, &body).problem(404, "not_found");
    }
}

/// D28 of the attacks.
fn a_hundred_changes_from_one_tag(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("FS-1");
    let path = format!("/v1/units/{unit}");
    let etag = town.coordinator().get(&path).expect(200).etag();
    let rows = world.database.log_rows();
    let ready = Barrier::new(100);
    let replies: Vec<Reply> = thread::scope(|scope| {
        let sent: Vec<_> = (0..100)
            .map(|n| {
                let (etag, path, ready) = (&etag, &path, &ready);
                // A connection each, as a hundred clients have.
                let client = world.client(town.id, town.people["coordinator"]);
                scope.spawn(move || {
                    ready.wait();
                    client.patch(path, etag, &json!({"model": format!("M{n}")}))
                })
            })
            .collect();
        sent.into_iter().map(|reply| reply.join().unwrap()).collect()
    });
    let count = |status: u16| replies.iter().filter(|reply| reply.status == status).count();
    assert_eq!(
        (count(200), count(412)),
        (1, 99),
        "{:?}",
        replies.iter().find(|r| ![200, 412].contains(&r.status))
    );
    let won = replies.iter().find(|reply| reply.status == 200).unwrap();
    let now = town.coordinator().get(&path).expect(200);
    assert_eq!((now.json(), now.etag()), (won.json(), won.etag()));
    assert_eq!(world.database.log_rows(), rows + 1);
}

fn a_change_sent_again_gets_the_first_answer(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let path = format!("/v1/units/{}", town.unit("FS-1"));
    let etag = client.get(&path).expect(200).etag();
    let key = new_id();
    let mine = json!({"maker": "Barrow"});
    let first = patch_keyed(client, &path, &etag, &key, &mine).expect(200);
    let again = patch_keyed(client, &path, &etag, &key, &mine).expect(200);
    assert_eq!((again.json(), again.etag()), (first.json(), first.etag()), "at once");
    client.patch(&path, &first.etag(), &json!({"maker": "Oxcart", "model": "20"})).expect(200);
    let rows = world.database.log_rows();
    // The repeat is recognised before its tag is judged, and changes nothing back.
    let late = patch_keyed(client, &path, &etag, &key, &mine).expect(200);
    assert_eq!(client.get(&path).expect(200).json()["maker"], "Oxcart");
    assert_eq!(world.database.log_rows(), rows);
    // Another change under the same key is no repeat.
    patch_keyed(client, &path, &etag, &key, &json!({"maker": "Sprig"})).problem(409, "id_reused");
    assert_eq!(
        (late.json(), late.etag()),
        (first.json(), first.etag()),
        "after another change: the first answer"
    );
}

fn one_key_sent_ten_times_at_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let path = format!("/v1/units/{}", town.unit("FS-1"));
    let etag = town.coordinator().get(&path).expect(200).etag();
    let (key, rows) = (new_id(), world.database.log_rows());
    let replies: Vec<Reply> = thread::scope(|scope| {
        let send = || patch_keyed(town.coordinator(), &path, &etag, &key, &json!({"maker": "Barrow"}));
        let sent: Vec<_> = (0..10).map(|_| scope.spawn(send)).collect();
        sent.into_iter().map(|reply| reply.join().unwrap()).collect()
    });
    for reply in &replies {
        assert_eq!((reply.status, reply.json()), (200, replies[0].json()), "{replies:?}");
    }
    assert_eq!(world.database.log_rows(), rows + 1);
}

/// JSON Merge Patch (RFC 7396): null removes, what is absent stays.
fn null_removes_and_absent_leaves(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let body = json!({"label": "A", "home_site_id": town.sites[0], "fuel": "dual", "maker": "Sprig", "rated_kw": 5.5, "note": "loud"});
    let made = client.post("/v1/units", &body).expect(201);
    let id = made.json()["id"].as_str().unwrap().to_owned();
    let path = format!("/v1/units/{id}");
    let steps = [
        (json!({"maker": null}), json!({"label": "A", "fuel": "dual", "rated_kw": 5.5, "note": "loud"})),
        (
            json!({"note": null, "model": "S"}),
            json!({"label": "A", "fuel": "dual", "rated_kw": 5.5, "model": "S"}),
        ),
        (json!({"serial": null}), json!({"label": "A", "fuel": "dual", "rated_kw": 5.5, "model": "S"})),
        (
            json!({"rated_kw": 6, "fuel": "diesel"}),
            json!({"label": "A", "fuel": "diesel", "rated_kw": 6, "model": "S"}),
        ),
    ];
    let mut etag = made.etag();
    for (patch, mut expected) in steps {
        expected["id"] = json!(id);
        expected["home_site_id"] = json!(town.sites[0]);
        let reply = client.patch(&path, &etag, &patch).expect(200);
        assert_eq!(plain(&reply.json()), plain(&expected), "{patch}");
        assert_eq!(client.get(&path).expect(200).json(), reply.json(), "{patch}");
        etag = reply.etag();
    }
}

/// If-None-Match compares weakly and may list several tags (RFC 9110 section 13.1.2).
fn what_you_have_is_not_sent_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let event = town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
    let paths = [
        format!("/v1/units/{unit}"),
        format!("/v1/sites/{}", town.sites[0]),
        format!("/v1/schedules/{}", town.schedule),
        format!("/v1/schedules/{}/editions/{}", town.schedule, town.edition),
        format!("/v1/service-events/{}", event["id"].as_str().unwrap()),
        format!("/v1/units/{unit}/due"),
        format!("/v1/units/{unit}/due?include=trace"),
    ];
    let mut failures = Vec::new();
    for path in &paths {
        let etag = client.get(path).expect(200).etag();
        let bare = etag.trim_start_matches("W/").to_owned();
        for (sent, status) in [
            (etag.clone(), 304),
            (format!("W/{bare}"), 304),
            (format!("\"other\", {etag}"), 304),
            ("*".to_owned(), 304),
            ("\"other\"".to_owned(), 200),
            (bare.trim_matches('"').to_owned(), 200),
        ] {
            let reply = client.send("GET", path, &[("if-none-match", &sent)], None);
            if reply.status != status {
                failures.push(format!("{path} with {sent}: expected {status}, got {}", reply.status));
            } else if status == 304 && (!reply.text.is_empty() || reply.etag() != etag) {
                failures.push(format!("{path} with {sent}: a 304 has the tag and no body: {reply:?}"));
            }
        }
    }
    none_failed(&failures);
}

fn the_tag_of_due_follows_what_is_due(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let path = format!("/v1/units/{unit}/due");
    let before = client.get(&path).expect(200).etag();
    town.happened(
        &unit,
        "2026-06-01T12:00:00Z",
        json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 5}),
    );
    let reply = client.send("GET", &path, &[("if-none-match", &before)], None);
    assert_eq!(reply.status, 200, "something else is due now");
    assert_ne!(reply.etag(), before);
}
