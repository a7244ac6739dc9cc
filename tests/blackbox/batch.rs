//! Many service events in one request: each has its own outcome, and none holds up the others.

use blackbox::{
    Backend, Reply, Town, World, none_failed, on_both,
    service::is_clean,
    wire,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    each_event_has_its_own_outcome,
    a_batch_sent_again_gets_the_first_answer,
    events_of_a_batch_know_each_other,
    what_is_no_batch_is_refused_as_a_whole,
    a_full_batch_is_taken,
    everybody_is_asked_for_each_event,
);

const BATCH: &str = "/v1/service-events/batch";

/// Sends a batch; gives its results.
fn send(town: &Town, events: &[Value]) -> Vec<Value> {
    results(&town.coordinator().post(BATCH, &json!({"events": events})))
}

#[track_caller]
fn results(reply: &Reply) -> Vec<Value> {
    assert_eq!(reply.status, 207, "{}", reply.text);
    reply.json()["results"].as_array().unwrap().clone()
}

fn reading(unit: &str, at: &str, hours: f64) -> Value {
    json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": hours})
}

fn words(results: &[Value]) -> Vec<&str> {
    results.iter().map(|result| result["result"].as_str().unwrap()).collect()
}

/// The pointers of a result's problem, with their codes.
fn errors(result: &Value) -> Vec<(&str, &str)> {
    let errors = result["problem"]["errors"].as_array().into_iter().flatten();
    errors.map(|error| (error["pointer"].as_str().unwrap(), error["code"].as_str().unwrap())).collect()
}

