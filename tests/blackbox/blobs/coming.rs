//! How a photo comes: at once, in parts, over a line that is cut, to more than one process.

use std::{
    io::Write,
    net::TcpStream,
    thread,
    time::{Duration, Instant},
};

use blackbox::{Backend, World, on_both, service::NOW, wire, world::new_id};
use serde_json::json;

use super::{Lab, finding, paper, path, put, put_part, told};

on_both!(
    one_comes_at_once,
    one_comes_in_parts,
    a_service_that_was_killed_goes_on,
    a_line_that_is_cut_costs_a_part,
    a_line_that_was_thought_dead,
    two_send_the_same,
    an_event_comes_before_its_photo,
    records_flow_meanwhile,
);

fn one_comes_at_once(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, bytes) = (town.coordinator(), paper("at once"));
    assert_eq!(told(client, &bytes), (404, String::new()));
    let sent = put(client, &path(&bytes), &bytes, &[("content-type", "application/pdf")]).expect(201);
    let hash = proof::sha256(&bytes).to_string();
    let state = json!({"sha256": hash, "bytes": bytes.len(), "received": bytes.len(), "media_type": "application/pdf"});
    assert_eq!(
        (sent.json(), sent.header("location"), sent.etag()),
        (state.clone(), path(&bytes).as_str(), format!("\"{hash}\""))
    );
    assert_eq!(told(client, &bytes), (200, String::new()));
    let again = put(client, &path(&bytes), &bytes, &[]).expect(200);
    assert_eq!(again.json(), state);
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
}

fn one_comes_in_parts(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let bytes = paper(&"x".repeat(700_000));
    let all = bytes.len();
    // Ahead of what has come is refused, and says how much that is.
    let ahead = put_part(client, &bytes, 10, 20);
    assert_eq!(ahead.header("upload-offset"), "0");
    ahead.problem(409, "upload_offset");
    assert_eq!(put_part(client, &bytes, 0, 300_000).expect(202).json()["received"], 300_000);
    assert_eq!(told(client, &bytes), (404, "300000".to_owned()));
    let ahead = put_part(client, &bytes, 300_001, 400_000);
    assert_eq!(ahead.header("upload-offset"), "300000");
    // What begins further back brings what is missing, and what is there already changes nothing.
    assert_eq!(put_part(client, &bytes, 0, 100).expect(202).json()["received"], 300_000);
    assert_eq!(put_part(client, &bytes, 200_000, 600_000).expect(202).json()["received"], 600_000);
    client.get(&path(&bytes)).problem(404, "not_found");
    let done = put_part(client, &bytes, 600_000, all).expect(201).json();
    assert_eq!((&done["received"], &done["media_type"]), (&json!(all), &json!("application/pdf")));
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
    // The same again, in a part of it too.
    put_part(client, &bytes, 0, 100).expect(200);
}

/// What has come is there after a kill: the sender asks where to go on.
fn a_service_that_was_killed_goes_on(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let bytes = paper(&"x".repeat(700_000));
    let all = bytes.len();
    put_part(town.coordinator(), &bytes, 0, 300_000).expect(202);
    world.restart_at(NOW);
    world.reach(&mut town);
    let client = town.coordinator();
    assert_eq!(told(client, &bytes), (404, "300000".to_owned()));
    put_part(client, &bytes, 300_000, all).expect(201);
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
}

/// 8 MB, of which each connection brings one: R24.
fn a_line_that_is_cut_costs_a_part(backend: Backend) {
    const CUT: usize = 1_000_000;
    let world = Lab::new(backend);
    let town = world.town();
    let (client, token) = (town.coordinator(), world.token(town.id, town.people["coordinator"]));
    let bytes = paper(&"8 MB of a photo ".repeat(500_000));
    let (all, mut sent, mut first) = (bytes.len(), 0, 0);
    while first + CUT < all {
        let head = wire::head(
            "PUT",
            &path(&bytes),
            &[
                &format!("authorization: Bearer {token}"),
                &format!("content-range: bytes {first}-{}/{all}", all - 1),
                &format!("content-length: {}", all - first),
            ],
        );
        let mut stream = TcpStream::connect(world.service.url().trim_start_matches("http://")).unwrap();
        stream.write_all(&head).unwrap();
        stream.write_all(&bytes[first..first + CUT]).unwrap();
        drop(stream);
        sent += CUT;
        let begun = Instant::now();
        let reached = || told(client, &bytes).1.parse::<usize>().unwrap_or(0);
        while reached() < first + CUT && begun.elapsed() < Duration::from_millis(1500) {
            thread::sleep(Duration::from_millis(10));
        }
        let at = reached();
        assert!(at <= first + CUT, "more is there than was sent: {at}");
        first = at;
    }
    put_part(client, &bytes, first, all).expect(201);
    sent += all - first;
    assert!(sent <= all + CUT, "{} bytes were sent twice", sent - all);
    assert!(client.get(&path(&bytes)).expect(200).text.as_bytes() == bytes, "it came whole");
}

