//! A request sent again records nothing twice and gets the first answer; what is made can be read back.

use std::thread;

use blackbox::{
    Backend, Reply, World, on_both,
    service::NOW,
    world::{self, edition, id_of, new_id, plain},
};
use serde_json::{Value, json};

on_both!(
    what_is_made_can_be_read_back,
    a_repeat_gets_the_first_answer,
    a_record_made_again_after_a_change_gets_the_first_answer,
    ten_at_once_are_one,
    a_handset_learns_what_was_recorded_also_of_what_it_sees_no_more,
);

const JSON: (&str, &str) = ("content-type", "application/json");

fn what_is_made_can_be_read_back(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let made = |path: &str, body: Value| -> String {
        let reply = client.post(path, &body).expect(201);
        let id = id_of(&reply.json());
        assert_eq!(reply.header("location"), format!("{path}/{id}"));
        let read = client.get(reply.header("location")).expect(200);
        assert_eq!(read.etag(), reply.etag(), "{path}");
        for (member, sent) in body.as_object().unwrap() {
            assert_eq!(plain(&read.json()[member]), plain(sent), "{path}: {member} as sent");
        }
        id
    };
    let schedule = json!({"title": "Portable", "publisher": "Tarn Valley", "basis": "common_practice"});
    let schedule = made("/v1/schedules", schedule);
    let edition = made(&format!("/v1/schedules/{schedule}/editions"), edition());
    let site = json!({"name": "Works Yard", "zone": "America/Denver", "latitude": 40.12345, "longitude": -102.1,
        "elevation_metres": 1600, "needs_kw": 12.5, "note": "behind the shed\n\tleft"});
    let site = made("/v1/sites", site);
    let unit = json!({"label": "WY-9", "home_site_id": site, "fuel": "petrol", "maker": "Sprig", "model": "محرك",
        "serial": "Ω-17 🚒", "rated_kw": 5.5, "ignition": "spark", "emergency_use": true, "electric_start": false,
        "meter_fitted": true, "meter_tick_hours": 0.1, "tank_litres": 24,
        "reserve_litres": 4.8, "battery_volts": 12, "note": "' OR 1=1; DROP TABLE record; --"});
    let unit = made("/v1/units", unit);
    let events = [
        json!({"kind": "commissioning", "site_id": site, "meter_hours": 0.3, "engine_hours": 614.3}),
        json!({"kind": "adoption", "schedule_id": schedule, "edition_id": edition, "effective_from": "2026-06-02", "effective_until": "2027-06-02"}),
        json!({"kind": "reading", "meter_hours": 7.25, "occurred_precision": "minute", "occurred_source": "clock", "note": "x"}),
        json!({"kind": "service", "jobs": [{"job": "oil_change", "parts": [{"part": "oil", "quantity": 0.6, "unit": "litres"}]}]}),
        json!({"kind": "component", "component": "meter", "action": "fitted", "old_meter_hours": 8, "new_meter_hours": 0}),
        json!({"kind": "placement", "site_id": town.sites[0], "on_behalf_of": town.people["technician"]}),
    ];
    for mut event in events {
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!("2026-06-01T09:00:00.250-06:00");
        made("/v1/service-events", event);
    }
    made(
        "/v1/service-events",
        json!({"kind": "reading", "unit_id": unit, "occurred_on": "2026-06-03", "meter_hours": 1}),
    );
}

