//! What goes wrong in the field: answers that get lost, tokens that end, copied files, revoked handsets, and a service that
//! was restored from a backup.

use blackbox::{Backend, World, on_both, service::is_clean};
use handset::{Ended, Kind, State, outside::CodeFor};
use serde_json::json;

use crate::van::Van;

on_both!(
    answers_get_lost,
    a_token_ends,
    one_handset_and_two_people,
    a_file_is_copied,
    a_handset_is_revoked,
    a_restore
);

fn answers_get_lost(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let mut van = Van::new(&world, &town, "technician");
    van.wire.lost = 2;
    van.agrees();
    for hours in [1.0, 2.0, 3.0] {
        van.reading(&unit, hours);
        van.wire.lost = 2;
        van.agrees();
    }
    assert_eq!(van.states(), [State::Applied; 3]);
    let readings = town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 100);
    assert_eq!(readings.len(), 3);
}

fn a_token_ends(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("Pump 1");
    let mut van = Van::new(&world, &town, "technician");
    van.agrees();
    let good = std::mem::replace(&mut van.people.token, "not.a.token".to_owned());
    van.reading(&unit, 5.0);
    let cursor = van.handset().device().unwrap().cursor;
    assert_eq!(van.sync().ended, Ended::SignIn);
    assert_eq!((van.states(), van.handset().device().unwrap().cursor), (vec![State::Queued], cursor));
    van.people.next_token = Some(good);
    van.agrees();
    assert_eq!(van.states(), [State::Applied]);
}

/// Who signs in sees what they may see, and sends what the other one wrote in the other one's name.
fn one_handset_and_two_people(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = [town.unit_in_service("Pump 1", 0), town.unit_in_service("Pump 2", 1)];
    let people = [0, 1].map(|site| world.person(town.id, &[("technician", json!([town.sites[site]]))]));
    let mut van = Van::of(&world, &town, people[0]);
    van.agrees();
    let first = van.reading(&units[0], 1.0);
    let signs_in = |van: &mut Van, person| {
        van.handset().sign_in(person).unwrap();
        van.people.token = world.token(town.id, person);
    };
    signs_in(&mut van, people[1]);
    van.agrees();
    assert_eq!(van.states(), [State::Applied]);
    let recorded = town.coordinator().get(&format!("/v1/service-events/{first}")).expect(200).json();
    assert_eq!(recorded["author"], people[0].to_string());
    let seen = van.handset().ids(Kind::Unit).unwrap().iter().map(ToString::to_string).collect::<Vec<_>>();
    assert_eq!(seen, [units[1].clone()]);
    van.reading(&units[1], 2.0);
    signs_in(&mut van, people[0]);
    van.agrees();
    assert_eq!(van.states(), [State::Applied; 2]);
    let seen = van.handset().ids(Kind::Unit).unwrap().iter().map(ToString::to_string).collect::<Vec<_>>();
    assert_eq!(seen, [units[0].clone()]);
}

/// Two count on from the same number: one of them is told, and everything that both wrote is there.
fn a_file_is_copied(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let mut van = Van::new(&world, &town, "technician");
    van.reading(&unit, 1.0);
    van.agrees();
    let mut copy = van.copied();
    for (hours, van) in [(2.0, &mut van), (3.0, &mut copy)] {
        van.reading(&unit, hours);
        van.sync();
    }
    assert_eq!(copy.sync().ended, Ended::NeedsCode(CodeFor::Forked));
    copy.reading(&unit, 4.0);
    copy.people.codes.push_back(town.handset_code());
    copy.agrees();
    copy.reading(&unit, 5.0);
    copy.agrees();
    let numbers: Vec<u32> = copy.handset().enrolments().unwrap().iter().map(|one| one.number).collect();
    assert!(numbers.len() == 2 && numbers[0] != numbers[1]);

    // The other one is told as well, when it has something to say.
    van.reading(&unit, 6.0);
    van.people.codes.push_back(town.handset_code());
    van.agrees();
    copy.agrees();
    for van in [&mut van, &mut copy] {
        assert!(van.states().iter().all(|state| state.is_recorded()), "{:?}", van.states());
    }
    let readings = town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 100);
    assert_eq!(readings.len(), 6);
    assert_eq!(van.told(), copy.told());
    is_clean(&world.database);
}

fn a_handset_is_revoked(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("Pump 1");
    let mut van = Van::new(&world, &town, "technician");
    van.agrees();
    let id = van.handset().enrolments().unwrap()[0].handset;
    town.coordinator().post(&format!("/v1/handsets/{id}/revoke"), &json!({})).expect(200);
    van.reading(&unit, 5.0);
    assert_eq!(van.sync().ended, Ended::NeedsCode(CodeFor::Revoked));
    assert_eq!(van.states(), [State::Held]);
    assert_eq!(town.coordinator().all("/v1/held", 100).len(), 1);
    van.people.codes.push_back(town.handset_code());
    van.agrees();
    van.reading(&unit, 6.0);
    van.agrees();
    assert_eq!(van.states(), [State::Held, State::Applied]);
}

/// The service loses what came after a backup, a handset among it; nothing that was written is lost.
fn a_restore(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let person = town.people["coordinator"];
    let mut van = Van::of(&world, &town, person);
    van.reading(&unit, 1.0);
    van.agrees();
    world.service.kill();
    let backup = world.database.backup();
    let days = ["2026-06-16T12:00:00Z", "2026-06-17T12:00:00Z"];
    world.restart_at(days[0]);
    world.reach(&mut town);
    van.reach(&world, &town, person, days[0]);
    van.reading(&unit, 2.0);
    van.set(&unit, json!({"label": "Pump 7"}));
    van.agrees();
    let mut late = Van::of(&world, &town, person);
    late.reach(&world, &town, person, days[0]);
    late.reading(&unit, 3.0);
    late.agrees();
    van.agrees();
    let before = (van.handset().queue().unwrap(), van.told());

    world.service.kill();
    world.database.restore(&backup);
    world.restart_at(days[1]);
    world.reach(&mut town);
    for van in [&mut van, &mut late] {
        van.reach(&world, &town, person, days[1]);
    }
    van.agrees();
    assert!(van.states().iter().all(|state| state.is_recorded()));
    assert_eq!(van.field(&unit, "label"), "Pump 7");
    assert_eq!(late.sync().ended, Ended::NeedsCode(CodeFor::Forgotten));
    late.people.codes.push_back(town.handset_code());
    late.agrees();
    van.agrees();
    assert_eq!(van.told(), late.told());
    // The same edits, word for word, and the same records but for when they were recorded.
    let texts = |queue: Vec<handset::StoredEdit>| queue.into_iter().map(|edit| edit.text).collect::<Vec<_>>();
    let names = |told: &[(String, uuid::Uuid, String)]| {
        told.iter().map(|(kind, id, _)| (kind.clone(), *id)).collect::<Vec<_>>()
    };
    assert_eq!(texts(van.handset().queue().unwrap()), texts(before.0));
    assert_eq!(names(&van.told()), names(&before.1));
    is_clean(&world.database);
}
