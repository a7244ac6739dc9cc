//! Handsets: enrolled with a code that is good once, listed to those whom they concern, revoked for good.

use std::{collections::BTreeSet, fs, thread};

use blackbox::{
    Backend, Client, Reply, Service, Town, World, none_failed, on_both,
    service::{NOW, in_folder, is_clean, serve},
    world::{id_of, new_id},
};
use model::Instant;
use serde_json::{Value, json};

on_both!(
    a_handset_from_its_code_to_its_end,
    a_code_is_good_once_for_minutes_and_here_alone,
    what_is_no_good_code_is_told_alike,
    whoever_guesses_has_to_wait,
    a_repeat_enrols_nothing_again,
    of_many_with_one_code_one_is_enrolled,
    a_forgotten_handset_gets_its_own_id_and_number_again,
    whoever_has_some_sites_sees_their_own_handsets,
    revoked_at_once_by_two_is_revoked_once,
    what_it_last_said_is_shown,
    bodies_that_are_wrong,
    no_code_is_in_the_log,
);

fn enrol(client: &Client, body: &Value) -> Reply {
    client.post("/v1/handsets", body)
}

fn listed(client: &Client) -> Vec<String> {
    client.all("/v1/handsets", 1).iter().map(id_of).collect()
}

fn path_of(handset: &Value) -> String {
    format!("/v1/handsets/{}", id_of(handset))
}

fn handsets_in(world: &World) -> i64 {
    world.database.number("SELECT count(*) AS n FROM handset_state")
}

fn a_handset_from_its_code_to_its_end(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (boss, technician) = (town.coordinator(), &town.clients["technician"]);
    let made = boss.post("/v1/handsets/codes", &json!({})).expect(201);
    assert_eq!(made.header("cache-control"), "private, no-store");
    let until = made.json()["expires_at"].as_str().unwrap().to_owned();
    assert!(until.starts_with("2026-06-15T12:15:"), "good for 15 minutes: {until}");

    let reply = enrol(technician, &json!({"code": made.json()["code"], "name": "Van 2"})).expect(201);
    let handset = reply.json();
    let path = path_of(&handset);
    assert_eq!(reply.header("location"), path);
    let known = json!({"id": handset["id"], "name": "Van 2", "number": handset["number"],
        "enrolled_by": town.people["technician"], "revoked": false, "forked": false});
    assert_eq!(handset, known);
    assert!(handset["number"].as_u64().is_some_and(|number| (1..1 << 32).contains(&number)), "{handset}");

    for (name, client, expected) in [
        ("technician", technician, vec![id_of(&handset)]),
        ("coordinator", boss, vec![id_of(&handset)]),
        ("admin", &town.clients["admin"], vec![id_of(&handset)]),
        ("viewer", &town.clients["viewer"], vec![]),
    ] {
        assert_eq!(listed(client), expected, "{name}");
        let read = client.get(&path);
        assert_eq!(read.status, if expected.is_empty() { 404 } else { 200 }, "{name}");
    }
    let read = technician.get(&path).expect(200);
    assert_eq!((read.json(), read.etag()), (handset.clone(), reply.etag()));
    technician.send("GET", &path, &[("if-none-match", &read.etag())], None).expect(304);

    let rows = world.database.log_rows();
    let revoke = format!("{path}/revoke");
    technician.post(&revoke, &json!({})).problem(403, "forbidden");
    town.clients["viewer"].post(&revoke, &json!({})).problem(404, "not_found");
    assert_eq!(world.database.log_rows(), rows);
    let revoked = boss.post(&revoke, &json!({})).expect(200);
    assert_eq!(revoked.json()["revoked"], true);
    assert!(revoked.json()["revoked_at"].as_str().unwrap().starts_with("2026-06-15T12:"), "{}", revoked.text);
    assert_eq!(world.database.log_rows(), rows + 1);
    let again = town.clients["admin"].post(&revoke, &json!({})).expect(200);
    assert_eq!(again.json(), revoked.json(), "revoked since the first time");
    assert_eq!(world.database.log_rows(), rows + 1);
    assert_eq!(technician.get(&path).expect(200).json(), revoked.json());
    assert_ne!(revoked.etag(), reply.etag());
    is_clean(&world.database);
}

