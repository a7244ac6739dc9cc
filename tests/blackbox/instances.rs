//! The service keeps nothing between requests: two instances on one database answer as one, and whatever was
//! acknowledged outlives the process.

use std::{
    collections::BTreeMap,
    io::{Read, Write},
    net::TcpStream,
    process::Command,
    sync::{
        atomic::{AtomicUsize, Ordering},
        mpsc,
    },
    thread,
    time::{Duration, Instant},
};

use blackbox::{
    Backend, Client, OneProcess, Relay, Reply, Service, Town, World, on_both,
    service::{NOW, is_clean},
    wire,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

on_both!(a_kill_loses_nothing_acknowledged, a_stop_lets_a_request_finish);

/// Two instances on one PostgreSQL database, each with a client of the same person.
struct Pair {
    world: World,
    second: Service,
    town: Town,
    clients: [Client; 2],
}

impl Pair {
    fn new() -> Self {
        let world = World::new(Backend::Postgres);
        let second = Service::start(&world.database);
        let town = world.town();
        let token = world.token(town.id, town.people["coordinator"]);
        let clients = [world.service.client(&token), second.client(&token)];
        Self { world, second, town, clients }
    }
}

/// A representation without the moment at which it was computed.
fn timeless(reply: &Reply) -> Value {
    let mut value = reply.json();
    if let Some(members) = value.as_object_mut() {
        members.remove("as_of");
        members.remove("next");
    }
    value
}

#[test]
fn two_instances_give_the_same_answers() {
    let pair = Pair::new();
    let town = &pair.town;
    // What one of them writes, the other reads at once.
    let mut units = Vec::new();
    for n in 0..6 {
        let (writes, reads) = (&pair.clients[n % 2], &pair.clients[(n + 1) % 2]);
        let unit = json!({"label": format!("FS-{n}"), "home_site_id": town.sites[n % 2], "fuel": "diesel", "note": "n"});
        let made = writes.post("/v1/units", &unit).expect(201);
        let path = made.header("location").to_owned();
        let read = reads.get(&path).expect(200);
        assert_eq!((read.json(), read.etag()), (made.json(), made.etag()), "{path}");
        let unit = id_of(&made.json());
        for (event, at) in [
            (
                json!({"kind": "commissioning", "site_id": town.sites[n % 2], "meter_hours": 0}),
                "2026-01-10T10:00:00Z",
            ),
            (town.adoption(), "2026-01-10T10:00:00Z"),
            (json!({"kind": "reading", "meter_hours": 5 * n}), "2026-06-01T10:00:00Z"),
        ] {
            let mut event = event;
            event["unit_id"] = json!(unit);
            event["occurred_at"] = json!(at);
            let made = writes.post("/v1/service-events", &event).expect(201);
            assert_eq!(reads.get(made.header("location")).expect(200).etag(), made.etag(), "{event}");
        }
        units.push(unit);
    }
    let mut paths: Vec<String> = [
        "/v1/sites",
        "/v1/units",
        "/v1/schedules",
        "/v1/service-events",
        "/v1/due",
        "/v1/due?state=overdue",
        "/v1/units?limit=0",
        "/v1/units/none",
        "/openapi.json",
    ]
    .map(str::to_owned)
    .to_vec();
    paths.extend(units.iter().map(|unit| format!("/v1/units/{unit}")));
    paths.extend(units.iter().map(|unit| format!("/v1/service-events?unit={unit}")));
    for path in &paths {
        let [one, two] = [0, 1].map(|n| pair.clients[n].get(path));
        assert_eq!(one.status, two.status, "{path}");
        if one.status == 200 {
            assert_eq!(timeless(&one), timeless(&two), "{path}");
            if path.starts_with("/v1/units/") {
                assert_eq!(one.etag(), two.etag(), "{path}");
            }
        }
    }
    for unit in &units {
        let due = |n: usize| {
            let due = pair.clients[n].get(&format!("/v1/units/{unit}/due")).expect(200).json();
            let items = due["items"].as_array().unwrap().iter();
            items.map(|item| json!([item["task"], item["state"], item["due_at"]])).collect::<Vec<_>>()
        };
        assert_eq!(due(0), due(1), "{unit}");
        assert_eq!(due(0).len(), 3, "{unit}");
    }
}

#[test]
fn requests_behind_the_round_robin_take_turns() {
    let mut pair = Pair::new();
    let relay = Relay::round_robin(&[pair.world.service.url(), pair.second.url()]);
    let token = pair.world.token(pair.town.id, pair.town.people["coordinator"]);
    let client = Client::unkept(relay.url(), Some(&token));
    for _ in 0..10 {
        client.get("/v1/sites").expect(200);
    }
    assert_eq!(relay.taken(), [5, 5]);
    // Each of them answers what it is handed: with one of them gone every other request fails.
    pair.second.kill();
    let answered: Vec<bool> = (0..6).map(|_| client.attempt("GET", "/v1/sites", &[], None).is_ok()).collect();
    assert_eq!(answered, [true, false, true, false, true, false]);
}

#[test]
fn as_many_instances_run_as_are_asked_for() {
    let world = World::new(Backend::Postgres);
    let town = world.town();
    town.unit("FS-1");
    let taken = world.service.taken();
    let asked = std::env::var("KEEPSTART_TEST_INSTANCES").map_or(1, |n| n.parse().unwrap());
    assert_eq!(taken.len(), if asked == 1 { 0 } else { asked });
    assert!(taken.iter().all(|requests| *requests > 0), "{taken:?}");
}

#[test]
fn a_cursor_of_one_instance_is_good_at_the_other() {
    let pair = Pair::new();
    for n in 0..5 {
        pair.town.unit_in_service(&format!("FS-{n}"), 0);
    }
    let unit = pair.town.unit_in_service("FS-5", 1);
    for n in 1..6 {
        let reading = json!({"kind": "reading", "meter_hours": n});
        pair.town.happened(&unit, &format!("2026-03-{n:02}T12:00:00Z"), reading);
    }
    let events = format!("/v1/service-events?unit={unit}");
    for path in ["/v1/units", &events, "/v1/due", "/v1/due?task=oil_change"] {
        let whole = pair.clients[0].all(path, 500);
        let joint = if path.contains('?') { '&' } else { '?' };
        let (mut found, mut cursor) = (Vec::new(), String::new());
        for client in pair.clients.iter().cycle() {
            let page = client.get(&format!("{path}{joint}limit=2{cursor}")).expect(200).json();
            found.extend(page["items"].as_array().unwrap().clone());
            let Some(next) = page["next"].as_str() else { break };
            cursor = format!("&cursor={next}");
        }
        assert!(whole.len() >= 5, "{path}");
        assert_eq!(found, whole, "{path}");
    }
}

#[test]
fn of_a_hundred_patches_from_one_version_one_is_applied() {
    let pair = Pair::new();
    let unit = pair.town.unit("FS-1");
    let path = format!("/v1/units/{unit}");
    let etag = pair.clients[0].get(&path).expect(200).etag();
    let rows = pair.world.database.log_rows();
    let replies: Vec<(String, Reply)> = thread::scope(|scope| {
        let sent: Vec<_> = (0..100)
            .map(|n| {
                let (client, path, etag) = (&pair.clients[n % 2], &path, &etag);
                scope.spawn(move || {
                    let label = format!("FS-{n}");
                    let reply = client.patch(path, etag, &json!({"label": label}));
                    (label, reply)
                })
            })
            .collect();
        sent.into_iter().map(|reply| reply.join().unwrap()).collect()
    });
    let mut counted = BTreeMap::new();
    for (_, reply) in &replies {
        *counted.entry(reply.status).or_insert(0) += 1;
        match reply.status {
            200 => {}
            412 => drop(reply.problem(412, "precondition_failed")),
            // Too many at once; told when to come again.
            503 => assert!(!reply.header("retry-after").is_empty(), "{}", reply.text),
            _ => panic!("{} {}", reply.status, reply.text),
        }
    }
    assert_eq!(counted[&200], 1, "{counted:?}");
    assert!(counted.get(&412).is_some_and(|n| *n > 50), "{counted:?}");
    assert_eq!(pair.world.database.log_rows(), rows + 1);
    let (label, won) = replies.iter().find(|(_, reply)| reply.status == 200).unwrap();
    for client in &pair.clients {
        let now = client.get(&path).expect(200);
        assert_eq!((now.json()["label"].as_str(), now.etag()), (Some(label.as_str()), won.etag()));
    }
}

#[test]
fn a_repeat_at_the_other_instance_is_recognised() {
    let pair = Pair::new();
    let [one, two] = &pair.clients;
    let unit = pair.town.unit("FS-1");
    for (path, body) in [
        (
            "/v1/service-events",
            json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5, "note": "n"}),
        ),
        ("/v1/sites", json!({"id": new_id(), "name": "Yard", "zone": "UTC"})),
    ] {
        let first = one.post(path, &body).expect(201);
        let again = two.post(path, &body).expect(200);
        assert_eq!((again.json(), again.etag()), (first.json(), first.etag()), "{path}");
    }
    let key = new_id();
    let path = format!("/v1/units/{unit}");
    let etag = one.get(&path).expect(200).etag();
    let headers = [
        ("content-type", "application/merge-patch+json"),
        ("if-match", etag.as_str()),
        ("idempotency-key", key.as_str()),
    ];
    let change = |client: &Client| client.send("PATCH", &path, &headers, Some(br#"{"label":"FS-2"}"#));
    let first = change(one).expect(200);
    let again = change(two).expect(200);
    assert_eq!((again.json(), again.etag()), (first.json(), first.etag()), "before the tag is judged");

    // At both at the same moment: one of them records it.
    for _ in 0..5 {
        let event = json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5});
        let rows = pair.world.database.log_rows();
        let mut replies: Vec<Reply> = thread::scope(|scope| {
            let sent = [one, two].map(|client| scope.spawn(|| client.post("/v1/service-events", &event)));
            sent.map(|reply| reply.join().unwrap()).into()
        });
        replies.sort_by_key(|reply| reply.status);
        assert_eq!(replies.iter().map(|reply| reply.status).collect::<Vec<_>>(), [200, 201], "{replies:?}");
        assert_eq!(replies[0].json(), replies[1].json());
        assert_eq!(pair.world.database.log_rows(), rows + 1);
    }
}

