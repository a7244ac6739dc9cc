//! Changes as server-sent events.

use std::{
    io::{BufRead, BufReader},
    process::Command,
    time::Duration,
};

use access::{Claims, token};
use blackbox::{
    Backend, Direct, OneProcess, Town, World, direct, on_both,
    service::NOW,
    world::{claims, fresh},
};
use model::{GrantId, Instant, edit::Target};
use serde_json::{Value, json};

use super::{Replica, change, lively};

on_both!(
    a_stream_goes_on_after_a_cut,
    a_stream_ends_with_its_token_and_with_its_grants,
    so_many_streams_at_once,
    a_stream_holds_up_no_stop
);

/// An open stream.
struct Stream(Box<dyn BufRead>);

/// A field of an event, and the event whole.
struct Event {
    name: String,
    id: String,
    data: Value,
}

impl Stream {
    /// Opens one; the status where it is refused.
    fn open(world: &World, token: &str, last: Option<&str>) -> Result<Self, u16> {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_recv_body(Some(Duration::from_secs(60)));
        let agent: ureq::Agent = config.build().into();
        let mut request = agent.get(format!("{}/v1/changes/stream", world.service.url()));
        request = request.header("authorization", format!("Bearer {token}"));
        if let Some(last) = last {
            request = request.header("last-event-id", last);
        }
        let reply = request.call().unwrap();
        if reply.status() != 200 {
            return Err(reply.status().as_u16());
        }
        assert_eq!(reply.headers()["content-type"], "text/event-stream");
        Ok(Self(Box::new(BufReader::new(reply.into_body().into_reader()))))
    }

    /// The next event; none when the stream has ended.
    fn next(&mut self) -> Option<Event> {
        let mut event = Event { name: String::new(), id: String::new(), data: Value::Null };
        loop {
            let mut line = String::new();
            if self.0.read_line(&mut line).unwrap() == 0 {
                return None;
            }
            match line.trim_end_matches('\n').split_once(": ") {
                Some(("event", name)) => event.name = name.to_owned(),
                Some(("id", id)) => event.id = id.to_owned(),
                Some(("data", data)) => event.data = serde_json::from_str(data).unwrap(),
                _ if line == "\n" && !event.name.is_empty() => return Some(event),
                _ => {}
            }
        }
    }

    /// Takes events until a copy has what it is waiting for.
    fn feed(&mut self, replica: &mut Replica, done: impl Fn(&Replica) -> bool) {
        while !done(replica) {
            let event = self.next().expect("the stream goes on");
            assert_eq!(event.name, "changes");
            assert_eq!(event.data["cursor"], event.id);
            replica.apply(&event.data);
        }
    }
}

fn label(replica: &Replica, unit: &str) -> Value {
    let name = ("unit".to_owned(), unit.to_owned());
    replica.records.get(&name).map(|unit| unit["record"]["fields"]["label"].clone()).unwrap_or_default()
}

fn a_stream_goes_on_after_a_cut(backend: Backend) {
    let world = World::new(backend);
    let (town, [unit, ..]) = lively(&world);
    let token = world.token(town.id, town.people["integrator"]);
    let at = format!("/v1/units/{unit}");
    let mut replica = Replica::new(town.coordinator(), 100);
    let mut stream = Stream::open(&world, &token, None).ok().unwrap();
    stream.feed(&mut replica, |replica| replica.of_kind("service_event").len() == 16);
    change(town.coordinator(), &at, &json!({"label": "one"}));
    stream.feed(&mut replica, |replica| label(replica, &unit) == "one");
    drop(stream);
    change(town.coordinator(), &at, &json!({"label": "two"}));
    let cursor = replica.cursor.clone();
    let mut stream = Stream::open(&world, &token, cursor.as_deref()).ok().unwrap();
    let told = replica.told;
    stream.feed(&mut replica, |replica| label(replica, &unit) == "two");
    assert_eq!(replica.told, told + 1);
    let mut fresh = Replica::new(town.coordinator(), 500);
    fresh.follow();
    assert_eq!(replica.records, fresh.records);
    assert_eq!(town.coordinator().send("HEAD", "/v1/changes/stream", &[], None).expect(200).text, "");
}

fn short_token(world: &World, town: &Town, seconds: i64) -> String {
    let issued_at = Instant::parse(NOW).unwrap();
    let claims = Claims {
        issued_at,
        expires_at: issued_at.plus_seconds(seconds),
        ..claims(town.id, town.people["viewer"])
    };
    token::sign(&world.key, &claims).unwrap()
}

fn a_stream_ends_with_its_token_and_with_its_grants(backend: Backend) {
    let mut world = World::new(backend);
    let (town, _) = lively(&world);
    let (person, grant): (_, GrantId) = (world.person(town.id, &[]), fresh());
    let direct = Direct::open(&world.database, 2);
    let fields =
        json!({"person_id": person, "role": "viewer", "sites": "all", "from": "2020-01-01T00:00:00Z"});
    direct.apply(direct::command(town.id, vec![direct::create(Target::Grant(grant), &fields)]));
    let mut by_grant = Stream::open(&world, &world.token(town.id, person), None).ok().unwrap();
    assert_eq!(by_grant.next().unwrap().name, "changes");
    let ended = json!({"until": "2020-01-02T00:00:00Z"});
    direct.apply(direct::command(town.id, vec![direct::set(Target::Grant(grant), &ended)]));
    while by_grant.next().is_some() {}

    // A token that is about to end; on a slow machine it may have ended before it is used.
    for seconds in [3, 6, 12, 24, 48] {
        world.restart_at(NOW);
        if let Ok(mut stream) = Stream::open(&world, &short_token(&world, &town, seconds), None) {
            while stream.next().is_some() {}
            return;
        }
    }
    panic!("no token lived long enough");
}

fn so_many_streams_at_once(backend: Backend) {
    let world = World::alone(backend, OneProcess::Counted);
    let (town, other) = (world.town(), world.town());
    let [ours, theirs] = [&town, &other].map(|town| world.token(town.id, town.people["viewer"]));
    let mut open: Vec<Stream> = (0..20).map(|_| Stream::open(&world, &ours, None).ok().unwrap()).collect();
    open.iter_mut().for_each(|stream| drop(stream.next()));
    assert_eq!(Stream::open(&world, &ours, None).err(), Some(503));
    assert!(Stream::open(&world, &theirs, None).is_ok());
    // Every stream has given its connection to the database back.
    town.coordinator().get("/v1/sites").expect(200);
}

fn a_stream_holds_up_no_stop(backend: Backend) {
    let mut world = World::alone(backend, OneProcess::Signalled);
    let (town, _) = lively(&world);
    let mut stream = Stream::open(&world, &world.token(town.id, town.people["viewer"]), None).ok().unwrap();
    assert_eq!(stream.next().unwrap().name, "changes");
    let pid = world.service.pid().to_string();
    assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
    // It ends as a whole answer does; one that is cut off is an error to its reader.
    while stream.next().is_some() {}
    // Requests under way may take half a minute.
    let status = world.service.wait(Duration::from_secs(20));
    assert_eq!(status.and_then(|status| status.code()), Some(0));
}
