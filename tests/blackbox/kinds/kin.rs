//! Events that are moved between units, and units that are one machine.

use blackbox::{
    Backend, Town, World, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{AT, event};

on_both!(
    a_service_counts_where_it_is_moved_to,
    one_machine_is_listed_once,
    one_machine_goes_by_an_entry_in_use,
    groups_grow_together,
    many_at_once,
    units_that_one_may_not_see,
);

fn correct(town: &Town, unit: &str, mut body: Value) -> Value {
    body["kind"] = json!("correction");
    body["reason"] = json!("mixed up");
    town.record(event(unit, body))
}

/// The event that a task counts from, and the state of the same item in the list.
fn anchor(town: &Town, unit: &str, task: &str) -> Value {
    let due = town.due(unit, task);
    let listed = town.coordinator().all(&format!("/v1/due?unit={unit}"), 100);
    let listed = listed.iter().find(|item| item["task"] == task).unwrap();
    assert_eq!(listed["state"], due["state"], "{unit} {task}");
    let trace = due["trace"].as_array().unwrap();
    let counts = trace.iter().find(|entry| entry["code"].as_str().unwrap().starts_with("counts_from"));
    counts.map_or(Value::Null, |entry| entry["event_id"].clone())
}

/// A service that was entered for the wrong unit.
fn a_service_counts_where_it_is_moved_to(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (one, other) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-2", 1));
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
    let service = town.record(event(&one, oil))["id"].clone();
    let before = anchor(&town, &other, "oil_change");
    assert_eq!(anchor(&town, &one, "oil_change"), service);
    assert_ne!(before, service);

    correct(&town, &one, json!({"action": "reassign", "target_id": service, "to_unit_id": other}));
    assert_eq!(anchor(&town, &other, "oil_change"), service);
    assert_ne!(anchor(&town, &one, "oil_change"), service);
    // What is corrected afterwards is told for the unit that it was entered for.
    correct(&town, &one, json!({"action": "void", "target_id": service}));
    assert_eq!(anchor(&town, &other, "oil_change"), before);
    correct(&town, &one, json!({"action": "reinstate", "target_id": service}));
    assert_eq!(anchor(&town, &other, "oil_change"), service);
    // Back again, the later correction counting.
    let mut back = json!({"kind": "correction", "reason": "right at first", "action": "reassign", "target_id": service, "to_unit_id": one});
    back["occurred_at"] = json!("2026-06-11T12:00:00Z");
    town.record(event(&one, back));
    assert_eq!(anchor(&town, &one, "oil_change"), service);
    assert_eq!(anchor(&town, &other, "oil_change"), before);
    is_clean(&world.database);
}

/// A unit that was entered twice: all its events count together, and lists show it once.
fn one_machine_is_listed_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (first, second) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-1 again", 0));
    let listed = || {
        let mut units: Vec<Value> =
            town.coordinator().all("/v1/due", 100).iter().map(|item| item["unit_id"].clone()).collect();
        units.dedup();
        units.sort_by_key(Value::to_string);
        units.dedup();
        units
    };
    assert_eq!(listed(), [json!(first), json!(second)]);
    correct(&town, &second, json!({"action": "link", "other_unit_id": first}));
    assert_eq!(listed(), [json!(first)]);
    // What happens to either happens to both.
    let plug = json!({"kind": "service", "jobs": [{"job": "plug_replace"}], "meter_hours": 7});
    let service = town.record(event(&second, plug))["id"].clone();
    assert_eq!(anchor(&town, &first, "plug_replace"), service);
    let read = |unit: &str| town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    assert_eq!(read(&first)["items"], read(&second)["items"]);
    assert_eq!(read(&first)["engine_hours"], read(&second)["engine_hours"]);
    assert!(!read(&first)["items"].as_array().unwrap().is_empty());
    // A field of the first bears on the machine.
    let path = format!("/v1/units/{first}");
    let etag = town.coordinator().get(&path).expect(200).etag();
    town.coordinator().patch(&path, &etag, &json!({"meter_tick_hours": 1})).expect(200);

    let mut unlink =
        json!({"kind": "correction", "reason": "two after all", "action": "unlink", "other_unit_id": first});
    unlink["occurred_at"] = json!("2026-06-11T12:00:00Z");
    town.record(event(&second, unlink));
    assert_eq!(listed(), [json!(first), json!(second)]);
    assert_ne!(anchor(&town, &first, "plug_replace"), service);
    assert_eq!(anchor(&town, &second, "plug_replace"), service);
    is_clean(&world.database);
}

