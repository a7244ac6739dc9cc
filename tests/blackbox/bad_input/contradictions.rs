//! What says against itself, against what is recorded, or against all sense: refused with pointer and code, or recorded with
//! a warning that names the member.

use blackbox::{
    Backend, Town, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use self::Outcome::{Refused, Told};

on_both!(in_schedules, in_events);

/// A pointer and a code.
type Place = (&'static str, &'static str);

/// What comes of it.
#[derive(Clone, Copy)]
enum Outcome {
    Refused(Place),
    /// Recorded; with these warnings.
    Told(&'static [Place]),
}

const TAKEN: Outcome = Told(&[]);

/// An edition of one task, with some members of either.
fn edition(from: &str, members: Value, of_task: Value) -> Value {
    let mut task = json!({"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6}});
    let mut edition = json!({"edition": "N", "effective_from": from, "source": "invented"});
    for (to, more) in [(&mut task, of_task), (&mut edition, members)] {
        to.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    }
    if edition.get("tasks").is_none() {
        edition["tasks"] = json!([task]);
    }
    edition
}

fn in_schedules(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let of_task = |members: Value| edition("2026-01-01", json!({}), members);
    let of_edition = |members: Value| edition("2026-01-01", members, json!({}));
    let twice = &edition("2026-01-01", json!({}), json!({}))["tasks"][0];
    let contradiction = |pointer| Refused((pointer, "contradictory_limits"));
    let cases: Vec<(&str, Value, Outcome)> = vec![
        (
            "not before it is due",
            of_task(json!({"earliest": {"hours": 101}})),
            contradiction("/tasks/0/earliest/hours"),
        ),
        ("nor by days", of_task(json!({"earliest": {"days": 190}})), contradiction("/tasks/0/earliest/days")),
        (
            "severe and longer",
            of_task(json!({"severe": {"hours": 200}})),
            contradiction("/tasks/0/severe/hours"),
        ),
        (
            "severe by months, and longer",
            of_task(json!({"severe": {"months": 7}})),
            contradiction("/tasks/0/severe"),
        ),
        (
            "severe, once",
            of_task(json!({"severe": {"hours": 50}, "once": true})),
            contradiction("/tasks/0/severe"),
        ),
        ("no limit", of_task(json!({"limits": {}})), Refused(("/tasks/0/limits", "no_limit"))),
        (
            "two calendars",
            of_task(json!({"limits": {"months": 6, "days": 180}})),
            Refused(("/tasks/0/limits/days", "two_calendars")),
        ),
        (
            "within what",
            of_task(json!({"anchor": "planned_within"})),
            Refused(("/tasks/0/within_percent", "required")),
        ),
        (
            "by a day, again and again",
            of_task(json!({"limits": {"by": "2026-12-01"}})),
            Refused(("/tasks/0/limits/by", "misplaced")),
        ),
        (
            "a day out of time",
            of_task(json!({"limits": {"by": "9999-12-31"}, "once": true})),
            Refused(("/tasks/0/limits/by", "out_of_range")),
        ),
        (
            "every thousand years",
            of_task(json!({"limits": {"months": 12_000}})),
            Refused(("/tasks/0/limits/months", "out_of_range")),
        ),
        (
            "never",
            of_task(json!({"limits": {"hours": 0}})),
            Refused(("/tasks/0/limits/hours", "out_of_range")),
        ),
        (
            "a task twice",
            of_edition(json!({"tasks": [twice, twice]})),
            Refused(("/tasks/1/task", "duplicate_task")),
        ),
        (
            "ends before it begins",
            of_edition(json!({"effective_until": "2025-12-31"})),
            Refused(("/effective_until", "not_after_start")),
        ),
        (
            "ends as it begins",
            of_edition(json!({"effective_until": "2026-01-01"})),
            Refused(("/effective_until", "not_after_start")),
        ),
        (
            "from before there were engines",
            edition("1492-10-12", json!({}), json!({})),
            Refused(("/effective_from", "out_of_range")),
        ),
        (
            "from the 30th of February",
            edition("2026-02-30", json!({}), json!({})),
            Refused(("/effective_from", "invalid_date")),
        ),
        // An edition that came into force before those that are here is filled in; adopting it is another matter.
        ("older than what is here", edition("2010-01-01", json!({}), json!({})), TAKEN),
    ];
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    check(&town, cases.into_iter().map(|(case, body, outcome)| (case, path.as_str(), body, outcome)));
    is_clean(&world.database);
}

fn in_events(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    let newer = edition("2026-02-01", json!({}), json!({}));
    let newer = id_of(&town.coordinator().post(&path, &newer).expect(201).json());
    let at = |hour: u32, mut event: Value| {
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!(format!("2026-06-10T{hour:02}:00:00Z"));
        event
    };
    let on = |date: &str, mut event: Value| {
        event["unit_id"] = json!(unit);
        event["occurred_on"] = json!(date);
        event
    };
    let placed = |site: usize| json!({"kind": "placement", "site_id": town.sites[site]});
    let adopted = |edition: &str, more: Value| {
        let mut event = json!({"kind": "adoption", "schedule_id": town.schedule, "edition_id": edition});
        event.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        event
    };
    let fitted = |component: &str| json!({"kind": "component", "component": component, "action": "fitted"});
    let deferred = |member: &str, value: Value| {
        let mut event = json!({"kind": "deferral", "schedule_id": town.schedule, "task": "oil_change",
            "authorised_by": town.people["coordinator"], "reason": "no oil at hand", "until_date": "2026-07-01"});
        event[member] = value;
        event.as_object_mut().unwrap().retain(|_, value| !value.is_null());
        event
    };
    let two_places = Told(&[("/site_id", "placements_contradict")]);
    let out_of_order = Told(&[("/edition_id", "editions_out_of_order")]);
    let cases: Vec<(&str, Value, Outcome)> = vec![
        ("placed", at(1, placed(0)), TAKEN),
        ("placed there again", at(1, placed(0)), TAKEN),
        ("and at that instant elsewhere", at(1, placed(1)), two_places),
        ("an hour later elsewhere", at(2, placed(1)), TAKEN),
        ("placed on a day", on("2026-06-08", placed(0)), TAKEN),
        ("elsewhere on that day", on("2026-06-08", placed(1)), two_places),
        (
            "elsewhere later on that day",
            json!({"unit_id": unit, "occurred_at": "2026-06-08T20:00:00Z", "kind": "placement", "site_id": town.sites[0]}),
            TAKEN,
        ),
        (
            "commissioned elsewhere at that instant",
            at(2, json!({"kind": "commissioning", "site_id": town.sites[0], "meter_hours": 0})),
            two_places,
        ),
        ("a newer edition", at(3, adopted(&newer, json!({}))), TAKEN),
        ("an older one in its place", at(4, adopted(&town.edition, json!({}))), out_of_order),
        ("the newer one once more", at(5, adopted(&newer, json!({}))), TAKEN),
        (
            "the newer one before the older",
            at(1, adopted(&newer, json!({"effective_from": "2026-05-01"}))),
            TAKEN,
        ),
        (
            "before it is in force",
            at(6, adopted(&newer, json!({"effective_from": "2026-01-15"}))),
            Told(&[("/edition_id", "edition_not_in_force")]),
        ),
        (
            "ends before it begins",
            at(6, adopted(&newer, json!({"effective_from": "2026-06-01", "effective_until": "2026-05-01"}))),
            Refused(("/effective_until", "not_after_start")),
        ),
        ("fitted", at(5, fitted("battery")), TAKEN),
        ("fitted twice", at(6, fitted("battery")), Told(&[("/component", "fitted_twice")])),
        ("another component", at(6, fitted("starter")), TAKEN),
        (
            "deferred by nobody",
            at(6, deferred("authorised_by", Value::Null)),
            Refused(("/authorised_by", "required")),
        ),
        (
            "deferred by a stranger",
            at(6, deferred("authorised_by", json!(new_id()))),
            Refused(("/authorised_by", "unknown_person")),
        ),
        (
            "deferred for ever",
            at(6, deferred("until_date", Value::Null)),
            Refused(("/until_date", "required")),
        ),
        (
            "deferred out of time",
            at(6, deferred("until_date", json!("9999-12-31"))),
            Refused(("/until_date", "out_of_range")),
        ),
        (
            "deferred until before",
            at(6, deferred("effective_from", json!("2026-08-01"))),
            Refused(("/until_date", "not_after_start")),
        ),
        ("put away twice", at(7, json!({"kind": "storage", "action": "put_in"})), TAKEN),
        (
            "put away again",
            at(8, json!({"kind": "storage", "action": "put_in"})),
            Told(&[("/action", "already_in_storage")]),
        ),
        ("before there were engines", on("1492-10-12", placed(0)), Refused(("/occurred_on", "out_of_range"))),
        ("the year 0", on("0000-01-01", placed(0)), Refused(("/occurred_on", "out_of_range"))),
        ("in ten years", on("2036-06-10", placed(0)), Refused(("/occurred_on", "occurred_in_future"))),
        (
            "stops before it starts",
            at(9, json!({"kind": "run", "stopped_at": "2026-06-10T08:00:00Z"})),
            Refused(("/stopped_at", "not_after_start")),
        ),
        (
            "a run of a hundred years",
            at(9, json!({"kind": "run", "run_hours": 876_000})),
            Refused(("/run_hours", "occurred_in_future")),
        ),
    ];
    check(&town, cases.into_iter().map(|(case, body, outcome)| (case, "/v1/service-events", body, outcome)));
    is_clean(&world.database);
}

/// Posts each, and what was recorded once more, which is answered as before.
fn check<'a>(town: &Town, cases: impl Iterator<Item = (&'a str, &'a str, Value, Outcome)>) {
    let mut failures = Vec::new();
    for (case, path, mut body, outcome) in cases {
        body["id"] = json!(new_id());
        let reply = town.coordinator().post(path, &body);
        let (status, found) = match outcome {
            Refused(_) => (400, reply.errors()),
            Told(_) => (201, warnings(&reply.json())),
        };
        let expected: Vec<(String, String)> = match outcome {
            Refused(place) => vec![place],
            Told(places) => places.to_vec(),
        }
        .into_iter()
        .map(|(pointer, code)| (pointer.to_owned(), code.to_owned()))
        .collect();
        if reply.status != status || found != expected {
            failures.push(format!("{case}: {} {}", reply.status, reply.text));
        } else if status == 201 {
            let again = town.coordinator().post(path, &body);
            if again.status != 200 || again.text != reply.text {
                failures.push(format!("{case}, again: {} {} after {}", again.status, again.text, reply.text));
            }
        }
    }
    none_failed(&failures);
}

fn warnings(answer: &Value) -> Vec<(String, String)> {
    let word = |warning: &Value, name: &str| warning[name].as_str().unwrap().to_owned();
    let warnings = answer["warnings"].as_array().into_iter().flatten();
    warnings.map(|warning| (word(warning, "pointer"), word(warning, "code"))).collect()
}