fn a_code_is_good_once_for_minutes_and_here_alone(backend: Backend) {
    let mut world = World::new(backend);
    let (mut town, elsewhere) = (world.town(), world.town());
    let named = |code: &str| json!({"code": code, "name": "Van 2"});
    let technician = |town: &Town| town.clients["technician"].clone();

    let code = town.handset_code();
    enrol(&elsewhere.clients["technician"], &named(&code)).problem(422, "code_not_valid");
    enrol(&technician(&town), &named(&code.replace('-', " ").to_lowercase())).expect(201);
    for who in ["technician", "viewer", "coordinator"] {
        enrol(&town.clients[who], &named(&code)).problem(422, "code_not_valid");
    }

    let (early, late) = (town.handset_code(), town.handset_code());
    world.restart_at("2026-06-15T12:14:00Z");
    world.reach(&mut town);
    enrol(&technician(&town), &named(&early)).expect(201);
    world.restart_at("2026-06-15T12:20:00Z");
    world.reach(&mut town);
    enrol(&technician(&town), &named(&late)).problem(422, "code_not_valid");
    assert_eq!(handsets_in(&world), 2);

    // A day later the service has forgotten them.
    world.restart_at("2026-06-17T12:00:00Z");
    world.reach(&mut town);
    town.handset_code();
    assert_eq!(world.database.number("SELECT count(*) AS n FROM enrolment"), 1);
}

fn what_is_no_good_code_is_told_alike(backend: Backend) {
    let mut world = World::new(backend);
    let (mut town, elsewhere) = (world.town(), world.town());
    let (spent, expired, foreign) = (town.handset_code(), town.handset_code(), elsewhere.handset_code());
    enrol(town.coordinator(), &json!({"code": spent, "name": "Van 2"})).expect(201);
    world.restart_at("2026-06-15T12:30:00Z");
    world.reach(&mut town);
    let told: BTreeSet<String> = [spent.as_str(), &expired, &foreign, "K7QM-2XWP-90TD", "x"]
        .into_iter()
        .map(|code| {
            let reply = enrol(town.coordinator(), &json!({"code": code, "name": "Van 3"}));
            let problem = reply.problem(422, "code_not_valid");
            assert_eq!(reply.errors(), [("/code".to_owned(), "code_not_valid".to_owned())]);
            reply.text.replace(problem["instance"].as_str().unwrap(), "ID")
        })
        .collect();
    assert_eq!(told.len(), 1, "{told:?}");
}

fn whoever_guesses_has_to_wait(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (guesser, good) = (&town.clients["viewer"], town.handset_code());
    let guess = || enrol(guesser, &json!({"code": "K7QM-2XWP-90TD", "name": "Van 2"}));
    let before: Vec<Reply> = (0..5).map(|_| guess()).collect();
    assert!(before.iter().all(|reply| reply.status == 422), "{before:?}");
    // While they are sent, a try may come back.
    let refused = (0..100).map(|_| guess()).find(|reply| reply.status != 422).unwrap();
    refused.problem(429, "too_many_requests");
    let wait: u64 = refused.header("retry-after").parse().unwrap();
    assert!((1..=13).contains(&wait), "{wait}");
    enrol(&town.clients["technician"], &json!({"code": good, "name": "Van 2"})).expect(201);
    // Whoever sends good codes may send many.
    for n in 0..12 {
        town.handset(&town.clients["technician"], &format!("Van {n}"));
    }
}

