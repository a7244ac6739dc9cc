//! Grants on some sites reach what belongs there or stands there, and nothing else.

use blackbox::{
    Backend, Client, Town, World, on_both,
    world::{edition, id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    a_technician_of_one_site,
    a_unit_on_loan_is_seen_where_it_stands,
    own_entries_stay_in_sight_after_a_loan,
    a_coordinator_of_one_site,
);

const NOW: &str = "2026-06-15T12:00:00Z";

fn of_site(world: &World, town: &Town, role: &str, site: usize) -> Client {
    let person = world.person(town.id, &[(role, json!([town.sites[site]]))]);
    world.client(town.id, person)
}

fn listed(client: &Client, path: &str, member: &str) -> Vec<String> {
    client.all(path, 500).iter().map(|item| item[member].as_str().unwrap().to_owned()).collect()
}

fn reading(unit: &str, at: &str, meter: f64) -> Value {
    json!({"kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": meter})
}

/// Whether someone sees a unit: in lists, by itself, its due items and its events, which must all agree.
#[track_caller]
fn sees(client: &Client, unit: &str) -> bool {
    let by_itself = client.get(&format!("/v1/units/{unit}")).status == 200;
    let everywhere = [
        listed(client, "/v1/units", "id").iter().any(|id| id == unit),
        client.get(&format!("/v1/units/{unit}/due")).status == 200,
        listed(client, "/v1/due", "unit_id").iter().any(|id| id == unit),
        !client.all(&format!("/v1/due?unit={unit}"), 500).is_empty(),
        client.get(&format!("/v1/service-events?unit={unit}")).status == 200,
    ];
    assert_eq!(everywhere, [by_itself; 5], "lists and single reads agree about {unit}");
    by_itself
}

/// D02 of the attacks.
fn a_technician_of_one_site(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (near, far) = (town.unit_in_service("near", 0), town.unit_in_service("far", 1));
    let of_far = town.happened(&far, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
    let client = of_site(&world, &town, "technician", 0);
    assert!(sees(&client, &near));
    assert!(!sees(&client, &far));
    assert_eq!(listed(&client, "/v1/sites", "id"), [town.sites[0].clone()]);
    assert!(client.all(&format!("/v1/units?site={}", town.sites[1]), 500).is_empty());
    assert!(client.all(&format!("/v1/due?site={}", town.sites[1]), 500).is_empty());
    for path in [
        format!("/v1/sites/{}", town.sites[1]),
        format!("/v1/units/{far}"),
        format!("/v1/units/{far}/due"),
        format!("/v1/service-events?unit={far}"),
        format!("/v1/service-events/{}", id_of(&of_far)),
    ] {
        client.get(&path).problem(404, "not_found");
    }
    client.get(&format!("/v1/schedules/{}", town.schedule)).expect(200);
    let rows = world.database.log_rows();
    // Writing to what is out of sight is answered like writing to nothing.
    for unit in [far.as_str(), &new_id()] {
        let reply = client.post("/v1/service-events", &reading(unit, NOW, 6.0));
        reply.problem(400, "invalid_request");
        assert_eq!(reply.errors(), [("/unit_id".to_owned(), "unknown_unit".to_owned())]);
    }
    for site in [town.sites[1].as_str(), &new_id()] {
        let event = json!({"kind": "placement", "unit_id": near, "occurred_at": NOW, "site_id": site});
        let reply = client.post("/v1/service-events", &event);
        reply.problem(400, "invalid_request");
        assert_eq!(reply.errors(), [("/site_id".to_owned(), "unknown_site".to_owned())]);
    }
    // A correction cannot reach over to another unit's event.
    let void = json!({"kind": "correction", "unit_id": near, "occurred_at": NOW, "action": "void", "target_id": id_of(&of_far), "reason": "x"});
    let reply = client.post("/v1/service-events", &void);
    assert!([400, 403].contains(&reply.status), "{}", reply.text);
    // Repeating another's event by its id tells nothing of it.
    let repeat = json!({"id": id_of(&of_far), "kind": "reading", "unit_id": far, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5});
    let reply = client.post("/v1/service-events", &repeat);
    assert!([400, 404].contains(&reply.status), "{}", reply.text);
    assert_eq!(world.database.log_rows(), rows);
    client.post("/v1/service-events", &reading(&near, NOW, 6.0)).expect(201);
}

fn a_unit_on_loan_is_seen_where_it_stands(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("loaned", 1);
    let (home, host) = (of_site(&world, &town, "technician", 1), of_site(&world, &town, "technician", 0));
    assert!(sees(&home, &unit) && !sees(&host, &unit), "before the loan");
    let place = |site: usize, at: &str| {
        town.happened(&unit, at, json!({"kind": "placement", "site_id": town.sites[site]}))
    };
    place(0, "2026-06-10T12:00:00Z");
    assert!(sees(&home, &unit) && sees(&host, &unit), "during the loan");
    host.post("/v1/service-events", &reading(&unit, "2026-06-11T12:00:00Z", 7.0)).expect(201);
    place(1, "2026-06-12T12:00:00Z");
    assert!(sees(&home, &unit) && !sees(&host, &unit), "after the loan");
    let reply = host.post("/v1/service-events", &reading(&unit, NOW, 8.0));
    reply.problem(400, "invalid_request");
}

/// D02 and A18: whoever had a unit on loan keeps sight of what they wrote themselves, and of nothing else.
fn own_entries_stay_in_sight_after_a_loan(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("loaned", 1);
    let host = of_site(&world, &town, "technician", 0);
    let place = |site: usize, at: &str| {
        town.happened(&unit, at, json!({"kind": "placement", "site_id": town.sites[site]}))
    };
    place(0, "2026-06-10T12:00:00Z");
    let own =
        host.post("/v1/service-events", &reading(&unit, "2026-06-11T12:00:00Z", 7.0)).expect(201).json();
    let others = town.happened(&unit, "2026-06-11T13:00:00Z", json!({"kind": "reading", "meter_hours": 7.1}));
    place(1, "2026-06-12T12:00:00Z");
    host.get(&format!("/v1/service-events/{}", id_of(&others))).problem(404, "not_found");
    host.get(&format!("/v1/service-events/{}", id_of(&own))).expect(200);
}

/// A grant on some sites must not widen itself.
fn a_coordinator_of_one_site(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let far = town.unit_in_service("far", 1);
    let client = of_site(&world, &town, "coordinator", 0);
    client.post("/v1/sites", &json!({"name": "Y", "zone": "UTC"})).problem(403, "forbidden");
    client
        .post("/v1/schedules", &json!({"title": "T", "publisher": "P", "basis": "maker"}))
        .problem(403, "forbidden");
    client.post(&format!("/v1/schedules/{}/editions", town.schedule), &edition()).problem(403, "forbidden");
    let unit = |site: &str| json!({"label": "A", "home_site_id": site, "fuel": "petrol"});
    let made = client.post("/v1/units", &unit(&town.sites[0])).expect(201);
    client.post("/v1/units", &unit(&town.sites[1])).problem(400, "invalid_request");
    let path = format!("/v1/units/{}", id_of(&made.json()));
    let away = client.patch(&path, &made.etag(), &json!({"home_site_id": town.sites[1]}));
    away.problem(400, "invalid_request");
    client.patch(&path, &made.etag(), &json!({"label": "B"})).expect(200);
    let etag = town.coordinator().get(&format!("/v1/units/{far}")).expect(200).etag();
    client.patch(&format!("/v1/units/{far}"), &etag, &json!({"label": "B"})).problem(404, "not_found");
    client
        .patch(&format!("/v1/sites/{}", town.sites[1]), "\"1-x\"", &json!({"name": "B"}))
        .problem(404, "not_found");
}
