//! Promises as records: one that another contradicts is taken with a warning.

use blackbox::{
    Backend, Client, World, none_failed, on_both, service,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{promise, with};

on_both!(
    made_read_changed_and_listed,
    what_contradicts_is_taken_with_a_warning,
    a_grant_on_some_sites_reaches_those,
    what_is_wrong_is_named,
);

fn listed(client: &Client) -> Vec<String> {
    client.all("/v1/promises", 1).iter().map(id_of).collect()
}

fn made_read_changed_and_listed(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("SP-1", 0);
    let id = new_id();
    let members = json!({"id": id, "there_after_hours": "3:30", "bridge": "batteries", "batteries_hours": 8, "note": "By van"});
    let body = with(promise(&unit, &town.sites[1]), &members);
    let made = client.post("/v1/promises", &body).expect(201);
    assert_eq!(made.header("location"), format!("/v1/promises/{id}"));
    assert_eq!(made.json()["there_after_hours"], 3.5);
    assert_eq!(made.json()["warnings"], json!([]));
    assert_eq!(client.post("/v1/promises", &body).expect(200).json(), made.json());
    assert_eq!(listed(client), std::slice::from_ref(&id));
    let path = format!("/v1/promises/{id}");
    let read = client.get(&path).expect(200);
    assert_eq!((read.etag(), &read.json()["note"]), (made.etag(), &json!("By van")));
    assert!(read.json().get("warnings").is_none(), "they are told to its author alone");
    let changed =
        client.patch(&path, &read.etag(), &json!({"batteries_hours": null, "until": null})).expect(200);
    assert!(changed.json().get("until").is_none() && changed.json().get("batteries_hours").is_none());
    let early = client.patch(&path, &changed.etag(), &json!({"until": "2026-06-01T00:00:00Z"}));
    assert_eq!(early.errors(), [("/until".to_owned(), "not_after_start".to_owned())]);
    service::is_clean(&world.database);
}

fn what_contradicts_is_taken_with_a_warning(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let (unit, another) = (town.unit_in_service("SP-1", 0), town.unit_in_service("SP-2", 0));
    let post = |body: &Value| client.post("/v1/promises", body).expect(201);
    let codes = |reply: &Value| {
        let all = reply["warnings"].as_array().unwrap().clone();
        let pair = |w: &Value| {
            (w["code"].as_str().unwrap().to_owned(), w["promise_id"].as_str().unwrap().to_owned())
        };
        all.iter().map(pair).collect::<Vec<_>>()
    };
    let first = post(&promise(&unit, &town.sites[0])).json();
    assert_eq!(first["warnings"], json!([]));
    // Made later, to another site, at an overlapping time.
    let later = json!({"made_at": "2026-05-25T15:00:00Z", "from": "2026-06-20T00:00:00Z", "until": null});
    let second = post(&with(promise(&unit, &town.sites[1]), &later));
    assert_eq!(codes(&second.json()), [("promised_elsewhere".to_owned(), id_of(&first))]);
    let warning = &second.json()["warnings"][0];
    assert_eq!(
        (&warning["site_id"], &warning["from"]),
        (&json!(town.sites[0]), &json!("2026-06-20T00:00:00Z"))
    );
    assert_eq!(warning["pointer"], "/unit_id");
    // One that was made before both, and is entered after them, goes before them.
    let oldest = json!({"made_at": "2026-01-01T00:00:00Z", "from": "2026-06-25T00:00:00Z", "until": "2026-06-26T00:00:00Z"});
    let oldest = post(&with(promise(&unit, &town.sites[1]), &oldest)).json();
    assert_eq!(
        codes(&oldest),
        [("goes_before".to_owned(), id_of(&first))],
        "the other one is to the same site"
    );
    // Another spare, or another time, contradicts nothing.
    assert_eq!(codes(&post(&promise(&another, &town.sites[1])).json()), []);
    let may = json!({"from": "2026-05-21T00:00:00Z", "until": "2026-06-01T00:00:00Z"});
    assert_eq!(codes(&post(&with(promise(&unit, &town.sites[1]), &may)).json()), []);
    // A dry run is told the same; and one that is taken back counts no more.
    let dry =
        client.post("/v1/promises?dry_run=true", &with(promise(&unit, &town.sites[1]), &later)).expect(200);
    assert_eq!(codes(&dry.json()), [("promised_elsewhere".to_owned(), id_of(&first))]);
    for gone in [&first, &oldest] {
        let path = format!("/v1/promises/{}", id_of(gone));
        let etag = client.get(&path).expect(200).etag();
        assert_eq!(codes(&client.patch(&path, &etag, &json!({"retired": true})).expect(200).json()), []);
    }
    let path = format!("/v1/promises/{}", id_of(&second.json()));
    let alone = client.patch(&path, &second.etag(), &json!({"there_after_hours": 2})).expect(200);
    assert_eq!(codes(&alone.json()), []);
}

fn a_grant_on_some_sites_reaches_those(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("SP-1", 0);
    let make = |site: usize| {
        id_of(&town.coordinator().post("/v1/promises", &promise(&unit, &town.sites[site])).expect(201).json())
    };
    let (ours, elsewhere) = (make(0), make(1));
    let here = json!([town.sites[0]]);
    for role in ["viewer", "technician", "planner"] {
        let client = world.client(town.id, world.person(town.id, &[(role, here.clone())]));
        assert_eq!(listed(&client), std::slice::from_ref(&ours), "{role}");
        client.get(&format!("/v1/promises/{ours}")).expect(200);
        client.get(&format!("/v1/promises/{elsewhere}")).problem(404, "not_found");
    }
    let there = world.client(town.id, world.person(town.id, &[("planner", json!([town.sites[1]]))]));
    let unseen = there.post("/v1/promises", &promise(&unit, &town.sites[1]));
    unseen.problem(400, "invalid_request");
    assert_eq!(unseen.errors(), [("/unit_id".to_owned(), "unknown_unit".to_owned())]);
    let planner = world.client(town.id, world.person(town.id, &[("planner", here)]));
    let path = format!("/v1/promises/{ours}");
    let etag = planner.get(&path).expect(200).etag();
    let moved = planner.patch(&path, &etag, &json!({"site_id": town.sites[1]}));
    assert_eq!(moved.errors(), [("/site_id".to_owned(), "unknown_site".to_owned())]);
    planner.patch(&path, &etag, &json!({"there_after_hours": 1})).expect(200);
}

fn what_is_wrong_is_named(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let unit = town.unit_in_service("SP-1", 0);
    let foreign = other.unit_in_service("SP-1", 0);
    let cases = [
        (json!({"unit_id": null}), "/unit_id", "required"),
        (json!({"unit_id": foreign}), "/unit_id", "unknown_unit"),
        (json!({"unit_id": new_id()}), "/unit_id", "unknown_unit"),
        (json!({"site_id": other.sites[0]}), "/site_id", "unknown_site"),
        (json!({"made_at": null}), "/made_at", "required"),
        (json!({"from": null}), "/from", "required"),
        (json!({"until": "2026-06-01T00:00:00Z"}), "/until", "not_after_start"),
        (json!({"bridge": null}), "/bridge", "required"),
        (json!({"bridge": "candles"}), "/bridge", "unknown_word"),
        (json!({"there_after_hours": -1}), "/there_after_hours", "out_of_range"),
        (json!({"batteries_hours": "1,5"}), "/batteries_hours", "ambiguous_number"),
        (json!({"kept": true}), "/kept", "unknown_member"),
    ];
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for (members, pointer, code) in cases {
        let body = with(promise(&unit, &town.sites[1]), &members);
        let reply = town.coordinator().post("/v1/promises", &body);
        if reply.status != 400 || reply.errors() != [(pointer.to_owned(), code.to_owned())] {
            failures.push(format!("{members}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
}