fn a_repeat_enrols_nothing_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let technician = &town.clients["technician"];
    let (id, key) = (new_id(), new_id());
    let by_id = json!({"id": id, "code": town.handset_code(), "name": "Van 2"});
    let first = enrol(technician, &by_id).expect(201);
    let again = enrol(technician, &by_id).expect(200);
    assert_eq!((first.json(), first.etag()), (again.json(), again.etag()));

    let by_key = json!({"code": town.handset_code(), "name": "Van 3"}).to_string().into_bytes();
    let headers = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
    let send = |headers: &[(&str, &str)]| technician.send("POST", "/v1/handsets", headers, Some(&by_key));
    let first = send(&headers).expect(201);
    assert_eq!(id_of(&first.json()), key);
    assert_eq!(send(&headers).expect(200).json(), first.json());
    let rows = world.database.log_rows();

    let other = |member: &str, value: Value| {
        let mut other = by_id.clone();
        other[member] = value;
        other
    };
    enrol(technician, &other("name", json!("Van 4"))).problem(409, "id_reused");
    enrol(technician, &other("code", json!(town.handset_code()))).problem(409, "id_reused");
    enrol(technician, &other("id", json!(new_id()))).problem(422, "code_not_valid");
    enrol(town.coordinator(), &by_id).problem(409, "id_reused");
    // An id of something else.
    let code = json!(town.handset_code());
    enrol(technician, &json!({"id": town.sites[0], "code": code, "name": "Van 5"})).problem(409, "id_reused");
    enrol(technician, &json!({"code": code, "name": "Van 5"})).expect(201);
    assert_eq!((world.database.log_rows(), handsets_in(&world)), (rows + 1, 3));

    let two_ids = [("content-type", "application/json"), ("idempotency-key", id.as_str())];
    let body = other("id", json!(new_id())).to_string();
    let reply = technician.send("POST", "/v1/handsets", &two_ids, Some(body.as_bytes()));
    reply.problem(400, "invalid_header");
    let revoke = format!("/v1/handsets/{key}/revoke");
    let headers = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
    let reply = town.coordinator().send("POST", &revoke, &headers, Some(b"{}"));
    reply.problem(409, "id_reused");
    let headers = [("content-type", "application/json"), ("idempotency-key", &new_id())];
    let revoked: Vec<Value> = (0..2)
        .map(|_| town.coordinator().send("POST", &revoke, &headers, Some(b"{}")).expect(200).json())
        .collect();
    assert_eq!(revoked[0], revoked[1]);
    is_clean(&world.database);
}

fn of_many_with_one_code_one_is_enrolled(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let crowd = ["viewer", "custodian", "technician", "coordinator", "planner", "auditor"];
    for id in [None, Some(new_id())] {
        let (before, code) = (handsets_in(&world), town.handset_code());
        let replies: Vec<Reply> = thread::scope(|scope| {
            let sent = crowd.map(|who| {
                // With one id each, or all with the same: a repeat is the same person's.
                let client = &town.clients[if id.is_some() { "technician" } else { who }];
                let mut body = json!({"code": code, "name": "Van 2"});
                if let Some(id) = &id {
                    body["id"] = json!(id);
                }
                scope.spawn(move || enrol(client, &body))
            });
            sent.map(|sent| sent.join().unwrap()).into()
        });
        let with = |status: u16| replies.iter().filter(|reply| reply.status == status).count();
        let others = if id.is_some() { 200 } else { 422 };
        // Some of one person's many may be told to wait.
        assert_eq!((with(201), with(others) + with(429)), (1, crowd.len() - 1), "{replies:?}");
        assert_eq!(handsets_in(&world), before + 1);
    }
    assert_eq!(world.database.number("SELECT count(*) AS n FROM enrolment WHERE used_at IS NULL"), 0);
    is_clean(&world.database);
}

