//! Several at one unit at once: each acknowledged edit is in the log, in what the unit is, and in the feed.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{
    Backend, Client, Reply, Service, Town, World, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::together;

on_both!(
    events_at_once_are_all_kept,
    of_changes_from_one_version_one_wins,
    what_each_adds_to_a_field_stays,
    changes_and_events_at_once_are_all_kept,
);

/// So many at once, and how often.
const CREWS: [(usize, usize); 2] = [(2, 12), (8, 4)];

/// Two instances on one database, and clients of one person who take turns between them.
struct Pair {
    world: World,
    second: Service,
    town: Town,
}

impl Pair {
    fn new(backend: Backend) -> Self {
        let world = World::new(backend);
        let second = Service::start(&world.database);
        let town = world.town();
        Self { world, second, town }
    }

    fn clients(&self) -> Vec<Client> {
        let token = self.world.token(self.town.id, self.town.people["coordinator"]);
        let services = [&self.world.service, &self.second];
        services.into_iter().cycle().take(8).map(|service| service.client(&token)).collect()
    }

    fn feed_of_events(&self) -> i64 {
        self.world.database.number("SELECT count(*) AS n FROM feed WHERE kind = 'service_event'")
    }
}

/// Asks until there is room.
fn served(ask: impl Fn() -> Reply) -> Reply {
    loop {
        let reply = ask();
        if reply.status != 503 {
            return reply;
        }
        assert!(!reply.header("retry-after").is_empty(), "{}", reply.text);
    }
}

/// A reading of the unit's meter in the `n`th minute, when it had run for `n` tenths of an hour since.
fn reading(unit: &str, n: usize) -> Value {
    let at = format!("2026-05-01T{:02}:{:02}:00Z", n / 60, n % 60);
    json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": tenths(n)})
}

fn tenths(n: usize) -> Value {
    json!(format!("{}.{}", n / 60, n % 60 / 6).parse::<f64>().unwrap())
}

fn recorded(client: &Client, event: &Value) -> String {
    id_of(&served(|| client.post("/v1/service-events", event)).expect(201).json())
}

/// What the unit's list of events holds besides what brought it into service.
fn listed(client: &Client, unit: &str) -> BTreeSet<String> {
    let events = client.all(&format!("/v1/service-events?unit={unit}&kind=reading"), 500);
    let ids: BTreeSet<String> = events.iter().map(id_of).collect();
    assert_eq!(ids.len(), events.len(), "an event is listed twice");
    ids
}

fn events_at_once_are_all_kept(backend: Backend) {
    let pair = Pair::new(backend);
    let clients = pair.clients();
    for (crew, rounds) in CREWS {
        let unit = pair.town.unit_in_service(&format!("FS-{crew}"), 0);
        let (rows, lines) = (pair.world.database.log_rows(), pair.feed_of_events());
        let mut acknowledged = BTreeSet::new();
        for round in 0..rounds {
            let minute = |one| 1 + round * crew + one;
            let ids = together(crew, |one| recorded(&clients[one], &reading(&unit, minute(one))));
            acknowledged.extend(ids);
        }
        let all = crew * rounds;
        assert_eq!(acknowledged.len(), all, "{crew} at once");
        assert_eq!(listed(&clients[0], &unit), acknowledged, "{crew} at once");
        assert_eq!(listed(&clients[1], &unit), acknowledged, "{crew} at once");
        let due = clients[0].get(&format!("/v1/units/{unit}/due")).expect(200).json();
        assert_eq!(due["engine_hours"]["lower_hours"], tenths(all), "{crew} at once: {due}");
        assert_eq!(due["set_aside"], json!([]), "{crew} at once");
        let all = i64::try_from(all).unwrap();
        assert_eq!(pair.world.database.log_rows(), rows + all, "{crew} at once");
        assert_eq!(pair.feed_of_events(), lines + all, "{crew} at once");
    }
    is_clean(&pair.world.database);
}

