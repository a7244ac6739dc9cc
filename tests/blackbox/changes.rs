//! The feed: whoever keeps a copy by it has in the end what there is, whatever happens meanwhile.

mod fingerprints;
mod replica;
mod restored;
mod scope;
mod stream;

use std::{
    sync::atomic::{AtomicBool, Ordering},
    thread,
};

use blackbox::{
    Backend, Client, Town, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, plain},
};
use serde_json::{Value, json};

use self::replica::Replica;

on_both!(
    a_copy_that_follows_has_what_there_is,
    a_page_can_be_asked_for_again,
    a_cursor_is_good_for_its_organization_only,
    a_reader_beside_writers_misses_nothing,
    a_large_unit_comes_over_several_pages,
);

/// A town with units at both sites and all that travels.
fn lively(world: &World) -> (Town, [String; 3]) {
    let town = world.town();
    let units =
        [town.unit_in_service("FS-1", 0), town.unit_in_service("SH-1", 1), town.unit_in_service("FS-2", 0)];
    for unit in &units {
        for hour in 1..4 {
            let reading = json!({"kind": "reading", "meter_hours": hour, "note": "the \"left\" one"});
            town.happened(unit, &format!("2026-02-0{hour}T12:00:00Z"), reading);
        }
    }
    town.adopted_for_model("2026-03-01T12:00:00Z");
    (town, units)
}

/// Changes fields as they are now.
fn change(client: &Client, path: &str, fields: &Value) {
    let etag = client.get(path).expect(200).etag();
    client.patch(path, &etag, fields).expect(200);
}

/// What is told of each record is what reading it by itself gives.
#[track_caller]
fn told_as_read(client: &Client, replica: &Replica) {
    let mut failures = Vec::new();
    for ((kind, id), change) in &replica.records {
        let record = &change["record"];
        let path = match kind.as_str() {
            "site" => format!("/v1/sites/{id}"),
            "unit" => format!("/v1/units/{id}"),
            "schedule" => format!("/v1/schedules/{id}"),
            "service_event" => format!("/v1/service-events/{id}"),
            "edition" => format!("/v1/schedules/{}/editions/{id}", record["schedule_id"].as_str().unwrap()),
            other => panic!("{other} is told"),
        };
        let reply = client.get(&path).expect(200);
        let read = reply.json();
        let told = if record.get("fields").is_some() {
            let mut told = record["fields"].clone();
            told["id"] = json!(id);
            assert!(reply.etag().starts_with(&format!("\"{}-", record["version"])), "{change}");
            told
        } else {
            assert_eq!(change["unit_id"], record["unit_id"], "{change}");
            record.clone()
        };
        // With numbers as they are spelled, but for those of an edition, which is read by itself as its types spell it.
        let same = match kind.as_str() {
            "edition" => plain(&told) == plain(&read),
            _ => [&told, &read].map(Value::to_string).windows(2).all(|two| two[0] == two[1]),
        };
        if !same {
            failures.push(format!("{kind} {id}: told {told}, read {read}"));
        }
    }
    none_failed(&failures);
}

