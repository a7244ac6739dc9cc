//! Which promises count.

use blackbox::{Backend, Client, Town, World, on_both, world::id_of};
use serde_json::{Value, json};

use super::{promise, with};

on_both!(
    a_spare_promised_to_two_sites_is_caught,
    a_spare_that_is_not_ready_is_none,
    what_is_known_decides,
    only_sites_that_are_seen_are_told
);

fn checked(client: &Client) -> Vec<Value> {
    client.get("/v1/promises/check").expect(200).json()["promises"].as_array().unwrap().clone()
}

fn made(town: &Town, body: &Value) -> String {
    id_of(&town.coordinator().post("/v1/promises", body).expect(201).json())
}

fn codes(promise: &Value) -> Vec<&str> {
    promise["reasons"].as_array().unwrap().iter().map(|reason| reason["code"].as_str().unwrap()).collect()
}

fn a_spare_promised_to_two_sites_is_caught(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("SP-1");
    assert_eq!(checked(town.coordinator()), Vec::<Value>::new());
    let later = json!({"made_at": "2026-05-25T15:00:00Z"});
    // Entered in the other order than they were made.
    let second = made(&town, &with(promise(&unit, &town.sites[1]), &later));
    let first = made(&town, &promise(&unit, &town.sites[0]));
    let all = checked(town.coordinator());
    let ids: Vec<&Value> = all.iter().map(|one| &one["promise_id"]).collect();
    assert_eq!(ids, [&json!(first), &json!(second)], "in the order in which they were made");
    assert_eq!(all[0]["goes_before"], json!([second]));
    assert!(codes(&all[0]).is_empty());
    assert_eq!(
        (all[1]["counts"].as_str().unwrap(), codes(&all[1])),
        ("does_not_count", vec!["promised_elsewhere"])
    );
    let reason = &all[1]["reasons"][0];
    assert_eq!((&reason["promise_id"], &reason["site_id"]), (&json!(first), &json!(town.sites[0])));
    assert_eq!(
        (&reason["from"], &reason["until"]),
        (&json!("2026-06-01T00:00:00Z"), &json!("2026-07-01T00:00:00Z"))
    );
    let check = town.coordinator().get("/v1/promises/check").expect(200).json();
    assert!(
        check["trace"]
            .as_array()
            .unwrap()
            .iter()
            .any(|one| one["source"].as_str().is_some_and(|s| s.contains("9.19")))
    );
    assert!(check["cautions"].as_array().unwrap().iter().any(|one| one["caution"] == "back_feed"));
    // Taken back it contradicts nothing any more.
    let path = format!("/v1/promises/{first}");
    let etag = town.coordinator().get(&path).expect(200).etag();
    town.coordinator().patch(&path, &etag, &json!({"retired": true})).expect(200);
    let all = checked(town.coordinator());
    assert_eq!(all.len(), 1);
    assert!(codes(&all[0]).is_empty());
}

/// A spare of which a job is overdue is not ready, and a promise of it counts for nothing.
fn a_spare_that_is_not_ready_is_none(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("SP-1", 0);
    made(&town, &promise(&unit, &town.sites[0]));
    let one = checked(town.coordinator()).remove(0);
    assert_eq!((one["counts"].as_str().unwrap(), codes(&one)), ("does_not_count", vec!["spare_not_ready"]));
    let readiness = town.coordinator().get(&format!("/v1/units/{unit}/readiness")).expect(200).json();
    assert_eq!(readiness["readiness"]["verdict"], "not_ready", "{readiness}");
}

fn what_is_known_decides(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit("SP-1");
    let batteries = json!({"bridge": "batteries", "batteries_hours": 8, "there_after_hours": 8});
    made(&town, &with(promise(&unit, &town.sites[1]), &batteries));
    let one = checked(client).remove(0);
    assert_eq!(codes(&one), ["too_late"], "at the very moment at which they drain it is too late");
    assert_eq!((&one["reasons"][0]["value"], &one["reasons"][0]["threshold"]), (&json!(8.0), &json!(8.0)));
    // In time, but of fit and readiness nothing is known: unknown, with what to enter.
    let unknown = json!({"bridge": "batteries", "from": "2027-01-01T00:00:00Z", "until": null});
    let open = made(&town, &with(promise(&unit, &town.sites[1]), &unknown));
    let all = checked(client);
    let one = all.iter().find(|one| one["promise_id"] == open).unwrap();
    assert_eq!((one["counts"].as_str().unwrap(), codes(one)), ("unknown", vec![]));
    let asked: Vec<&str> =
        one["missing"].as_array().unwrap().iter().map(|one| one["pointer"].as_str().unwrap()).collect();
    for pointer in
        ["/unit/rated_kw", "/site/needs_volts", "/there_after_hours", "/batteries_hours", "/readiness"]
    {
        assert!(asked.contains(&pointer), "{pointer} in {asked:?}");
    }
    // What the site needs stands among its fields, and decides at once.
    let site = format!("/v1/sites/{}", town.sites[1]);
    let etag = client.get(&site).expect(200).etag();
    client.patch(&site, &etag, &json!({"needs_kw": 20})).expect(200);
    let unit = format!("/v1/units/{unit}");
    let etag = client.get(&unit).expect(200).etag();
    client.patch(&unit, &etag, &json!({"rated_kw": 5.5})).expect(200);
    let all = checked(client);
    let one = all.iter().find(|one| one["promise_id"] == open).unwrap();
    assert_eq!((one["counts"].as_str().unwrap(), codes(one)), ("does_not_count", vec!["does_not_fit"]));
    assert_eq!(one["fit"]["misfits"][0]["code"], "power");
    assert_eq!(one["capacity"]["capacity_kw"], 5.5);
}

fn only_sites_that_are_seen_are_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("SP-1");
    let first = made(&town, &promise(&unit, &town.sites[0]));
    let later = json!({"made_at": "2026-05-25T15:00:00Z"});
    let second = made(&town, &with(promise(&unit, &town.sites[1]), &later));
    let there = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[1]]))]));
    let all = checked(&there);
    assert_eq!(all.len(), 1);
    assert_eq!(all[0]["promise_id"], second);
    assert_eq!(all[0]["reasons"][0]["promise_id"], first, "it is held against all the same");
    let nobody = world.client(town.id, world.person(town.id, &[]));
    assert!(checked(&nobody).is_empty());
}