fn a_repeat_gets_the_first_answer(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let event = |unit: &str, id: &str, meter: f64| json!({"id": id, "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": meter, "note": "in the rain"});
    let mut second = edition();
    second["id"] = json!(new_id());
    let editions = format!("/v1/schedules/{}/editions", town.schedule);
    let cases: Vec<(&str, Value, Value)> = vec![
        ("/v1/service-events", event(&unit, &new_id(), 5.0), json!({"meter_hours": 6.0})),
        // A misread's repeat is warned of again.
        ("/v1/service-events", event(&unit, &new_id(), 99_999.0), json!({"note": "in the snow"})),
        ("/v1/sites", json!({"id": new_id(), "name": "Yard", "zone": "UTC"}), json!({"name": "Yards"})),
        (
            "/v1/units",
            json!({"id": new_id(), "label": "A", "home_site_id": town.sites[0], "fuel": "dual"}),
            json!({"label": "B"}),
        ),
        (
            "/v1/schedules",
            json!({"id": new_id(), "title": "T", "publisher": "P", "basis": "maker"}),
            json!({"basis": "regulation"}),
        ),
        (&editions, second, json!({"edition": "B"})),
    ];
    for (path, body, other_content) in cases {
        let first = client.post(path, &body).expect(201);
        let rows = world.database.log_rows();
        let again = client.post(path, &body).expect(200);
        assert_eq!(again.json(), first.json(), "{path}");
        assert_eq!(again.etag(), first.etag(), "{path}");
        let mut changed = body.clone();
        changed.as_object_mut().unwrap().extend(other_content.as_object().unwrap().clone());
        client.post(path, &changed).problem(409, "id_reused");
        // Another spelling of the same number is no other content.
        let spelt = body.to_string().replace(":5.0", ":5.00");
        client.send("POST", path, &[JSON], Some(spelt.as_bytes())).expect(200);
        assert_eq!(world.database.log_rows(), rows, "{path}: nothing was written twice");
    }
    // Ids are an organization's own: another one may have the same (D82).
    let id = new_id();
    client.post("/v1/service-events", &event(&unit, &id, 5.1)).expect(201);
    let theirs = other.unit("SH-1");
    other.coordinator().post("/v1/service-events", &event(&theirs, &id, 7.0)).expect(201);
    // A key stands in for an id.
    let key = new_id();
    let keyed = json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-02T12:00:00Z", "meter_hours": 5.2});
    let headers = [JSON, ("idempotency-key", key.as_str())];
    let send = || client.send("POST", "/v1/service-events", &headers, Some(keyed.to_string().as_bytes()));
    let first = send().expect(201);
    assert_eq!(first.json()["id"], key.as_str());
    assert_eq!(send().expect(200).json(), first.json());
}

fn a_record_made_again_after_a_change_gets_the_first_answer(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let body = json!({"id": new_id(), "name": "Yard", "zone": "UTC"});
    let first = client.post("/v1/sites", &body).expect(201);
    client.patch(first.header("location"), &first.etag(), &json!({"name": "Works Yard"})).expect(200);
    let again = client.post("/v1/sites", &body).expect(200);
    assert_eq!(client.get(first.header("location")).expect(200).json()["name"], "Works Yard");
    assert_eq!((again.json(), again.etag()), (first.json(), first.etag()));
}

fn ten_at_once_are_one(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let event = json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5.0});
    let site = json!({"id": new_id(), "name": "Yard", "zone": "UTC"});
    for (path, body) in [("/v1/service-events", event), ("/v1/sites", site)] {
        let rows = world.database.log_rows();
        let replies: Vec<Reply> = thread::scope(|scope| {
            let sent: Vec<_> =
                (0..10).map(|_| scope.spawn(|| town.coordinator().post(path, &body))).collect();
            sent.into_iter().map(|reply| reply.join().unwrap()).collect()
        });
        let count = |status: u16| replies.iter().filter(|reply| reply.status == status).count();
        assert_eq!((count(201), count(200)), (1, 9), "{replies:?}");
        assert!(replies.iter().all(|reply| reply.json() == replies[0].json()), "{replies:?}");
        assert_eq!(world.database.log_rows(), rows + 1);
    }
}

/// What was recorded is not told as refused when its answer got lost and its unit has gone elsewhere meanwhile.
fn a_handset_learns_what_was_recorded_also_of_what_it_sees_no_more(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let here = world.client(town.id, world.person(town.id, &[("coordinator", json!([town.sites[0]]))]));
    let there = world.client(town.id, world.person(town.id, &[("coordinator", json!([town.sites[1]]))]));
    let [handset, other] = [&here, &there].map(|client| town.handset(client, "Van 2"));
    let unit = town.unit("FS-1");
    let reading =
        json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "meter_hours": 5});
    let reading = world::edit(&handset, 1, &new_id(), "service_event", "create", reading);
    let mut label = world::edit(&handset, 2, &new_id(), "unit", "set", json!({"label": "FS-2"}));
    label["record_id"] = json!(unit);
    let edits = [reading, label];
    let first = world::push(&here, NOW, &handset, &edits);
    let path = format!("/v1/units/{unit}");
    let etag = town.coordinator().get(&path).expect(200).etag();
    town.coordinator().patch(&path, &etag, &json!({"home_site_id": town.sites[1]})).expect(200);
    here.get(&path).problem(404, "not_found");
    let again = world::push(&here, NOW, &handset, &edits);
    for (first, again) in first.iter().zip(&again) {
        assert_eq!(again["result"], "already_applied", "{again}");
        for member in ["id", "version", "etag", "recorded_at"] {
            assert_eq!(again.get(member), first.get(member), "{member}");
        }
    }
    // Another handset, whose person does not see it, is told nothing.
    town.coordinator()
        .patch(&path, &town.coordinator().get(&path).etag(), &json!({"home_site_id": town.sites[0]}))
        .expect(200);
    for result in world::push(&there, NOW, &other, &edits) {
        assert_eq!(result["result"], "refused", "{result}");
    }
}
