//! Jobs: who may see and stop them, and that they go on after a kill without doing anything twice.

use blackbox::{Backend, Client, OneProcess, Service, World, on_both, service, service::NOW, world::new_id};
use serde_json::{Value, json};

use super::{counts, ended, import, made, plain, put, send, wanted};

on_both!(
    a_repeat_makes_no_second_job,
    jobs_are_seen_by_whom_they_concern,
    a_job_that_waits_is_stopped_at_once,
    whoever_may_no_more_writes_no_more,
    a_killed_instance_leaves_its_job_to_the_next,
    of_two_instances_one_goes_through_a_job,
    somebody_has_so_many_at_once,
    what_has_expired_is_gone,
);

fn many(count: usize) -> String {
    (0..count)
        .fold("external_id:gis,name,zone\r\n".to_owned(), |file, n| file + &format!("S-{n},Site {n},UTC\r\n"))
}

fn sites(world: &World) -> i64 {
    world.database.number("SELECT count(*) AS n FROM external_id WHERE kind = 'site'")
}

fn a_repeat_makes_no_second_job(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let wanted = wanted(plain("sites"));
    let first = client.post("/v1/imports", &wanted).expect(201);
    let again = client.post("/v1/imports", &wanted).expect(200);
    assert_eq!(first.json(), again.json());
    assert_eq!(client.all("/v1/imports", 10).len(), 1);
    let mut other = wanted.clone();
    other["dry_run"] = json!(true);
    client.post("/v1/imports", &other).problem(409, "id_reused");
    let key = new_id();
    let body = json!({"mapping": plain("sites")});
    let headers = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
    let made = client.send("POST", "/v1/imports", &headers, Some(body.to_string().as_bytes())).expect(201);
    assert_eq!(made.json()["id"], key.as_str());
}

fn jobs_are_seen_by_whom_they_concern(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let near = world.person(town.id, &[("coordinator", json!([town.sites[0]]))]);
    let near = world.client(town.id, near);
    let path = send(&near, wanted(json!({"records": "units"})), "label,home_site_id,fuel\r\nA,,petrol\r\n");
    ended(&near, &path);
    let listed = |client: &Client| client.all("/v1/imports", 10).len();
    for (name, client, status) in [
        ("its author", &near, 200),
        ("a coordinator of all sites", town.coordinator(), 200),
        ("an admin", &town.clients["admin"], 200),
        ("an integrator", &town.clients["integrator"], 404),
        ("a viewer", &town.clients["viewer"], 404),
        ("another town", other.coordinator(), 404),
    ] {
        assert_eq!(client.get(&path).status, status, "{name}");
        assert_eq!(client.get(&format!("{path}/rows")).status, status, "{name}");
        assert_eq!(listed(client), usize::from(status == 200), "{name}");
        let stopped = client.post(&format!("{path}/cancel"), &json!({})).status;
        assert_eq!(stopped, if status == 200 { 409 } else { 404 }, "{name}");
    }
    // Who sees it does not bring in files in the name of another one.
    let waiting = made(&near, wanted(plain("sites")));
    put(town.coordinator(), &waiting, b"name,zone\r\n", &[]).problem(403, "forbidden");
    town.clients["technician"].post("/v1/imports", &wanted(plain("sites"))).problem(403, "forbidden");
}

fn a_job_that_waits_is_stopped_at_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let path = made(client, wanted(plain("sites")));
    for _ in 0..2 {
        let stopped = client.post(&format!("{path}/cancel"), &json!({})).expect(200).json();
        assert_eq!(stopped["state"], "cancelled");
    }
    put(client, &path, b"name,zone\r\nA,UTC\r\n", &[]).problem(409, "wrong_state");
    // One that is worked at stops after its slice.
    let path = send(client, wanted(plain("sites")), &many(20_000));
    let found = loop {
        let found = client.get(&path).expect(200).json();
        if found["rows_read"].as_i64().unwrap() > 0 {
            break client.post(&format!("{path}/cancel"), &json!({})).expect(200).json();
        }
    };
    assert!(["running", "cancelled"].contains(&found["state"].as_str().unwrap()), "{found}");
    let found = ended(client, &path);
    assert_eq!(found["state"], "cancelled", "{found}");
    assert_eq!(found["counts"]["created"].as_i64(), Some(sites(&world)), "{found}");
    assert!(sites(&world) < 20_000);
    service::is_clean(&world.database);
}