/// What is wrong, the event, the result, the problem, and the places named.
type Case = (&'static str, Value, &'static str, &'static str, Vec<(&'static str, &'static str)>);

fn each_event_has_its_own_outcome(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let stranger = new_id();
    let good = reading(&unit, "2026-06-01T12:00:00Z", 5.0);
    let mut without_id = good.clone();
    without_id.as_object_mut().unwrap().remove("id");
    let mut two_flaws = reading(&unit, "2026-06-01T12:00:00", -1.0);
    two_flaws["colour"] = json!("red");
    // Named: what is sent, the result, and the code of its problem with what it points at.
    let cases: Vec<Case> = vec![
        ("a good one", good, "applied", "", vec![]),
        ("no id", without_id, "refused", "invalid_request", vec![("/id", "required")]),
        (
            "three things wrong",
            two_flaws,
            "refused",
            "invalid_request",
            vec![
                ("/occurred_at", "offset_required"),
                ("/meter_hours", "out_of_range"),
                ("/colour", "unknown_member"),
            ],
        ),
        ("no object", json!(7), "refused", "invalid_request", vec![("", "wrong_type")]),
        ("null", Value::Null, "refused", "invalid_request", vec![("", "wrong_type")]),
        (
            "an unknown unit",
            reading(&stranger, "2026-06-01T12:00:00Z", 5.0),
            "refused",
            "invalid_request",
            vec![("/unit_id", "unknown_unit")],
        ),
        (
            "in the future",
            reading(&unit, "2026-06-16T12:00:00Z", 5.0),
            "refused",
            "invalid_request",
            vec![("/occurred_at", "occurred_in_future")],
        ),
        ("a misread", reading(&unit, "2026-06-02T12:00:00Z", 99_999.0), "applied", "", vec![]),
        ("another good one", reading(&unit, "2026-06-03T12:00:00Z", 6.0), "applied", "", vec![]),
    ];
    let rows = world.database.log_rows();
    let events: Vec<Value> = cases.iter().map(|(_, event, ..)| event.clone()).collect();
    let results = send(&town, &events);
    assert_eq!(results.len(), cases.len());
    assert_eq!(world.database.log_rows(), rows + 3, "a row for each that was applied");
    let mut failures = Vec::new();
    for (at, ((name, sent, word, code, places), result)) in cases.iter().zip(&results).enumerate() {
        let places: Vec<(String, &str)> =
            places.iter().map(|(pointer, code)| (format!("/events/{at}{pointer}"), *code)).collect();
        let found: Vec<(String, &str)> =
            errors(result).into_iter().map(|(pointer, code)| (pointer.to_owned(), code)).collect();
        let type_ = result["problem"]["type"].as_str().unwrap_or_default();
        let id = sent.get("id").unwrap_or(&Value::Null);
        if result["result"] != *word
            || found != places
            || type_ != if code.is_empty() { String::new() } else { format!("/problems/{code}") }
            || result["id"] != *id
        {
            failures.push(format!("{name}: {result}"));
        }
        let (recorded, refused) = (result.get("event").is_some(), result.get("problem").is_some());
        if (recorded, refused) != (*word == "applied", *word == "refused")
            || recorded != result.get("warnings").is_some()
        {
            failures.push(format!("{name}: not the members of {word}: {result}"));
        }
        if recorded {
            let read = town.coordinator().get(&format!("/v1/service-events/{}", id_of(result))).expect(200);
            if read.json() != result["event"] {
                failures.push(format!("{name}: read as {}", read.text));
            }
        }
    }
    assert_eq!(results[7]["warnings"][0]["code"], "reading_set_aside", "{}", results[7]);
    assert_eq!(results[7]["warnings"][0]["pointer"], "/events/7/meter_hours");
    assert_eq!(results[8]["warnings"], json!([]));
    is_clean(&world.database);
    none_failed(&failures);
}

fn a_batch_sent_again_gets_the_first_answer(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = ["FS-1", "FS-2"].map(|label| town.unit_in_service(label, 0));
    let misread = reading(&units[0], "2026-06-02T12:00:00Z", 99_999.0);
    let voided = reading(&units[0], "2026-06-03T12:00:00Z", 5000.0);
    let events = vec![
        reading(&units[0], "2026-06-01T12:00:00Z", 5.0),
        misread,
        voided.clone(),
        // Without this the one before would be set aside: an answer is about the whole batch.
        json!({"id": new_id(), "kind": "correction", "action": "void", "unit_id": units[0], "occurred_at": "2026-06-03T13:00:00Z",
            "target_id": voided["id"], "reason": "the wrong set"}),
        reading(&units[1], "2026-06-01T12:00:00Z", 7.0),
        json!({"id": "nonsense", "kind": "reading"}),
    ];
    let first = send(&town, &events);
    assert_eq!(
        words(&first),
        ["applied", "applied", "applied", "applied", "applied", "refused"],
        "{first:?}"
    );
    // What comes later changes nothing about what was answered then.
    town.happened(&units[0], "2026-06-04T12:00:00Z", json!({"kind": "reading", "meter_hours": 6.0}));
    town.happened(&units[1], "2026-06-04T12:00:00Z", json!({"kind": "reading", "meter_hours": 8.0}));
    let rows = world.database.log_rows();
    let again = send(&town, &events);
    for (first, again) in first.iter().zip(&again) {
        let mut expected = first.clone();
        if expected["result"] == "applied" {
            expected["result"] = json!("already_applied");
        }
        assert_eq!(*again, expected);
    }
    // In part, and in another order; and one by one over the other route.
    let parts = [events[4].clone(), reading(&units[1], "2026-06-05T12:00:00Z", 9.0), events[2].clone()];
    assert_eq!(words(&send(&town, &parts)), ["already_applied", "applied", "already_applied"]);
    for (event, first) in events.iter().zip(&first).take(5) {
        let single = town.coordinator().post("/v1/service-events", event).expect(200).json();
        assert_eq!(single["id"], first["id"]);
        assert_eq!(single["warnings"].as_array().unwrap().len(), first["warnings"].as_array().unwrap().len());
    }
    assert_eq!(world.database.log_rows(), rows + 1);
    is_clean(&world.database);
}

fn events_of_a_batch_know_each_other(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let target = reading(&unit, "2026-06-01T12:00:00Z", 5.0);
    let correction = |target: &Value| {
        json!({"id": new_id(), "kind": "correction", "action": "void", "unit_id": unit, "occurred_at": "2026-06-01T13:00:00Z",
            "target_id": target["id"], "reason": "the wrong set"})
    };
    let mut other_content = target.clone();
    other_content["meter_hours"] = json!(6);
    let later = reading(&unit, "2026-06-03T12:00:00Z", 9.0);
    let events =
        vec![correction(&later), target.clone(), correction(&target), target.clone(), other_content, later];
    let found = send(&town, &events);
    assert_eq!(
        words(&found),
        ["refused", "applied", "applied", "already_applied", "refused", "applied"],
        "{found:?}"
    );
    assert_eq!(errors(&found[0]), [("/events/0/target_id", "unknown_event")]);
    assert_eq!(found[4]["problem"]["type"], "/problems/id_reused");
    assert_eq!(found[4]["problem"]["status"], 409);
    let (mut first, mut twin) = (found[1].clone(), found[3].clone());
    assert_eq!((first["result"].take(), twin["result"].take()), (json!("applied"), json!("already_applied")));
    assert_eq!(first, twin, "the second is answered like the first");
    // Whoever may correct only what is their own may do so within a batch.
    let custodian = world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[0]]))]));
    let own = reading(&unit, "2026-06-04T12:00:00Z", 10.0);
    let events = json!({"events": [own, correction(&own), correction(&target)]});
    let found = results(&custodian.post(BATCH, &events));
    assert_eq!(words(&found), ["applied", "applied", "refused"], "{found:?}");
    assert_eq!(found[2]["problem"]["status"], 403, "{}", found[2]);
    // A move counts from its place in the batch on.
    let moved = json!({"id": new_id(), "kind": "placement", "unit_id": unit, "occurred_at": "2026-06-05T12:00:00Z", "site_id": town.sites[1]});
    let after = reading(&unit, "2026-06-06T12:00:00Z", 11.0);
    assert_eq!(words(&send(&town, &[moved, after])), ["applied", "applied"]);
    is_clean(&world.database);
}

