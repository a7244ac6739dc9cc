//! Each edit has its own result, in its place, and the same one whenever it is sent again.

use std::thread;

use blackbox::{
    Backend, Client, Cut, Relay, Town, World, none_failed, on_both,
    service::is_clean,
    world::{id_of, new_id},
};
use serde_json::{Value, json};

use super::{EVENTS, NEWER, Phone, SYNC, beside, flaws, line, of_group, reading, results, seen, stamp, with};

on_both!(
    every_result_in_its_place,
    parents_are_judged_first,
    a_lost_answer_costs_nothing,
    of_pushes_at_once_each_edit_is_recorded_once,
    a_later_edit_is_not_held_up,
);

/// One edit for every result that there is: what it is, what it comes to, and what when it is sent again.
fn each(world: &World, town: &Town, phone: &Phone) -> Vec<(&'static str, Value, &'static str, &'static str)> {
    let unit = town.unit_in_service("FS-1", 0);
    let oil = json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 19});
    let oil = id_of(&town.happened(&unit, "2026-06-01T12:00:00Z", oil));
    let technician = json!(town.people["technician"]);
    let stranger = world.person(town.id, &[("technician", json!("all"))]);
    let void = json!({"kind": "correction", "action": "void", "target_id": oil, "reason": "x", "unit_id": unit,
        "occurred_at": "2026-06-14T12:00:00Z"});
    let first = phone.reading(&unit, 20.0);
    let other = with(&first, "body", reading(&unit, "2026-06-14T12:00:00Z", 21.0));
    let of_another = stamp(phone.number ^ 1, "2026-06-15T11:00:00Z", 1);
    vec![
        ("a reading", first.clone(), "applied", "already_applied"),
        ("the same in the same request", first, "already_applied", "already_applied"),
        ("another content under its id", other, "refused id_reused", "refused id_reused"),
        (
            "a field that nobody had seen",
            phone.set("unit", &unit, json!({"label": "FS-9"}), json!({})),
            "contested ?label",
            "already_applied",
        ),
        (
            "a field that was not set",
            phone.set("unit", &unit, json!({"rated_kw": 6}), json!({})),
            "applied",
            "already_applied",
        ),
        ("of no unit", phone.reading(&new_id(), 5.0), "parked missing_parent", "parked missing_parent"),
        ("what lies ahead", phone.ahead(&unit), "held future_event", "held future_event"),
        (
            "by a stranger",
            with(&phone.reading(&unit, 20.1), "author", json!(stranger)),
            "held unknown_author",
            "held unknown_author",
        ),
        (
            "a correction of somebody else's",
            with(&phone.event(void), "author", technician.clone()),
            "held correction_of_others",
            "held correction_of_others",
        ),
        (
            "what its role may not set",
            with(&phone.set("unit", &unit, json!({"label": "FS-8"}), json!({})), "author", technician),
            "refused forbidden",
            "refused forbidden",
        ),
        (
            "a member that is wrong",
            with(&phone.reading(&unit, 20.2), "body", reading(&unit, "yesterday", 5.0)),
            "refused invalid",
            "refused invalid",
        ),
        (
            "a unit that is there",
            with(&with(&phone.new_unit("FS-7", &town.sites[0]), "id", json!(unit)), "record_id", json!(unit)),
            "refused id_reused",
            "refused id_reused",
        ),
        (
            "of a newer format",
            with(&with(&phone.reading(&unit, 20.3), "format", json!(NEWER)), "mood", json!("good")),
            "parked newer_format",
            "parked newer_format",
        ),
        (
            "half of a group",
            of_group(&phone.reading(&unit, 20.4), &new_id(), 2),
            "parked group_incomplete",
            "parked group_incomplete",
        ),
        (
            "a stamp of another handset",
            with(&phone.reading(&unit, 20.5), "stamp", json!(of_another)),
            "refused stamp_of_another_handset",
            "refused stamp_of_another_handset",
        ),
        (
            "a stamp of years ahead",
            with(&phone.reading(&unit, 20.6), "stamp", json!(phone.stamp("2031-06-15T11:00:00Z", 1))),
            "applied +clock_suspect",
            "already_applied",
        ),
    ]
}