fn of_changes_from_one_version_one_wins(backend: Backend) {
    let pair = Pair::new(backend);
    let clients = pair.clients();
    let path = format!("/v1/units/{}", pair.town.unit("FS-1"));
    for (crew, rounds) in CREWS {
        for round in 0..rounds {
            let etag = clients[0].get(&path).expect(200).etag();
            let rows = pair.world.database.log_rows();
            let serial = |one| format!("{round}-{one}");
            let replies = together(crew, |one| {
                served(|| clients[one].patch(&path, &etag, &json!({"serial": serial(one)})))
            });
            let mut counted = BTreeMap::new();
            for reply in &replies {
                *counted.entry(reply.status).or_insert(0) += 1;
            }
            assert_eq!(counted, BTreeMap::from([(200, 1), (412, crew - 1)]), "{crew} at once");
            let winner = replies.iter().position(|reply| reply.status == 200).unwrap();
            for client in &clients[..2] {
                let unit = client.get(&path).expect(200);
                assert_eq!(unit.json()["serial"], serial(winner), "{crew} at once");
                assert_eq!(unit.etag(), replies[winner].etag(), "{crew} at once");
            }
            assert_eq!(pair.world.database.log_rows(), rows + 1, "{crew} at once");
        }
    }
    is_clean(&pair.world.database);
}

/// Adds a word to the unit's note, reading it anew until nobody else was faster.
fn add_to_note(client: &Client, path: &str, word: &str) {
    loop {
        let unit = client.get(path).expect(200);
        let note = unit.json()["note"].as_str().unwrap_or_default().to_owned();
        let reply = client.patch(path, &unit.etag(), &json!({"note": format!("{note} {word}").trim()}));
        match reply.status {
            200 => return,
            412 => drop(reply.problem(412, "precondition_failed")),
            503 => {}
            _ => panic!("{} {}", reply.status, reply.text),
        }
    }
}

/// The words of the unit's note, in order.
fn words(client: &Client, path: &str) -> Vec<String> {
    let unit = client.get(path).expect(200).json();
    let mut words: Vec<String> = unit["note"].as_str().unwrap().split(' ').map(str::to_owned).collect();
    words.sort();
    words
}

fn what_each_adds_to_a_field_stays(backend: Backend) {
    let pair = Pair::new(backend);
    let clients = pair.clients();
    for (crew, rounds) in CREWS {
        let path = format!("/v1/units/{}", pair.town.unit(&format!("FS-{crew}")));
        let word = |one, round| format!("w{one}x{round:02}");
        together(crew, |one| {
            for round in 0..rounds {
                add_to_note(&clients[one], &path, &word(one, round));
            }
        });
        let mut all: Vec<String> =
            (0..crew).flat_map(|one| (0..rounds).map(move |round| word(one, round))).collect();
        all.sort();
        assert_eq!(words(&clients[0], &path), all, "{crew} at once");
    }
    is_clean(&pair.world.database);
}

fn changes_and_events_at_once_are_all_kept(backend: Backend) {
    let pair = Pair::new(backend);
    let clients = pair.clients();
    let unit = pair.town.unit_in_service("FS-1", 0);
    let path = format!("/v1/units/{unit}");
    let rows = pair.world.database.log_rows();
    let kept = together(8, |one| {
        let mut kept = Vec::new();
        for round in 0..4 {
            if one < 4 {
                add_to_note(&clients[one], &path, &format!("w{one}x{round}"));
            } else {
                kept.push(recorded(&clients[one], &reading(&unit, 1 + 4 * round + one)));
            }
        }
        kept
    });
    assert_eq!(words(&clients[0], &path).len(), 16);
    assert_eq!(listed(&clients[0], &unit), kept.into_iter().flatten().collect());
    assert_eq!(pair.world.database.log_rows(), rows + 32);
    is_clean(&pair.world.database);
}
