//! Incidents as records: made, read, changed and listed, and who sees and writes which.

use blackbox::{
    Backend, Client, World, none_failed, on_both, service,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{incident, with};

on_both!(
    made_read_changed_and_listed,
    a_grant_on_some_sites_reaches_those,
    what_is_wrong_is_named,
    an_end_comes_after_the_beginning_that_stands,
    handsets_are_not_told,
);

fn listed(client: &Client) -> Vec<String> {
    client.all("/v1/incidents", 1).iter().map(id_of).collect()
}

fn made_read_changed_and_listed(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let staged = json!({"site_id": town.sites[1], "item": "fuel", "quantity": 60.25, "unit": "litres",
        "staged_at": "2026-06-10T06:00:00Z"});
    let spare = json!({"site_id": town.sites[0], "item": "spare_unit", "quantity": 1, "unit": "pieces"});
    let id = new_id();
    let body = with(
        incident(),
        &json!({"id": id, "site_ids": [town.sites[1], town.sites[0]], "staging": [staged, spare], "note": "Lines down"}),
    );
    let made = client.post("/v1/incidents", &body).expect(201);
    assert_eq!(made.header("location"), format!("/v1/incidents/{id}"));
    assert_eq!(made.json()["staging"][0]["quantity"], 60.25);
    assert_eq!(made.json()["site_ids"], json!([town.sites[1], town.sites[0]]), "in the order of its author");
    assert_eq!(made.json()["note"], "Lines down");
    // A repeat is answered alike, and makes no second one; other content under its id is refused.
    assert_eq!(client.post("/v1/incidents", &body).expect(200).json(), made.json());
    client.post("/v1/incidents", &with(body.clone(), &json!({"name": "Other"}))).problem(409, "id_reused");
    assert_eq!(listed(client), std::slice::from_ref(&id));
    let path = format!("/v1/incidents/{id}");
    let read = client.get(&path).expect(200);
    assert_eq!(read.json(), made.json());
    assert_eq!(read.etag(), made.etag());
    client.send("GET", &path, &[("if-none-match", &read.etag())], None).expect(304);
    // A dry run writes nothing.
    let rows = world.database.log_rows();
    let dry = client.post("/v1/incidents?dry_run=true", &incident()).expect(200);
    assert_eq!(dry.json()["name"], "Ice storm");
    assert_eq!(world.database.log_rows(), rows);
    // It ends, and is about every site from now on.
    let over = json!({"ended_at": "2026-06-12T04:00:00Z", "site_ids": null, "staging": null});
    let changed = client.patch(&path, &read.etag(), &over).expect(200);
    assert_eq!(changed.json()["ended_at"], "2026-06-12T04:00:00Z");
    assert!(changed.json().get("site_ids").is_none() && changed.json().get("staging").is_none());
    client.patch(&path, &read.etag(), &over).problem(412, "precondition_failed");
    let given_up = client.patch(&path, &changed.etag(), &json!({"retired": true})).expect(200);
    assert_eq!(given_up.json()["retired"], true);
    assert_eq!(listed(client), [id], "also one that is given up");
    service::is_clean(&world.database);
}

fn a_grant_on_some_sites_reaches_those(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let of = |role: &str, sites: Value| world.client(town.id, world.person(town.id, &[(role, sites)]));
    let here = json!([town.sites[0]]);
    let at = |sites: &Value| with(incident(), &json!({"site_ids": sites}));
    let both = json!([town.sites[0], town.sites[1]]);
    let make = |body: &Value| id_of(&town.coordinator().post("/v1/incidents", body).expect(201).json());
    let (ours, elsewhere) = (make(&at(&here)), make(&at(&json!([town.sites[1]]))));
    let (shared, everywhere) = (make(&at(&both)), make(&incident()));
    // Whoever sees one of its sites sees it, and everybody one about all of them; lists and single reads agree.
    for role in ["viewer", "custodian", "technician", "coordinator", "planner"] {
        let client = of(role, here.clone());
        let mut seen = listed(&client);
        seen.sort();
        let mut expected = vec![ours.clone(), shared.clone(), everywhere.clone()];
        expected.sort();
        assert_eq!(seen, expected, "{role}");
        client.get(&format!("/v1/incidents/{elsewhere}")).problem(404, "not_found");
        expected.iter().for_each(|id| drop(client.get(&format!("/v1/incidents/{id}")).expect(200)));
    }
    let nobody = world.client(town.id, world.person(town.id, &[]));
    assert!(listed(&nobody).is_empty());
    nobody.get(&format!("/v1/incidents/{everywhere}")).problem(404, "not_found");
    // A planner of one site makes and changes what is there, and nothing that is everybody's.
    let planner = of("planner", here.clone());
    planner.post("/v1/incidents", &at(&here)).expect(201);
    planner.post("/v1/incidents", &incident()).problem(403, "forbidden");
    let unseen = planner.post("/v1/incidents", &at(&both));
    unseen.problem(400, "invalid_request");
    assert_eq!(unseen.errors(), [("/site_ids/1".to_owned(), "unknown_site".to_owned())]);
    let patch = |id: &str, body: Value| {
        let path = format!("/v1/incidents/{id}");
        planner.patch(&path, &town.coordinator().get(&path).expect(200).etag(), &body)
    };
    patch(&ours, json!({"name": "Wind"})).expect(200);
    patch(&shared, json!({"name": "Wind"})).expect(200);
    patch(&everywhere, json!({"name": "Wind"})).problem(403, "forbidden");
    patch(&elsewhere, json!({"name": "Wind"})).problem(404, "not_found");
    patch(&ours, json!({"site_ids": null})).problem(403, "forbidden");
    let own = json!({"site_ids": [town.sites[1]]});
    patch(&ours, own).problem(400, "invalid_request");
    service::is_clean(&world.database);
}

fn what_is_wrong_is_named(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let (site, foreign) = (&town.sites[0], &other.sites[0]);
    let staged = |members: Value| {
        let staged = json!({"site_id": site, "item": "fuel", "quantity": 1, "unit": "litres"});
        json!({"staging": [with(staged, &members)]})
    };
    let many = vec![json!({"site_id": site, "item": "can", "quantity": 1, "unit": "pieces"}); 201];
    let cases = [
        (json!({"name": null}), "/name", "required"),
        (json!({"name": " "}), "/name", "empty_text"),
        (json!({"began_at": null}), "/began_at", "required"),
        (json!({"began_at": "2026-06-10"}), "/began_at", "invalid_instant"),
        (json!({"ended_at": "2026-06-10T04:00:00Z"}), "/ended_at", "not_after_start"),
        (json!({"site_ids": []}), "/site_ids", "too_few"),
        (json!({"site_ids": "all"}), "/site_ids", "wrong_type"),
        (json!({"site_ids": ["x"]}), "/site_ids/0", "invalid_id"),
        (json!({"site_ids": [site, site]}), "/site_ids/1", "duplicate_site"),
        (json!({"site_ids": [site, foreign]}), "/site_ids/1", "unknown_site"),
        (json!({"site_ids": [site, new_id()]}), "/site_ids/1", "unknown_site"),
        (json!({"staging": many}), "/staging", "too_many"),
        (staged(json!({"site_id": foreign})), "/staging/0/site_id", "unknown_site"),
        (staged(json!({"item": "Fuel"})), "/staging/0/item", "invalid_code"),
        (staged(json!({"quantity": 0})), "/staging/0/quantity", "out_of_range"),
        (staged(json!({"quantity": 0.001})), "/staging/0/quantity", "too_precise"),
        (staged(json!({"unit": "gallons"})), "/staging/0/unit", "unknown_word"),
        (staged(json!({"unit": null})), "/staging/0/unit", "required"),
        (staged(json!({"where": "yard"})), "/staging/0/where", "unknown_member"),
        (json!({"retired": false}), "/retired", "wrong_type"),
        (json!({"sites": "all"}), "/sites", "unknown_member"),
    ];
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for (members, pointer, code) in cases {
        let reply = town.coordinator().post("/v1/incidents", &with(incident(), &members));
        if reply.status != 400 || reply.errors() != [(pointer.to_owned(), code.to_owned())] {
            failures.push(format!("{members}: {} {}", reply.status, reply.text));
        }
    }
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
}

fn an_end_comes_after_the_beginning_that_stands(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let made = client.post("/v1/incidents", &incident()).expect(201);
    let path = format!("/v1/incidents/{}", id_of(&made.json()));
    let early = client.patch(&path, &made.etag(), &json!({"ended_at": "2026-06-10T03:59:59Z"}));
    early.problem(400, "invalid_request");
    assert_eq!(early.errors(), [("/ended_at".to_owned(), "not_after_start".to_owned())]);
    let ended = client.patch(&path, &made.etag(), &json!({"ended_at": "2026-06-10T05:00:00Z"})).expect(200);
    let late = client.patch(&path, &ended.etag(), &json!({"began_at": "2026-06-10T06:00:00Z"}));
    assert_eq!(late.errors(), [("/ended_at".to_owned(), "not_after_start".to_owned())]);
    // Both at once, or the end taken away, is fine.
    let both = json!({"began_at": "2026-06-10T06:00:00Z", "ended_at": "2026-06-10T07:00:00Z"});
    let moved = client.patch(&path, &ended.etag(), &both).expect(200);
    let open = json!({"began_at": "2026-06-11T06:00:00Z", "ended_at": null});
    client.patch(&path, &moved.etag(), &open).expect(200);
}

fn handsets_are_not_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let made = client.post("/v1/incidents", &incident()).expect(201).json();
    let promise = super::promise(&unit, &town.sites[1]);
    let promise = client.post("/v1/promises", &promise).expect(201).json();
    let told = client.get("/v1/changes").expect(200).text;
    assert!(told.contains(&unit));
    for record in [made, promise] {
        assert!(!told.contains(&id_of(&record)), "what is planned in the office stays there");
    }
}
