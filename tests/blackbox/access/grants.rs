//! Grants begin and end; whoever holds none sees nothing.

use blackbox::{Backend, Client, World, none_failed, on_both};
use serde_json::json;

on_both!(a_grant_holds_while_it_lasts, grants_add_up);

/// What a person sees of an organization with two sites: how many, and what a read of one says.
fn sight(client: &Client, site: &str) -> (usize, u16) {
    (client.all("/v1/sites", 500).len(), client.get(&format!("/v1/sites/{site}")).status)
}

/// The services' clock begins at 2026-06-15T12:00:00Z and is a few seconds further in this test.
fn a_grant_holds_while_it_lasts(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let cases = [
        ("none", json!(null), false),
        ("in force", json!({"role": "technician", "sites": "all", "from": "2026-06-15T12:00:00Z"}), true),
        ("not begun", json!({"role": "technician", "sites": "all", "from": "2026-06-15T13:00:00Z"}), false),
        (
            "ended",
            json!({"role": "technician", "sites": "all", "from": "2026-01-01T00:00:00Z", "until": "2026-06-15T12:00:00Z"}),
            false,
        ),
        (
            "ends later",
            json!({"role": "technician", "sites": "all", "from": "2026-01-01T00:00:00Z", "until": "2026-06-15T13:00:00Z"}),
            true,
        ),
    ];
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for (case, grant, holds) in &cases {
        let person = world.person(town.id, &[]);
        if !grant.is_null() {
            world.grant(town.id, person, grant.clone());
        }
        let client = world.client(town.id, person);
        let expected = if *holds { (2, 200) } else { (0, 404) };
        if sight(&client, &town.sites[0]) != expected {
            failures.push(format!("{case}: {:?}", sight(&client, &town.sites[0])));
        }
        for path in ["/v1/units", "/v1/due"] {
            if client.all(path, 500).is_empty() == *holds {
                failures.push(format!("{case}: {path}"));
            }
        }
        let event = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-15T12:00:00Z", "meter_hours": 1});
        let status = client.post("/v1/service-events", &event).status;
        if status != if *holds { 201 } else { 400 } {
            failures.push(format!("{case}: an event gets {status}"));
        }
    }
    none_failed(&failures);
    let people_and_grants = 5 + 4;
    assert_eq!(world.database.log_rows(), rows + people_and_grants + 2);
}

fn grants_add_up(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = [town.unit_in_service("near", 0), town.unit_in_service("far", 1)];
    let grants = [("viewer", json!("all")), ("technician", json!([town.sites[0]]))];
    let client = world.client(town.id, world.person(town.id, &grants));
    assert_eq!(sight(&client, &town.sites[1]), (2, 200));
    for (unit, status) in units.iter().zip([201, 403]) {
        let event = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-15T12:00:00Z", "meter_hours": 1});
        assert_eq!(
            client.post("/v1/service-events", &event).status,
            status,
            "what is seen but not for them is 403"
        );
    }
    // A grant given while the service runs holds from the next request on.
    let person = world.person(town.id, &[]);
    let client = world.client(town.id, person);
    assert_eq!(sight(&client, &town.sites[0]), (0, 404));
    world.grant(
        town.id,
        person,
        json!({"role": "viewer", "sites": [town.sites[0]], "from": "2026-01-01T00:00:00Z"}),
    );
    assert_eq!(sight(&client, &town.sites[0]), (1, 200));
    // The same person's token of another organization is worth nothing there.
    let other = world.town();
    assert_eq!(sight(&world.client(other.id, person), &other.sites[0]), (0, 404));
}