fn a_kill_loses_nothing_acknowledged(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let units = ["FS-1", "FS-2", "FS-3"].map(|label| town.unit_in_service(label, 0));
    let before = world.database.log_rows();
    let answered = AtomicUsize::new(0);
    let (tell, told) = mpsc::channel();
    let sent: Vec<Sent> = thread::scope(|scope| {
        let client = town.coordinator();
        let writing: Vec<_> = (0..4)
            .map(|writer| {
                let (tell, answered, units) = (tell.clone(), &answered, &units);
                scope.spawn(move || {
                    until_gone(client, units, writer, || {
                        // The process dies in the middle of the stream, with requests under way.
                        if answered.fetch_add(1, Ordering::SeqCst) == 60 {
                            tell.send(()).unwrap();
                        }
                    })
                })
            })
            .collect();
        told.recv_timeout(Duration::from_secs(30)).unwrap();
        world.service.kill();
        writing.into_iter().map(|writer| writer.join().unwrap()).collect()
    });

    world.restart_at(NOW);
    world.reach(&mut town);
    let client = town.coordinator();
    let mut recorded = 0;
    for (event, answer) in sent.iter().flat_map(|sent| &sent.answered) {
        let read = client.get(&format!("/v1/service-events/{}", id_of(event))).expect(200).json();
        for member in ["id", "recorded_at", "meter_hours", "note", "author"] {
            assert_eq!(read[member], answer[member], "{member} of {event}");
        }
        let again = client.post("/v1/service-events", event).expect(200).json();
        assert_eq!(again["recorded_at"], answer["recorded_at"], "{event}");
        recorded += 1;
    }
    // What nobody answered was recorded or not, but never half; sent again it is there once.
    for event in sent.iter().map(|sent| &sent.unanswered) {
        let reply = client.post("/v1/service-events", event);
        assert!([200, 201].contains(&reply.status), "{event}: {}", reply.text);
        recorded += 1;
    }
    assert!(recorded > 60, "{recorded} were sent");
    assert_eq!(world.database.log_rows(), before + recorded);
    is_clean(&world.database);
}