fn a_copy_that_follows_has_what_there_is(backend: Backend) {
    let world = World::new(backend);
    let (town, [first, second, third]) = lively(&world);
    let coordinator = town.coordinator();
    let [at_first, at_second, at_third] = [&first, &second, &third].map(|unit| format!("/v1/units/{unit}"));
    let mut replica = Replica::new(coordinator, 7);
    replica.follow();
    told_as_read(coordinator, &replica);
    assert_eq!(replica.of_kind("unit").len(), 3);

    type Step<'a> = (&'a str, Box<dyn Fn() + 'a>);
    let steps: [Step<'_>; 8] = [
        (
            "a field",
            Box::new(|| change(coordinator, &at_first, &json!({"label": "Bay 2", "note": "by the door"}))),
        ),
        ("a field removed", Box::new(|| change(coordinator, &at_first, &json!({"note": null})))),
        (
            "a site",
            Box::new(|| {
                change(coordinator, &format!("/v1/sites/{}", town.sites[0]), &json!({"name": "Station"}))
            }),
        ),
        ("retired", Box::new(|| change(coordinator, &at_second, &json!({"retired": true})))),
        (
            "an event of a retired one",
            Box::new(|| {
                town.happened(&second, "2026-04-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 4}));
            }),
        ),
        (
            "moved",
            Box::new(|| {
                town.happened(
                    &third,
                    "2026-04-02T12:00:00Z",
                    json!({"kind": "placement", "site_id": town.sites[1]}),
                );
            }),
        ),
        ("revived", Box::new(|| change(coordinator, &at_second, &json!({"retired": null})))),
        (
            "a new one",
            Box::new(|| {
                town.unit_in_service("SH-9", 1);
                change(coordinator, &at_third, &json!({"home_site_id": town.sites[1]}));
            }),
        ),
    ];
    // Who asks after each step, and who asks once after all of them.
    let mut late = Replica::new(coordinator, 3);
    late.follow();
    for (name, step) in steps {
        step();
        replica.follow();
        let mut fresh = Replica::new(coordinator, 100);
        fresh.follow();
        assert_eq!(replica.live(), fresh.live(), "{name}");
        told_as_read(coordinator, &replica);
    }
    late.follow();
    assert_eq!(replica.records, late.records);
    is_clean(&world.database);
}

fn a_page_can_be_asked_for_again(backend: Backend) {
    let world = World::new(backend);
    let (town, [unit, ..]) = lively(&world);
    let mut replica = Replica::new(town.coordinator(), 4);
    let mut pages = 0;
    loop {
        let (again, page) = (replica.ask(), replica.ask());
        assert_eq!(again, page);
        assert!(page["changes"].as_array().unwrap().len() <= 4, "{page}");
        pages += 1;
        replica.apply(&page);
        if page["more"] == false {
            break;
        }
    }
    assert!(pages > 5, "{pages}");
    // The page before, asked for after something has changed, has the newer of it or leaves it to the next.
    let (before, known) = (replica.cursor.clone(), replica.records.clone());
    change(town.coordinator(), &format!("/v1/units/{unit}"), &json!({"label": "Renamed"}));
    replica.follow();
    let mut again = Replica { cursor: before, records: known, ..Replica::new(town.coordinator(), 2) };
    again.follow();
    assert_eq!(again.records, replica.records);
    let label = &again.records[&("unit".to_owned(), unit)]["record"]["fields"]["label"];
    assert_eq!(label, "Renamed");
}

fn a_cursor_is_good_for_its_organization_only(backend: Backend) {
    let world = World::new(backend);
    let (ours, theirs) = (world.town(), world.town());
    let mut replica = Replica::new(ours.coordinator(), 100);
    replica.follow();
    let cursor = replica.cursor.unwrap();
    ours.coordinator().get(&format!("/v1/changes?cursor={cursor}")).expect(200);
    let (head, tail) = cursor.split_at(cursor.len() / 2);
    let turned = format!("{head}{}{}", if tail.starts_with('A') { "B" } else { "A" }, &tail[1..]);
    let page = ours.coordinator().get("/v1/sites?limit=1").expect(200).json();
    let cases = [
        ("of another organization", theirs.coordinator(), cursor.as_str()),
        ("with another byte", ours.coordinator(), turned.as_str()),
        ("cut", ours.coordinator(), head),
        ("empty", ours.coordinator(), ""),
        ("of a list", ours.coordinator(), page["next"].as_str().unwrap()),
    ];
    for (name, client, cursor) in cases {
        let reply = client.get(&format!("/v1/changes?cursor={cursor}"));
        reply.problem(400, "cursor_invalid");
        assert_eq!(reply.errors(), [("cursor".to_owned(), "cursor_invalid".to_owned())], "{name}");
        // An empty one is no id: the stream begins.
        if !cursor.is_empty() {
            let stream = client.send("GET", "/v1/changes/stream", &[("last-event-id", cursor)], None);
            stream.problem(400, "cursor_invalid");
        }
    }
}

/// So many readings each writer records.
const READINGS: usize = 60;

fn a_reader_beside_writers_misses_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units: Vec<String> = (0..4).map(|n| town.unit_in_service(&format!("FS-{n}"), n % 2)).collect();
    let over = AtomicBool::new(false);
    let (made, replica) = thread::scope(|scope| {
        let reading = scope.spawn(|| {
            let mut replica = Replica::new(town.coordinator(), 20);
            while !over.load(Ordering::Acquire) {
                replica.follow();
            }
            replica.follow();
            replica
        });
        let writing: Vec<_> = units
            .iter()
            .map(|unit| {
                let town = &town;
                scope.spawn(move || {
                    let reading = |n: usize| {
                        let reading = json!({"kind": "reading", "meter_hours": n + 1});
                        let at = format!("2026-03-{:02}T{:02}:00:00Z", n / 20 + 1, n % 20);
                        id_of(&town.happened(unit, &at, reading))
                    };
                    (0..READINGS).map(reading).collect::<Vec<_>>()
                })
            })
            .collect();
        let made: Vec<Vec<String>> = writing.into_iter().map(|writer| writer.join().unwrap()).collect();
        over.store(true, Ordering::Release);
        (made.concat(), reading.join().unwrap())
    });
    let lost: Vec<&String> = made
        .iter()
        .filter(|id| !replica.records.contains_key(&("service_event".to_owned(), (*id).clone())))
        .collect();
    assert!(lost.is_empty(), "{} of {} lost", lost.len(), made.len());
    assert!(replica.older.is_empty(), "{:?}", replica.older);
    told_as_read(town.coordinator(), &replica);
    let mut fresh = Replica::new(town.coordinator(), 500);
    fresh.follow();
    assert_eq!(replica.records, fresh.records);
}

fn a_large_unit_comes_over_several_pages(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut filled = Replica::new(town.coordinator(), 5);
    filled.follow();
    let unit = town.unit_in_service("FS-1", 0);
    for n in 0..30 {
        let at = format!("2026-03-{:02}T10:00:00Z", n + 1);
        town.happened(&unit, &at, json!({"kind": "reading", "meter_hours": n}));
    }
    let mut followed = Replica::new(town.coordinator(), 5);
    // It moves while its events are told.
    while followed.of_kind("service_event").len() < 12 {
        followed.page();
    }
    town.happened(&unit, "2026-05-01T10:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    followed.follow();
    filled.follow();
    assert_eq!(followed.records, filled.records);
    assert_eq!(followed.of_kind("service_event").len(), 33);
}
