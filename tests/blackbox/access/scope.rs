//! What somebody of one site sees is what they would sort out by hand of what is there.

use blackbox::{Backend, Town, World, none_failed, on_both, world::new_id};
use serde_json::{Value, json};

on_both!(
    lists_and_reads_keep_to_the_sites_granted,
    who_sees_nothing_is_told_nothing,
    a_cursor_widens_nothing
);

/// Units by where they are at home and where they stand, in that order: at the first site or the second.
fn units(town: &Town) -> [(&'static str, String, [usize; 2]); 4] {
    [("near", 0, 0), ("far", 1, 1), ("lent to us", 1, 0), ("lent by us", 0, 1)].map(
        |(label, home, stands)| {
            let unit = town.unit_in_service(label, home);
            if stands != home {
                let placement = json!({"kind": "placement", "site_id": town.sites[stands]});
                town.happened(&unit, "2026-06-10T12:00:00Z", placement);
            }
            (label, unit, [home, stands])
        },
    )
}

fn lists_and_reads_keep_to_the_sites_granted(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = units(&town);
    let client = world.client(town.id, world.person(town.id, &[("technician", json!([town.sites[0]]))]));
    let mut failures = Vec::new();
    for (label, unit, at) in &units {
        let seen = at.contains(&0);
        for path in [
            format!("/v1/units/{unit}"),
            format!("/v1/units/{unit}/due"),
            format!("/v1/service-events?unit={unit}"),
        ] {
            let reply = client.get(&path);
            if reply.status != if seen { 200 } else { 404 } {
                failures.push(format!("{label}: {path}: {}", reply.status));
            }
        }
        let reading = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "meter_hours": 1});
        let reply = client.post("/v1/service-events", &reading);
        if reply.status != if seen { 201 } else { 400 } {
            failures.push(format!("{label}: a reading: {}", reply.status));
        }
    }
    // Every list with the filter for a site agrees with the same list without it, hidden sites included.
    for (site, at) in
        [("", None), (&*town.sites[0], Some(0)), (&*town.sites[1], Some(1)), (&new_id(), Some(2))]
    {
        let filter = if at.is_some() { format!("?site={site}") } else { String::new() };
        let mut expected: Vec<&str> = units
            .iter()
            .filter(|(_, _, sites)| sites.contains(&0) && at.is_none_or(|at| sites.contains(&at)))
            .map(|(label, ..)| *label)
            .collect();
        expected.sort_unstable();
        for (path, member) in [("/v1/units", "label"), ("/v1/due", "unit_label")] {
            let mut found: Vec<String> =
                client.all(&format!("{path}{filter}"), 2).iter().map(|item| text(item, member)).collect();
            found.sort_unstable();
            found.dedup();
            if found != expected {
                failures.push(format!("{path} of site {at:?}: expected {expected:?}, found {found:?}"));
            }
        }
    }
    none_failed(&failures);
}

fn text(item: &Value, member: &str) -> String {
    item[member].as_str().unwrap().to_owned()
}

fn who_sees_nothing_is_told_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let [(_, unit, _), ..] = units(&town);
    let event = &town.coordinator().all(&format!("/v1/service-events?unit={unit}"), 100)[0]["id"];
    let client = world.client(town.id, world.person(town.id, &[]));
    let mut failures = Vec::new();
    let edition = format!("/v1/schedules/{}/editions/{}", town.schedule, town.edition);
    let reads = [
        ("/v1/sites".to_owned(), 200),
        ("/v1/units".into(), 200),
        ("/v1/due".into(), 200),
        ("/v1/schedules".into(), 200),
        (format!("/v1/sites/{}", town.sites[0]), 404),
        (format!("/v1/units/{unit}"), 404),
        (format!("/v1/units/{unit}/due"), 404),
        (format!("/v1/service-events?unit={unit}"), 404),
        (format!("/v1/service-events/{}", event.as_str().unwrap()), 404),
        (format!("/v1/schedules/{}", town.schedule), 404),
        (format!("/v1/schedules/{}/editions", town.schedule), 404),
        (edition, 404),
    ];
    for (path, status) in reads {
        let reply = client.get(&path);
        if reply.status != status || status == 200 && reply.json()["items"] != json!([]) {
            failures.push(format!("GET {path}: expected {status}, got {} {}", reply.status, reply.text));
        }
    }
    let rows = world.database.log_rows();
    let etag = town.coordinator().get(&format!("/v1/units/{unit}")).expect(200).etag();
    let writes = [
        ("a site", client.post("/v1/sites", &json!({"name": "Y", "zone": "UTC"})), 403),
        ("a schedule", client.post("/v1/schedules", &json!({"title": "T", "publisher": "P", "basis": "maker"})), 403),
        ("a change", client.patch(&format!("/v1/units/{unit}"), &etag, &json!({"label": "B"})), 404),
        (
            "an event",
            client.post("/v1/service-events", &json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "meter_hours": 1})),
            400,
        ),
    ];
    for (what, reply, status) in writes {
        if reply.status != status {
            failures.push(format!("{what}: expected {status}, got {} {}", reply.status, reply.text));
        }
    }
    assert_eq!(world.database.log_rows(), rows);
    none_failed(&failures);
}

/// A cursor is a place in a list, not a permission: handed on, it shows what its holder may see.
fn a_cursor_widens_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = units(&town);
    let hidden = &units[1].1;
    let client = world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[0]]))]));
    for (path, member) in [("/v1/units", "id"), ("/v1/due", "unit_id"), ("/v1/sites", "id")] {
        let cursor = town.coordinator().get(&format!("{path}?limit=1")).expect(200).json();
        let reply = client.get(&format!("{path}?cursor={}", cursor["next"].as_str().unwrap()));
        if reply.status != 200 {
            reply.problem(400, "cursor_invalid");
            continue;
        }
        for item in reply.json()["items"].as_array().unwrap() {
            assert!(item[member] != **hidden && item[member] != *town.sites[1], "{path}: {item}");
        }
    }
}
