//! Exports: what is brought in elsewhere is the same there.

use blackbox::{Backend, Client, Town, World, none_failed, on_both, service};
use serde_json::json;

use super::{counts, import, plain, wanted};

on_both!(what_is_exported_and_brought_in_is_the_same, exports_show_what_their_reader_sees);

const FILES: &[(&str, &str)] =
    &[("sites", "sites"), ("units", "units"), ("service_events", "service-events")];

fn exported(client: &Client, file: &str) -> String {
    let reply = client.get(&format!("/v1/exports/{file}.csv")).expect(200);
    assert_eq!(reply.header("content-disposition"), format!("attachment; filename=\"{file}.csv\""));
    assert!(reply.header("content-type").starts_with("text/csv"));
    reply.text
}

/// A town in which much has happened.
fn busy(world: &World) -> Town {
    let town = world.town();
    let client = town.coordinator();
    let note = "line one\nline two, \"quoted\"; and = signs";
    client
        .post(
            "/v1/sites",
            &json!({"name": "=Yard", "zone": "America/Denver", "latitude": -12.5, "note": note,
            "external_ids": {"gis": "ST-9", "erp": "7"}}),
        )
        .expect(201);
    for n in 0..3 {
        let unit = town.unit_in_service(&format!("FS-{n}"), n % 2);
        for (at, event) in [
            ("2026-02-01T06:00:00-07:00", json!({"kind": "reading", "meter_hours": 12.5, "note": "'quoted"})),
            (
                "2026-03-01T06:00:00-07:00",
                json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 20}),
            ),
            (
                "2026-03-02T06:00:00-07:00",
                json!({"kind": "service", "jobs": [{"job": "oil_change", "parts": [{"part": "oil", "quantity": 0.6, "unit": "litres"}]}]}),
            ),
            ("2026-04-01T06:00:00-07:00", json!({"kind": "placement", "site_id": town.sites[1]})),
        ] {
            town.happened(&unit, at, event);
        }
        let reading =
            town.happened(&unit, "2026-04-02T06:00:00-07:00", json!({"kind": "reading", "meter_hours": 31}));
        let void =
            json!({"kind": "correction", "action": "void", "target_id": reading["id"], "reason": "a slip"});
        town.happened(&unit, "2026-04-03T06:00:00-07:00", void);
        town.record(
            json!({"kind": "reading", "unit_id": unit, "occurred_on": "2026-05-01", "meter_hours": 40}),
        );
    }
    town
}

fn what_is_exported_and_brought_in_is_the_same(backend: Backend) {
    let world = World::new(backend);
    let town = busy(&world);
    // Another organization with people, and the schedules that the events name.
    let (id, people) = world.organization();
    let there = world.client(id, people["coordinator"]);
    let schedule = town.coordinator().get(&format!("/v1/schedules/{}", town.schedule)).expect(200).json();
    there.post("/v1/schedules", &schedule).expect(201);
    let edition = format!("/v1/schedules/{}/editions", town.schedule);
    let editions = town.coordinator().get(&edition).expect(200).json();
    let mut first = editions["items"][0].clone();
    first.as_object_mut().unwrap().remove("schedule_id");
    there.post(&edition, &first).expect(201);
    let mut failures = Vec::new();
    for (records, file) in FILES {
        let before = exported(town.coordinator(), file);
        let rows = before.matches("\r\n").count();
        assert!(rows > 3, "{file}: {before}");
        let (found, told) = import(&there, wanted(plain(records)), &before);
        if found["state"] != "done" || counts(&found)[4] != 0 {
            failures.push(format!("{file}: {found} {told:?}"));
        }
        if exported(&there, file) != before {
            failures.push(format!("{file} differs:\n{before}\n{}", exported(&there, file)));
        }
        let (again, _) = import(&there, wanted(plain(records)), &before);
        if counts(&again)[0..2] != [0, 0] || counts(&again)[4] != 0 {
            failures.push(format!("{file} again: {again}"));
        }
    }
    if exported(&there, "due") != exported(town.coordinator(), "due") {
        failures.push(format!("due: {}\n{}", exported(&there, "due"), exported(town.coordinator(), "due")));
    }
    none_failed(&failures);
    service::is_clean(&world.database);
}

fn exports_show_what_their_reader_sees(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (busy(&world), world.town());
    let person = world.person(town.id, &[("viewer", json!([town.sites[0]]))]);
    let near = world.client(town.id, person);
    let nobody = world.client(town.id, world.person(town.id, &[]));
    for file in ["sites", "units", "service-events", "due"] {
        let (all, some) = (exported(town.coordinator(), file), exported(&near, file));
        assert!(some.len() < all.len(), "{file}");
        assert!(all.contains(&some.split("\r\n").nth(1).unwrap().to_owned()), "{file}");
        for client in [&nobody, other.coordinator()] {
            let none = exported(client, file);
            let ours = town.sites.iter().any(|site| none.contains(site.as_str()));
            assert!(!ours, "{file}: {none}");
        }
        let path = format!("/v1/exports/{file}.csv?colour=red");
        near.get(&path).problem(400, "invalid_parameter");
        if file != "sites" {
            let of_site =
                near.get(&format!("/v1/exports/{file}.csv?site={}", town.sites[0])).expect(200).text;
            assert!(of_site.len() <= some.len(), "{file}");
        }
    }
}