fn two_send_the_same(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let bytes = paper(&"shared".repeat(1000));
    let [one, other] = ["technician", "coordinator"].map(|role| &town.clients[role]);
    put_part(one, &bytes, 0, 3000).expect(202);
    // What somebody else has begun is no beginning of one's own, nor is there a trace of it.
    assert_eq!(told(other, &bytes), (404, String::new()));
    put(other, &path(&bytes), &bytes, &[]).expect(201);
    assert_eq!(told(one, &bytes), (404, "3000".to_owned()));
    put_part(one, &bytes, 3000, bytes.len()).expect(201);
    for client in [one, other] {
        assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
    }
    // At the very same time, too.
    let bytes = paper(&new_id());
    thread::scope(|scope| {
        let send = |client| {
            let bytes = &bytes;
            scope.spawn(move || put(client, &path(bytes), bytes, &[]).status)
        };
        let sending = [one, other, one, other].map(send);
        for sent in sending {
            assert!(matches!(sent.join().unwrap(), 200 | 201));
        }
    });
    assert_eq!(one.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
}

fn an_event_comes_before_its_photo(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, unit, bytes) = (town.coordinator(), town.unit_in_service("FS-1", 0), paper("later"));
    let event = town.record(finding(&unit, &bytes));
    assert_eq!(event["attachments"][0]["name"], "Fuel line");
    assert_eq!(told(client, &bytes), (404, String::new()));
    put(client, &path(&bytes), &bytes, &[]).expect(201);
    assert_eq!(told(client, &bytes), (200, String::new()));
    let listed = client.get(&format!("/v1/service-events?unit={unit}")).expect(200).json();
    let found = listed["items"].as_array().unwrap().iter().find(|found| found["id"] == event["id"]).unwrap();
    assert_eq!(found["attachments"], event["attachments"]);
    let (direct, id) = (blackbox::Direct::open(&world.database, 2), town.id);
    let report = direct.ask(|store| async move { store.check(id).await }).unwrap();
    assert!(report.differences.is_empty(), "{:?}", report.differences);
}

/// What comes of a line that its sender gave up takes nothing away that came on the next one.
fn a_line_that_was_thought_dead(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let bytes = paper(&"z".repeat(700_000));
    let all = bytes.len();
    let token = world.token(town.id, town.people["coordinator"]);
    let lines = [
        format!("authorization: Bearer {token}"),
        format!("content-length: {all}"),
        "content-type: application/pdf".to_owned(),
    ];
    let head = wire::head("PUT", &path(&bytes), &[&lines[0], &lines[1], &lines[2]]);
    let mut dead = TcpStream::connect(world.service.url().trim_start_matches("http://")).unwrap();
    dead.write_all(&head).unwrap();
    dead.write_all(&bytes[..100_000]).unwrap();
    // It has begun when something is known of it.
    thread::sleep(Duration::from_millis(500));
    assert_eq!(put_part(client, &bytes, 0, 500_000).expect(202).json()["received"], 500_000);
    let before = world.files();
    drop(dead);
    let patience = Instant::now();
    while world.files() == before && patience.elapsed() < Duration::from_secs(10) {
        thread::sleep(Duration::from_millis(50));
    }
    assert_eq!(told(client, &bytes), (404, "500000".to_owned()));
    put_part(client, &bytes, 500_000, all).expect(201);
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
    assert_eq!(world.files(), 1);
}

/// While a photo is on its way, and stands still, others are answered: nothing is held for it.
fn records_flow_meanwhile(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let token = world.token(town.id, town.people["technician"]);
    let bytes = paper(&"y".repeat(2_000_000));
    let lines = [format!("authorization: Bearer {token}"), format!("content-length: {}", bytes.len())];
    let streams: Vec<TcpStream> = (0..10)
        .map(|_| {
            let head = wire::head("PUT", &path(&bytes), &[&lines[0], &lines[1]]);
            let mut stream = TcpStream::connect(world.service.url().trim_start_matches("http://")).unwrap();
            stream.write_all(&head).unwrap();
            stream.write_all(&bytes[..600_000]).unwrap();
            stream
        })
        .collect();
    for hour in 10..20 {
        let begun = Instant::now();
        let reading = json!({"kind": "reading", "meter_hours": hour});
        town.happened(&unit, &format!("2026-06-01T{hour}:00:00Z"), reading);
        assert!(begun.elapsed() < Duration::from_secs(5), "a reading waited {:?}", begun.elapsed());
    }
    drop(streams);
}