/// The older of two entries of one machine is retired: the machine goes by the other, and nothing that is due is lost.
fn one_machine_goes_by_an_entry_in_use(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let boss = town.coordinator();
    let (first, second) = (town.unit_in_service("FS-1", 0), town.unit_in_service("FS-1 again", 0));
    correct(&town, &second, json!({"action": "link", "other_unit_id": first}));
    let plug = json!({"kind": "service", "jobs": [{"job": "plug_replace"}], "meter_hours": 7});
    let service = town.record(event(&first, plug))["id"].clone();
    let listed = || {
        let items = boss.all("/v1/due", 100);
        let sites = boss.get(&format!("/v1/sites/{}/while-here", town.sites[0])).expect(200).json();
        let here = sites["units"].as_array().unwrap().iter().map(|unit| unit["unit_id"].clone()).collect();
        let mut units: Vec<Value> = items.iter().map(|item| item["unit_id"].clone()).collect();
        units.dedup();
        (items.len(), units, here)
    };
    let set = |unit: &str, retired: Value| {
        let path = format!("/v1/units/{unit}");
        let etag = boss.get(&path).expect(200).etag();
        boss.patch(&path, &etag, &json!({"retired": retired})).expect(200);
    };
    let by = |unit: &str| (3, vec![json!(unit)], vec![json!(unit)]);
    assert_eq!(listed(), by(&first));
    set(&first, json!(true));
    assert_eq!(listed(), by(&second));
    assert_eq!(anchor(&town, &second, "plug_replace"), service);
    let verdict = boss.get(&format!("/v1/units/{second}/readiness")).expect(200).json();
    assert_eq!(verdict["unit_id"], json!(second), "{verdict}");
    is_clean(&world.database);
    set(&first, Value::Null);
    assert_eq!(listed(), by(&first));
    // It stands where the last placement of either says, and is listed there whichever it goes by.
    town.happened(&first, "2026-06-12T13:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    let at = |site: usize| {
        let here = boss.get(&format!("/v1/sites/{}/while-here", town.sites[site])).expect(200).json();
        let units = here["units"].as_array().unwrap().iter().map(|unit| unit["unit_id"].clone());
        (units.collect::<Vec<_>>(), here["clear"].clone())
    };
    for (retired, head) in [(Value::Null, &first), (json!(true), &second)] {
        set(&first, retired);
        assert_eq!([at(0), at(1)], [(vec![], json!(0)), (vec![json!(head)], json!(0))]);
    }
    // Where neither is in use nothing is due.
    for unit in [&first, &second] {
        set(unit, json!(true));
    }
    assert_eq!(listed().0, 0);
    is_clean(&world.database);
}

/// Links in a chain, in one batch and one by one, and a repeat of one.
fn groups_grow_together(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units: Vec<String> = (0..4).map(|n| town.unit_in_service(&format!("FS-{n}"), 0)).collect();
    let link = |one: usize, other: usize| {
        let body = json!({"kind": "correction", "action": "link", "other_unit_id": units[other], "reason": "x", "id": new_id()});
        event(&units[one], body)
    };
    let pairs = [link(0, 1), link(3, 2)];
    let batch =
        town.coordinator().post("/v1/service-events/batch", &json!({"events": pairs})).expect(207).json();
    assert!(
        batch["results"].as_array().unwrap().iter().all(|result| result["result"] == "applied"),
        "{batch}"
    );
    assert_eq!(town.coordinator().all("/v1/due", 100).len(), 6);
    let joined = link(2, 1);
    town.coordinator().post("/v1/service-events", &joined).expect(201);
    town.coordinator().post("/v1/service-events", &joined).expect(200);
    assert_eq!(town.coordinator().all("/v1/due", 100).len(), 3);
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}]});
    let dry = town
        .coordinator()
        .post("/v1/service-events?dry_run=true", &event(&units[3], oil.clone()))
        .expect(200);
    assert!(dry.json()["warnings"].is_array());
    let service = town.record(event(&units[3], oil))["id"].clone();
    assert_eq!(anchor(&town, &units[0], "oil_change"), service);
    // Services of one machine are linked over its units.
    let again = event(&units[1], json!({"kind": "service", "jobs": [{"job": "oil_change"}]}));
    let twin = id_of(&town.record(again));
    correct(&town, &units[1], json!({"action": "link", "target_id": twin, "other_id": service}));
    is_clean(&world.database);
}

/// Writers about several units of a group, while it grows: each waits for the other, and nothing is lost.
fn many_at_once(backend: Backend) {
    const EACH: usize = 6;
    let world = World::new(backend);
    let town = world.town();
    let units: Vec<String> = (0..3).map(|n| town.unit_in_service(&format!("FS-{n}"), 0)).collect();
    std::thread::scope(|scope| {
        for (at, unit) in units.iter().enumerate() {
            let (town, next) = (&town, &units[(at + 1) % units.len()]);
            scope.spawn(move || {
                for minute in 0..EACH {
                    let reading = json!({"kind": "reading", "meter_hours": 5, "occurred_at": format!("2026-06-12T12:{minute:02}:00Z")});
                    town.record(event(unit, reading));
                    if minute == EACH / 2 {
                        correct(town, unit, json!({"action": "link", "other_unit_id": next}));
                    }
                }
            });
        }
    });
    for unit in &units {
        let readings = town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 100);
        assert_eq!(readings.len(), EACH, "{unit}");
    }
    assert_eq!(town.coordinator().all("/v1/due", 100).len(), 3);
    is_clean(&world.database);
}

/// Who sees one site only names units of that one: others look like units that are not there.
fn units_that_one_may_not_see(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (here, there) = (town.unit_in_service("FS-1", 0), town.unit_in_service("SH-1", 1));
    let chief = world.client(town.id, world.person(town.id, &[("coordinator", json!([town.sites[0]]))]));
    let link = |other: &str| {
        let body = json!({"kind": "correction", "action": "link", "other_unit_id": other, "reason": "x", "occurred_at": AT});
        chief.post("/v1/service-events", &event(&here, body))
    };
    let (hidden, absent) = (link(&there), link(&new_id()));
    assert_eq!(hidden.errors(), [("/other_unit_id".to_owned(), "unknown_unit".to_owned())]);
    assert_eq!(hidden.errors(), absent.errors());
    assert_eq!(hidden.status, absent.status);
}