fn every_result_in_its_place(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let phone = Phone::new(&town, "technician").passed_to(town.coordinator());
    let cases = each(&world, &town, &phone);
    let edits: Vec<&Value> = cases.iter().map(|(_, edit, ..)| edit).collect();
    let rows = world.database.log_rows();
    let first = phone.push(&edits);
    let mut failures = Vec::new();
    for ((case, edit, expected, _), result) in cases.iter().zip(&first) {
        if (line(result).as_str(), &result["id"]) != (*expected, &edit["id"]) {
            failures.push(format!("{case}: expected {expected}, got {result}"));
        }
        let recorded =
            ["applied", "already_applied", "contested"].contains(&result["result"].as_str().unwrap());
        let event = edit["kind"] == "service_event";
        for (member, there) in [
            ("version", recorded),
            ("etag", recorded && !event),
            ("recorded_at", recorded && event),
            ("problem", result["result"] == "refused"),
        ] {
            if result.get(member).is_some() != there {
                failures.push(format!("{case}: {member} in {result}"));
            }
        }
    }
    none_failed(&failures);
    assert_eq!(first.len(), cases.len());
    // A reading, the two fields, the three that wait for a person, and the one with the stamp.
    assert_eq!(world.database.log_rows(), rows + 7);

    // Again whole, from behind, and one by one: nothing is written, and what waits or is refused is told in the same words.
    let kept = beside(&world);
    let reversed: Vec<&Value> = edits.iter().rev().copied().collect();
    let mut backwards = phone.push(&reversed);
    backwards.reverse();
    let alone: Vec<Value> = edits.iter().map(|edit| phone.push(&[edit]).remove(0)).collect();
    for (way, again) in [("whole", phone.push(&edits)), ("from behind", backwards), ("alone", alone)] {
        for (((case, _, _, expected), first), again) in cases.iter().zip(&first).zip(&again) {
            // Another place in the request is another pointer.
            let same = way != "whole" || expected.starts_with("already") || first == again;
            if line(again) != *expected || !same {
                failures.push(format!("{case}, {way}: expected {expected}, got {again}"));
            }
        }
    }
    none_failed(&failures);
    assert_eq!((world.database.log_rows(), beside(&world)), (rows + 7, kept));
    is_clean(&world.database);
}

