//! What is told to others of due items whose state time alone changes: every step once and in order, however late and by
//! whatever way the stored states come to the present.

use blackbox::{
    Backend, Database, Direct, Town, World, direct, none_failed, on_both,
    world::{id_of, new_id},
};
use model::{Instant, UnitId};
use serde_json::{Value, json};
use store::Command;

on_both!(every_step_is_told_once);

const END: &str = "2027-09-01T00:00:00Z";
const DAYS: i64 = 443;

/// A task, the state that it leaves and the one that it comes to.
type Step = (String, String, String);

fn every_step_is_told_once(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    town.edition = edition(&town);
    let ways = [
        "at once",
        "day by day",
        "again and again",
        "over a write",
        "after an upgrade",
        "over a write after others",
    ];
    let units: Vec<String> = ways.iter().map(|way| town.unit_in_service(way, 0)).collect();
    let expected = states_ahead(&town, &units[0]);
    let of = |task: &str| {
        expected.iter().filter(|step| step.0 == task).map(|step| step.2.as_str()).collect::<Vec<_>>()
    };
    assert_eq!(of("belt_inspect"), ["coming_due", "due", "overdue"], "{expected:?}");
    assert_eq!(of("oil_change"), ["coming_due", "due", "overdue"], "{expected:?}");
    world.service.kill();

    let end = Instant::parse(END).unwrap();
    let store = Direct::open(&world.database, 2);
    let advance = |unit: &str, at: Instant| {
        let unit = UnitId::parse(unit).unwrap();
        store.ask(|store| async move { store.advance(town.id, unit, at).await }).unwrap();
    };
    let write = |unit: &str, at: Instant| {
        let tag = json!({"id": new_id(), "unit_id": unit, "kind": "tag", "action": "hung", "tag": "out_of_service", "occurred_at": at});
        store.apply(Command { now: at, ..direct::command(town.id, vec![direct::event(&tag)]) });
    };
    let day = |n: i64| end.plus_seconds((n - DAYS) * 24 * 3600);
    let mut failures = Vec::new();
    for (way, unit) in ways.iter().zip(&units) {
        let before = told(&world.database, unit).len();
        match *way {
            "at once" => advance(unit, end),
            "day by day" => (0..=DAYS).for_each(|n| advance(unit, day(n))),
            "again and again" => {
                [200, 200, 199, DAYS, DAYS, 300, DAYS].map(day).into_iter().for_each(|at| advance(unit, at))
            }
            "over a write" => write(unit, end),
            "after an upgrade" => {
                let id = world.database.id(UnitId::parse(unit).unwrap());
                world
                    .database
                    .sql(&format!("UPDATE unit_state SET folded_with = 'rules 0' WHERE unit_id = {id}"));
                advance(unit, end);
            }
            _ => {
                for n in [150, 250, DAYS] {
                    write(unit, day(n));
                    advance(unit, day(n));
                }
            }
        }
        advance(unit, end);
        let told = &told(&world.database, unit)[before..];
        if told != expected {
            failures.push(format!("{way}: expected {expected:?}, told {told:?}"));
        }
    }
    none_failed(&failures);
}

/// Two tasks by the calendar alone, with a lead and a tolerance.
fn edition(town: &Town) -> String {
    let task = |task: &str, months: u32| json!({"task": task, "job": task, "title": task, "limits": {"months": months}, "lead": {"days": 14}, "tolerance": {"days": 10}});
    let edition = json!({"edition": "C", "effective_from": "2020-01-01", "source": "invented",
        "tasks": [task("oil_change", 12), task("belt_inspect", 14)]});
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    id_of(&town.coordinator().post(&path, &edition).expect(201).json())
}

/// The steps ahead of a unit as its own answer tells them, asked for each day.
fn states_ahead(town: &Town, unit: &str) -> Vec<Step> {
    let end = Instant::parse(END).unwrap();
    let states = |at: Instant| -> Vec<(String, String)> {
        let due = town.coordinator().get(&format!("/v1/units/{unit}/due?valid_at={at}")).expect(200).json();
        let word = |item: &Value, name: &str| item[name].as_str().unwrap().to_owned();
        due["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|item| (word(item, "task"), word(item, "state")))
            .collect()
    };
    let mut before = states(end.plus_seconds(-DAYS * 24 * 3600));
    let mut steps = Vec::new();
    for n in 1..=DAYS {
        let next = states(end.plus_seconds((n - DAYS) * 24 * 3600));
        let changed = before.iter().zip(&next).filter(|(old, new)| old != new);
        steps.extend(changed.map(|(old, new)| (old.0.clone(), old.1.clone(), new.1.clone())));
        before = next;
    }
    steps
}

/// What the outbox holds of a unit, in order.
fn told(database: &Database, unit: &str) -> Vec<Step> {
    let lines = database.texts("SELECT body AS t FROM outbox ORDER BY organization, seq, ordinal");
    let lines = lines.iter().map(|line| serde_json::from_str::<Value>(line).unwrap());
    let word = |line: &Value, name: &str| line[name].as_str().unwrap_or_default().to_owned();
    lines
        .filter(|line| line["unit_id"] == unit)
        .map(|line| (word(&line, "task"), word(&line, "from"), word(&line, "to")))
        .collect()
}