fn a_forgotten_handset_gets_its_own_id_and_number_again(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let technician = &town.clients["technician"];
    let known = town.handset(technician, "Van 2");
    let previous = json!({"id": new_id(), "number": 4_294_967_295_u32});
    let forgotten = json!({"code": town.handset_code(), "name": "Van 3", "previous": previous});
    let found = enrol(technician, &forgotten).expect(201).json();
    assert_eq!((&found["id"], &found["number"]), (&previous["id"], &previous["number"]));
    assert_eq!(enrol(technician, &forgotten).expect(200).json(), found);

    let code = town.handset_code();
    let again = |previous: Value| json!({"code": code, "name": "Van 4", "previous": previous});
    let taken = enrol(technician, &again(json!({"id": new_id(), "number": known["number"]})));
    taken.problem(409, "already_exists");
    assert_eq!(taken.errors(), [("/previous/number".to_owned(), "number_taken".to_owned())]);
    // One that is known under its id is somebody's.
    enrol(technician, &again(json!({"id": known["id"], "number": known["number"]})))
        .problem(409, "id_reused");
    enrol(technician, &again(json!({"id": known["id"], "number": 7}))).problem(409, "id_reused");
    // The code is still good.
    let fresh = enrol(technician, &json!({"code": code, "name": "Van 4"})).expect(201).json();
    let numbers: BTreeSet<u64> = [&known, &found, &fresh].map(|one| one["number"].as_u64().unwrap()).into();
    assert_eq!((numbers.len(), handsets_in(&world)), (3, 3));
    is_clean(&world.database);
}

fn whoever_has_some_sites_sees_their_own_handsets(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let some = json!([town.sites[0]]);
    let person = world.person(town.id, &[("coordinator", some)]);
    let local = world.client(town.id, person);
    let code = local.post("/v1/handsets/codes", &json!({})).expect(201).json()["code"].clone();
    let own = enrol(&local, &json!({"code": code, "name": "Van 2"})).expect(201).json();
    let others = town.handset(town.coordinator(), "Van 3");
    assert_eq!(listed(&local), [id_of(&own)]);
    local.get(&path_of(&others)).problem(404, "not_found");
    local.post(&format!("{}/revoke", path_of(&others)), &json!({})).problem(404, "not_found");
    local.post(&format!("{}/revoke", path_of(&own)), &json!({})).problem(403, "forbidden");
    assert_eq!(listed(town.coordinator()).len(), 2);

    // Nobody's grant: a token alone opens nothing.
    let nobody = world.client(town.id, world.person(town.id, &[]));
    let code = town.handset_code();
    enrol(&nobody, &json!({"code": code, "name": "Van 4"})).problem(403, "forbidden");
    assert_eq!(listed(&nobody), Vec::<String>::new());
    enrol(&local, &json!({"code": code, "name": "Van 4"})).expect(201);
}

fn revoked_at_once_by_two_is_revoked_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let path = format!("{}/revoke", path_of(&town.handset(&town.clients["technician"], "Van 2")));
    let rows = world.database.log_rows();
    let found: BTreeSet<String> = thread::scope(|scope| {
        let sent: Vec<_> = (0..6)
            .map(|n| {
                let client = &town.clients[if n % 2 == 0 { "coordinator" } else { "admin" }];
                scope.spawn(|| client.post(&path, &json!({})).expect(200).text)
            })
            .collect();
        sent.into_iter().map(|sent| sent.join().unwrap()).collect()
    });
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(world.database.log_rows(), rows + 1);
}

fn what_it_last_said_is_shown(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let path = path_of(&town.handset(&town.clients["technician"], "Van 2"));
    let before = town.coordinator().get(&path).expect(200);
    // As a sync leaves it: eleven minutes fast, three edits left, and a copy of it about.
    let at = |text: &str| Instant::parse(text).unwrap().micros();
    let (seen, oldest) = (at("2026-06-15T11:00:00Z"), at("2026-06-12T07:30:00Z"));
    world.database.sql(&format!(
        "UPDATE handset_state SET last_seen_at = {seen}, offset_micros = -660250000, boot = 4, waiting = 3, \
         oldest_waiting_at = {oldest}, chain = '{{\"through\":2,\"forked\":true}}'"
    ));
    let after = town.coordinator().get(&path).expect(200);
    let mut expected = before.json();
    for (member, value) in [
        ("last_seen_at", json!("2026-06-15T11:00:00Z")),
        ("offset_seconds", json!(-660.25)),
        ("waiting", json!(3)),
        ("oldest_waiting_at", json!("2026-06-12T07:30:00Z")),
        ("forked", json!(true)),
    ] {
        expected[member] = value;
    }
    assert_eq!(after.json(), expected);
    assert_eq!(town.coordinator().all("/v1/handsets", 10), [expected]);
    assert_ne!(after.etag(), before.etag());
    // None of it is a fold of the log.
    is_clean(&world.database);
}