/// A site, a unit there, what happened to it and what was set of it, in every order of the request.
fn parents_are_judged_first(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut failures = Vec::new();
    for order in orders(4) {
        let phone = Phone::new(&town, "coordinator");
        let site = phone.create("site", json!({"name": "Reservoir", "zone": "America/Denver"}));
        let unit = phone.new_unit("RS-1", &id_of(&site));
        let label = phone.set("unit", &id_of(&unit), json!({"label": "RS-2"}), seen(&unit, &["label"]));
        let edits = [site, unit.clone(), phone.reading(&id_of(&unit), 5.0), label];
        let sent: Vec<&Value> = order.iter().map(|at| &edits[*at]).collect();
        let told = phone.push(&sent);
        let ids: Vec<&Value> = told.iter().map(|result| &result["id"]).collect();
        let expected: Vec<&Value> = sent.iter().map(|edit| &edit["id"]).collect();
        if ids != expected || told.iter().any(|result| line(result) != "applied") {
            failures.push(format!("{order:?}: {told:?}"));
        }
        let now = town.coordinator().get(&format!("/v1/units/{}", id_of(&unit))).expect(200).json();
        assert_eq!(now["label"], "RS-2", "{order:?}");
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// Every order of so many.
pub(super) fn orders(of: usize) -> Vec<Vec<usize>> {
    if of == 0 {
        return vec![Vec::new()];
    }
    let longer = |order: Vec<usize>| {
        (0..of).map(move |place| {
            let mut longer = order.clone();
            longer.insert(place, of - 1);
            longer
        })
    };
    orders(of - 1).into_iter().flat_map(longer).collect()
}

/// Worked example A36: three days without a signal, 37 events, the answer lost, all of them sent again, and a month later.
fn a_lost_answer_costs_nothing(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let mut phone = Phone::new(&town, "technician");
    let at = |n: u32| format!("2026-06-{:02}T{:02}:30:00Z", 12 + n / 13, n % 13);
    let edits: Vec<Value> =
        (0..37).map(|n| phone.event(reading(&unit, &at(n), f64::from(n) / 10.0))).collect();
    let all: Vec<&Value> = edits.iter().collect();
    let rows = world.database.log_rows();

    // All of the request arrives, and next to nothing of the answer.
    let relay = Relay::cutting(&[world.service.url()], || Cut { answered: 1, ..Cut::NEVER });
    let token = world.token(town.id, town.people["technician"]);
    let through = Client::unkept(relay.url(), Some(&token));
    let body = phone.request(&all).to_string();
    let lost = through.attempt("POST", SYNC, &[("content-type", "application/json")], Some(body.as_bytes()));
    assert!(lost.is_err(), "{lost:?}");

    let again = phone.push(&all);
    assert_eq!(again.iter().map(line).collect::<Vec<_>>(), ["already_applied"; 37]);
    let ids: Vec<&Value> = again.iter().map(|result| &result["id"]).collect();
    assert_eq!(ids, edits.iter().map(|edit| &edit["id"]).collect::<Vec<_>>());
    assert_eq!(phone.push(&all), again);
    assert_eq!(world.database.log_rows(), rows + 37);
    let listed = town.coordinator().all(&format!("{EVENTS}?unit={unit}&kind=reading"), 100);
    assert_eq!(listed.len(), 37);

    world.restart_at("2026-07-20T12:00:00Z");
    world.reach(&mut town);
    phone.client = town.clients["technician"].clone();
    assert_eq!(phone.push(&all), again, "after any time");
    assert_eq!(world.database.log_rows(), rows + 37);
    is_clean(&world.database);
}

fn of_pushes_at_once_each_edit_is_recorded_once(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    for round in 0..5_u32 {
        let edits: Vec<Value> = (0..20).map(|n| phone.reading(&unit, f64::from(round * 20 + n))).collect();
        let rows = world.database.log_rows();
        let body = phone.request(&edits.iter().collect::<Vec<_>>());
        let answers: Vec<Vec<String>> = thread::scope(|scope| {
            let push = || {
                let (client, body) = (phone.client.clone(), &body);
                scope.spawn(move || client.post(SYNC, body).expect(200).json())
            };
            let all: Vec<_> = (0..4).map(|_| push()).collect();
            let answers = all.into_iter().map(|one| one.join().unwrap());
            answers.map(|answer| results(&answer).iter().map(line).collect()).collect()
        });
        for n in 0..20 {
            let told: Vec<&str> = answers.iter().map(|answer| answer[n].as_str()).collect();
            let applied = told.iter().filter(|word| **word == "applied").count();
            let repeats = told.iter().filter(|word| **word == "already_applied").count();
            assert_eq!((applied, repeats), (1, 3), "edit {n} of round {round}: {told:?}");
        }
        assert_eq!(world.database.log_rows(), rows + 20);
    }
    is_clean(&world.database);
}

/// Of a hundred the first, the fiftieth and the last are wrong, and what is sent later is not held up by them.
fn a_later_edit_is_not_held_up(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let phone = Phone::new(&town, "technician");
    let edits: Vec<Value> = (0..100_u32)
        .map(|n| match n {
            0 | 49 | 99 => phone
                .event(json!({"kind": "reading", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z"})),
            _ => phone.reading(&unit, f64::from(n) / 10.0),
        })
        .collect();
    let told = phone.push(&edits.iter().collect::<Vec<_>>());
    for (n, result) in told.iter().enumerate() {
        if [0, 49, 99].contains(&n) {
            assert_eq!(line(result), "refused invalid", "{n}");
            assert_eq!(flaws(result), [format!("/edits/{n}/body/meter_hours required")]);
        } else {
            assert_eq!(line(result), "applied", "{n}");
        }
    }
    assert_eq!(beside(&world), 3);
    assert_eq!(phone.told(&[&phone.reading(&unit, 10.0)]), ["applied"]);
    is_clean(&world.database);
}