fn what_is_no_batch_is_refused_as_a_whole(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let client = town.coordinator();
    let good = || reading(&unit, "2026-06-01T12:00:00Z", 5.0);
    let rows = world.database.log_rows();
    let too_many: Vec<Value> = (0..501).map(|_| good()).collect();
    let cases = [
        ("no object", json!([good()]), vec![("", "wrong_type")]),
        ("no events", json!({}), vec![("/events", "required")]),
        ("null", json!({"events": null}), vec![("/events", "required")]),
        ("no array", json!({"events": good()}), vec![("/events", "wrong_type")]),
        ("501", json!({"events": too_many}), vec![("/events", "too_many")]),
        (
            "something else too",
            json!({"events": [good()], "atomic": true}),
            vec![("/atomic", "unknown_member")],
        ),
    ];
    let mut failures = Vec::new();
    for (name, body, expected) in &cases {
        let reply = client.post(BATCH, body);
        reply.problem(400, "invalid_request");
        let found = reply.errors();
        let found: Vec<(&str, &str)> = found.iter().map(|(p, c)| (p.as_str(), c.as_str())).collect();
        if found != *expected {
            failures.push(format!("{name}: {found:?}"));
        }
    }
    let headers = [("content-type", "application/json")];
    client.send("POST", BATCH, &headers, Some(b"{\"events\": [")).problem(400, "invalid_json");
    client
        .send("POST", BATCH, &[("content-type", "text/csv")], Some(b"a"))
        .problem(415, "unsupported_media_type");
    client.post(&format!("{BATCH}?atomic=true"), &json!({"events": []})).problem(400, "invalid_parameter");
    client.get(BATCH).problem(405, "method_not_allowed");
    world.service.anonymous().post(BATCH, &json!({"events": [good()]})).problem(401, "unauthenticated");
    // 4 MiB are taken here, where one event may have 1 MiB; a byte more is not even read.
    let spaces = |bytes: usize| client.send("POST", BATCH, &headers, Some(&vec![b' '; bytes]));
    spaces(4 << 20).problem(400, "invalid_json");
    let token = format!("authorization: Bearer {}", world.token(town.id, town.people["coordinator"]));
    let length = format!("content-length: {}", (4 << 20) + 1);
    let head = wire::head("POST", BATCH, &[&token, "content-type: application/json", &length]);
    let reply = wire::exchange(world.service.url(), &head).unwrap();
    let problem = reply.problem(413, "content_too_large");
    assert!(problem["errors"][0]["detail"].as_str().unwrap().contains("4 MiB"), "{problem}");
    assert_eq!(world.database.log_rows(), rows);
    assert_eq!(send(&town, &[]), [] as [Value; 0], "a batch of nothing is one");
    none_failed(&failures);
}

/// 500 events of ten units, every one with a long note.
fn a_full_batch_is_taken(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units: Vec<String> = (0..10).map(|n| town.unit_in_service(&format!("U-{n}"), n % 2)).collect();
    let events: Vec<Value> = (0..500)
        .map(|n| {
            let at = format!("2026-{:02}-{:02}T12:00:00Z", 2 + n / 150, 1 + (n / 10) % 15);
            let mut event = reading(&units[n % 10], &at, 1.0);
            event["note"] = json!("n".repeat(3900));
            event
        })
        .collect();
    let rows = world.database.log_rows();
    let results = send(&town, &events);
    assert!(results.iter().all(|result| result["result"] == "applied"), "{:?}", words(&results));
    assert!(events.iter().zip(&results).all(|(sent, result)| sent["id"] == result["id"]), "in order");
    assert_eq!(world.database.log_rows(), rows + 500);
    is_clean(&world.database);
}

/// A caller who may not sees for each event what the single route answers.
fn everybody_is_asked_for_each_event(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (near, far) = (town.unit_in_service("near", 0), town.unit_in_service("far", 1));
    let technician = world.client(town.id, world.person(town.id, &[("technician", json!([town.sites[0]]))]));
    let events = [&near, &far].map(|unit| reading(unit, "2026-06-01T12:00:00Z", 5.0));
    let found = results(&technician.post(BATCH, &json!({"events": events})));
    assert_eq!(words(&found), ["applied", "refused"], "{found:?}");
    assert_eq!(errors(&found[1]), [("/events/1/unit_id", "unknown_unit")]);
    let events = [&near, &far].map(|unit| reading(unit, "2026-06-02T12:00:00Z", 6.0));
    let found = results(&town.clients["viewer"].post(BATCH, &json!({"events": events})));
    assert!(found.iter().all(|result| result["problem"]["type"] == "/problems/forbidden"), "{found:?}");
}