fn bodies_that_are_wrong(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let technician = &town.clients["technician"];
    let good = json!({"code": town.handset_code(), "name": "Van 2"});
    let with = |member: &str, value: Value| {
        let mut body = good.clone();
        body[member] = value;
        body
    };
    let previous = |value: Value| with("previous", value);
    let id = new_id();
    let cases = [
        ("no code", json!({"name": "Van 2"}), "/code", "required"),
        ("no name", json!({"code": "x"}), "/name", "required"),
        ("a number for a code", with("code", json!(7)), "/code", "wrong_type"),
        ("an empty code", with("code", json!("")), "/code", "empty_text"),
        ("a long code", with("code", json!("7".repeat(65))), "/code", "text_too_long"),
        ("an empty name", with("name", json!("")), "/name", "empty_text"),
        ("no id", with("id", json!("7")), "/id", "invalid_id"),
        ("a number of one's own", with("number", json!(7)), "/number", "unknown_member"),
        ("revoked from the start", with("revoked", json!(true)), "/revoked", "unknown_member"),
        ("previous is no object", previous(json!(7)), "/previous", "wrong_type"),
        ("previous without number", previous(json!({"id": id})), "/previous/number", "required"),
        ("previous number 0", previous(json!({"id": id, "number": 0})), "/previous/number", "out_of_range"),
        (
            "previous number of 33 bits",
            previous(json!({"id": id, "number": 4_294_967_296_u64})),
            "/previous/number",
            "out_of_range",
        ),
        ("a list", json!([good]), "", "wrong_type"),
    ];
    let mut failures = Vec::new();
    for (case, body, pointer, code) in cases {
        let reply = enrol(technician, &body);
        let expected = (pointer.to_owned(), code.to_owned());
        if reply.status != 400 || !reply.errors().contains(&expected) {
            failures.push(format!("{case}: {} {}", reply.status, reply.text));
        }
    }
    let mut two = previous(json!({"id": id, "number": 7}));
    two["id"] = json!(new_id());
    assert_eq!(enrol(technician, &two).errors(), [("/id".to_owned(), "two_ids".to_owned())]);
    town.coordinator().post("/v1/handsets/codes", &json!({"for": "x"})).problem(400, "invalid_request");
    let own = path_of(&enrol(technician, &good).expect(201).json());
    town.coordinator()
        .post(&format!("{own}/revoke"), &json!({"revoked": false}))
        .problem(400, "invalid_request");
    none_failed(&failures);
}

fn no_code_is_in_the_log(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let file = in_folder(&world.database, "log");
    let second = Service::logging(&mut serve(&world.database, NOW), file.as_ref());
    let client = second.client(&world.token(town.id, town.people["coordinator"]));
    let code = client.post("/v1/handsets/codes", &json!({})).expect(201).json()["code"].clone();
    let id = new_id();
    for status in [201, 200] {
        enrol(&client, &json!({"id": id, "code": code, "name": "Van 2"})).expect(status);
    }
    enrol(&client, &json!({"code": code, "name": "Van 3"})).problem(422, "code_not_valid");
    let said = fs::read_to_string(file).unwrap();
    assert!(said.contains("/v1/handsets/codes"), "{said}");
    let code = code.as_str().unwrap();
    for text in [code.to_owned(), code.replace('-', "")] {
        assert!(!said.to_uppercase().contains(&text), "{said}");
        let kept = "SELECT count(*) AS n FROM change_log WHERE body LIKE";
        assert_eq!(world.database.number(&format!("{kept} '%{text}%'")), 0);
    }
}