fn whoever_may_no_more_writes_no_more(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    // The grant ends a few seconds after the clock begins.
    let until = "2026-06-15T12:00:04Z";
    assert!(NOW < until);
    let person = world.person(town.id, &[]);
    let grant =
        json!({"role": "coordinator", "sites": "all", "from": "2020-01-01T00:00:00Z", "until": until});
    world.grant(town.id, person, grant);
    let client = world.client(town.id, person);
    let path = send(&client, wanted(plain("sites")), &many(100_000));
    let found = ended(town.coordinator(), &path);
    assert_eq!(
        (found["state"].as_str(), found["failure"].as_str()),
        (Some("failed"), Some("forbidden")),
        "{found}"
    );
    assert_eq!(found["counts"]["created"].as_i64(), Some(sites(&world)));
}

fn a_killed_instance_leaves_its_job_to_the_next(backend: Backend) {
    let mut world = World::alone(backend, OneProcess::Signalled);
    let mut town = world.town();
    const ROWS: usize = 3_000;
    let path = send(town.coordinator(), wanted(plain("sites")), &many(ROWS));
    let mut clock = model::Instant::parse(NOW).unwrap();
    for _ in 0..3 {
        let before = sites(&world);
        while sites(&world) == before && before < ROWS as i64 {
            std::thread::yield_now();
        }
        // After the lease of the one that was killed.
        clock = clock.plus_seconds(120);
        world.restart_at(&clock.to_string());
        world.reach(&mut town);
    }
    let found = ended(town.coordinator(), &path);
    assert_eq!(
        (found["state"].as_str(), counts(&found)),
        (Some("done"), [ROWS as i64, 0, 0, 0, 0]),
        "{found}"
    );
    assert_eq!(found["rows_read"], ROWS);
    assert_eq!(sites(&world), ROWS as i64);
    service::is_clean(&world.database);
}

fn of_two_instances_one_goes_through_a_job(backend: Backend) {
    if backend == Backend::Sqlite {
        // The embedded database belongs to one process.
        return;
    }
    let world = World::new(backend);
    let town = world.town();
    let second = Service::start_at(&world.database, NOW);
    let paths: Vec<String> = (0..6)
        .map(|n: usize| {
            let client = if n.is_multiple_of(2) {
                town.coordinator().clone()
            } else {
                second.client(&world.token(town.id, town.people["coordinator"]))
            };
            send(&client, wanted(plain("sites")), &many(400))
        })
        .collect();
    let all: Vec<Value> = paths.iter().map(|path| ended(town.coordinator(), path)).collect();
    let together = all.iter().fold([0; 5], |sum, import| std::array::from_fn(|n| sum[n] + counts(import)[n]));
    assert_eq!(together, [400, 0, 2000, 0, 0], "{all:?}");
    assert_eq!(sites(&world), 400);
}

fn somebody_has_so_many_at_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let waiting: Vec<String> = (0..20).map(|_| made(client, wanted(plain("sites")))).collect();
    client.post("/v1/imports", &wanted(plain("sites"))).problem(409, "too_many_imports");
    // One that is there is answered as before, and somebody else has their own.
    let (_, id) = waiting[0].rsplit_once('/').unwrap();
    let mut again = wanted(plain("sites"));
    again["id"] = json!(id);
    client.post("/v1/imports", &again).expect(200);
    made(&town.clients["integrator"], wanted(plain("sites")));
    client.post(&format!("{}/cancel", waiting[7]), &json!({})).expect(200);
    made(client, wanted(plain("sites")));
}

fn what_has_expired_is_gone(backend: Backend) {
    let mut world = World::alone(backend, OneProcess::Signalled);
    let mut town = world.town();
    let (found, rows) = import(town.coordinator(), wanted(plain("sites")), "name,zone\r\nA,UTC\r\nB,\r\n");
    assert_eq!((counts(&found), rows.len()), ([1, 0, 0, 0, 1], 1));
    let path = format!("/v1/imports/{}", found["id"].as_str().unwrap());
    for (later, status) in [("2026-06-22T11:59:00Z", 200), ("2026-06-22T12:10:00Z", 410)] {
        world.restart_at(later);
        world.reach(&mut town);
        let reply = town.coordinator().get(&path);
        assert_eq!(reply.status, status, "{later}: {}", reply.text);
        if status == 410 {
            reply.problem(410, "import_expired");
            town.coordinator().get(&format!("{path}/rows")).problem(410, "import_expired");
        }
    }
    assert!(town.coordinator().all("/v1/imports", 10).is_empty());
    let left = |table: &str| world.database.number(&format!("SELECT count(*) AS n FROM {table}"));
    let begun = std::time::Instant::now();
    while ["import_row", "import_chunk", "import_file"].iter().any(|table| left(table) > 0) {
        assert!(
            begun.elapsed() < std::time::Duration::from_secs(30),
            "the file and the report are still there"
        );
        std::thread::yield_now();
    }
}