/// What one writer sent: events with their answers, and the one that got none.
struct Sent {
    answered: Vec<(Value, Value)>,
    unanswered: Value,
}

/// Sends events until the service is gone.
fn until_gone(client: &Client, units: &[String], writer: usize, mut each: impl FnMut()) -> Sent {
    let mut answered = Vec::new();
    for n in 0.. {
        let event = json!({"id": new_id(), "kind": "reading", "unit_id": units[n % 3], "meter_hours": n, "note": "n",
            "occurred_at": format!("2026-03-{:02}T{writer:02}:{:02}:00Z", n % 28 + 1, n / 28 % 60)});
        let headers = [("content-type", "application/json")];
        match client.attempt("POST", "/v1/service-events", &headers, Some(event.to_string().as_bytes())) {
            Ok(reply) => answered.push((event, reply.expect(201).json())),
            Err(_) => return Sent { answered, unanswered: event },
        }
        each();
    }
    unreachable!("the service is killed")
}

/// Longer than a stop should take, and less than the time that the service leaves to requests under way.
const STOP_PATIENCE: Duration = Duration::from_secs(20);

fn a_stop_lets_a_request_finish(backend: Backend) {
    let mut world = World::alone(backend, OneProcess::Signalled);
    let mut town = world.town();
    let unit = town.unit("FS-1");
    let id = new_id();
    let event = json!({"id": id, "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5}).to_string();
    // Once the service asks for the body, the request is under way.
    let token = world.token(town.id, town.people["coordinator"]);
    let lines = [
        format!("authorization: Bearer {token}"),
        format!("content-length: {}", event.len()),
        "content-type: application/json".to_owned(),
        "expect: 100-continue".to_owned(),
    ];
    let lines: Vec<&str> = lines.iter().map(String::as_str).collect();
    let mut stream = TcpStream::connect(world.service.url().trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(STOP_PATIENCE)).unwrap();
    stream.write_all(&wire::head("POST", "/v1/service-events", &lines)).unwrap();
    let mut asked = [0; 25];
    stream.read_exact(&mut asked).unwrap();
    assert_eq!(String::from_utf8_lossy(&asked), "HTTP/1.1 100 Continue\r\n\r\n");

    let pid = world.service.pid().to_string();
    assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
    let began = Instant::now();
    stream.write_all(event.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 201 "), "{answer}");
    assert!(answer.contains(&id), "{answer}");
    let status = world.service.wait(STOP_PATIENCE);
    assert_eq!(status.and_then(|status| status.code()), Some(0), "after {:?}", began.elapsed());

    world.restart_at(NOW);
    world.reach(&mut town);
    town.coordinator().get(&format!("/v1/service-events/{id}")).expect(200);
}
