//! A day's work: what one writes another sees, and both have what the service has.

use blackbox::{Backend, World, on_both};
use handset::{Kind, State, Wish};
use serde_json::json;

use crate::van::{Van, event, map};

on_both!(
    what_one_writes_another_sees,
    two_people_set_one_field,
    what_waits_for_its_parent,
    what_is_seen_changes,
    corrections_of_places
);

fn what_one_writes_another_sees(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("Pump 1", 0);
    let mut vans = [(); 2].map(|()| Van::new(&world, &town, "coordinator"));
    let first_fill = vans[0].agrees();
    assert!(first_fill.changes > 5, "{first_fill:?}");

    let [van, other] = &mut vans;
    van.reading(&unit, 12.5);
    van.write(event(
        &unit,
        json!({"kind": "finding", "occurred_at": "2026-06-15T11:30:00Z", "action": "opened", "severity": "minor",
            "finding": "oil_leak", "note": "Seen by \"Ada\" & me"}),
    ));
    van.set(&unit, json!({"rated_kw": 6.5, "external_ids": {"gis": "G-7"}}));
    van.set(&unit, json!({"label": "Pump 2"}));
    let fields =
        map(json!({"label": "Pump 9", "home_site_id": town.sites[1], "fuel": "diesel", "rated_kw": 12.25}));
    let made = van.write(Wish::Create { kind: Kind::Unit, fields });
    van.reading(&made, 3.0);
    // It stands elsewhere than at home.
    van.write(event(
        &made,
        json!({"kind": "placement", "occurred_at": "2026-06-15T11:00:00Z", "site_id": town.sites[0]}),
    ));
    let synced = van.agrees();
    assert!(synced.requests <= 2, "{synced:?}");
    let told: Vec<String> = van.wire.said["changes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|change| format!("{} {}", change["change"].as_str().unwrap(), change["kind"].as_str().unwrap()))
        .collect();
    // What it has already is not sent back to it; what it could not know is: the unit that it made stands elsewhere.
    assert_eq!(told[..3], ["echo service_event", "echo service_event", "echo unit"], "{told:?}");
    assert!(told[3..].iter().all(|change| change.starts_with("record ")), "{told:?}");
    assert_eq!(van.states(), [State::Applied; 7]);
    assert_eq!(van.field(&unit, "label"), "Pump 2");

    other.agrees();
    assert_eq!(other.field(&unit, "external_ids"), json!({"gis": "G-7"}));
    assert_eq!(other.told(), van.told());
    // Nothing is sent twice, and nothing is left to say.
    assert_eq!((van.agrees().changes, van.wire.asked.len()), (0, 1));
}

fn two_people_set_one_field(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit("Pump 1");
    let mut vans = [(); 2].map(|()| Van::new(&world, &town, "coordinator"));
    vans.iter_mut().for_each(|van| drop(van.agrees()));
    vans[0].set(&unit, json!({"label": "Engine 1"}));
    vans[1].set(&unit, json!({"label": "Engine 2", "rated_kw": 4}));
    vans[0].agrees();
    vans[1].agrees();
    vans[0].agrees();
    assert_eq!((vans[0].states(), vans[1].states()), (vec![State::Applied], vec![State::Contested]));
    for van in &mut vans {
        let mut values = van.contested(&unit, "label");
        values.sort_by_key(ToString::to_string);
        assert_eq!(values, ["Engine 1", "Engine 2"]);
        assert_eq!(van.field(&unit, "rated_kw"), json!(4));
    }
    assert_eq!(vans[0].field(&unit, "label"), vans[1].field(&unit, "label"));

    vans[1].set(&unit, json!({"label": "Engine 1"}));
    vans[1].agrees();
    vans[0].agrees();
    for van in &mut vans {
        assert_eq!(van.contested(&unit, "label").len(), 0);
        assert_eq!(van.field(&unit, "label"), "Engine 1");
    }
    assert_eq!(vans[0].told(), vans[1].told());
}

/// A reading of a unit that another handset made, and that comes later than the reading.
fn what_waits_for_its_parent(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut vans = [(); 2].map(|()| Van::new(&world, &town, "coordinator"));
    vans.iter_mut().for_each(|van| drop(van.agrees()));
    let fields = map(json!({"label": "Pump 9", "home_site_id": town.sites[1], "fuel": "diesel"}));
    let made = vans[0].write(Wish::Create { kind: Kind::Unit, fields });
    let wrong =
        vans[1].write(event(&made, json!({"kind": "reading", "occurred_at": "2026-06-15T11:00:00Z"})));
    vans[1].reading(&made, 3.0);
    vans[1].agrees();
    assert_eq!(vans[1].states(), [State::Refused, State::Parked]);
    let queue = vans[1].handset().queue().unwrap();
    let words = handset::words::edit(&queue[0]).unwrap();
    assert!(
        queue[0].id.to_string() == wrong && words.iter().any(|line| line == "This member is missing."),
        "{words:?}"
    );
    vans[0].agrees();
    // It is told of what was recorded meanwhile, and offers it once more.
    vans[1].agrees();
    assert_eq!(vans[1].states(), [State::Refused, State::Applied]);
    vans[0].agrees();
    assert_eq!(vans[0].told(), vans[1].told());
}

/// Access to a site is given, and a unit goes out of sight.
fn what_is_seen_changes(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = [town.unit_in_service("Pump 1", 0), town.unit_in_service("Pump 2", 1)];
    let person = world.person(town.id, &[("coordinator", json!([town.sites[0]]))]);
    let mut van = Van::of(&world, &town, person);
    van.agrees();
    let seen = |van: &mut Van| {
        van.handset().ids(Kind::Unit).unwrap().iter().map(ToString::to_string).collect::<Vec<_>>()
    };
    assert_eq!(seen(&mut van), [units[0].clone()]);
    let grant = json!({"role": "coordinator", "sites": [town.sites[1]], "from": "2020-01-01T00:00:00Z"});
    world.grant(town.id, person, grant);
    van.agrees();
    assert_eq!(seen(&mut van).len(), 2);

    let mut narrow = Van::of(&world, &town, world.person(town.id, &[("viewer", json!([town.sites[0]]))]));
    narrow.agrees();
    let id = uuid::Uuid::try_parse(&units[0]).unwrap();
    van.set(&units[0], json!({"home_site_id": town.sites[1]}));
    let elsewhere =
        json!({"kind": "placement", "occurred_at": "2026-06-15T11:00:00Z", "site_id": town.sites[1]});
    van.write(event(&units[0], elsewhere));
    van.agrees();
    narrow.agrees();
    assert!(narrow.handset().view(Kind::Unit, id).unwrap().is_none());
    assert_eq!(narrow.handset().told("service_event").unwrap().len(), 0);
}

/// Corrections void, move and link what tells where units stand; the copy follows.
fn corrections_of_places(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = [town.unit_in_service("Pump 1", 0), town.unit_in_service("Pump 2", 1)];
    let person = world.person(town.id, &[("coordinator", json!([town.sites[0]]))]);
    let (mut van, mut narrow) = (Van::new(&world, &town, "coordinator"), Van::of(&world, &town, person));
    let elsewhere = |site: usize, hour: u32| json!({"kind": "placement", "site_id": town.sites[site], "occurred_at": format!("2026-06-15T{hour:02}:00:00Z")});
    let correct = |unit: &str, mut correction: serde_json::Value| {
        correction["kind"] = json!("correction");
        correction["reason"] = json!("entered by mistake");
        town.happened(unit, "2026-06-15T11:30:00Z", correction);
    };
    let lent = town.happened(&units[1], "2026-06-15T08:00:00Z", elsewhere(0, 8));
    for van in [&mut van, &mut narrow] {
        van.agrees();
    }
    correct(&units[1], json!({"action": "void", "target_id": lent["id"]}));
    for van in [&mut van, &mut narrow] {
        van.agrees();
    }
    let placed = town.happened(&units[0], "2026-06-15T09:00:00Z", elsewhere(1, 9));
    correct(&units[0], json!({"action": "reassign", "target_id": placed["id"], "to_unit_id": units[1]}));
    for van in [&mut van, &mut narrow] {
        van.agrees();
    }
    correct(&units[0], json!({"action": "link", "other_unit_id": units[1]}));
    town.happened(&units[1], "2026-06-15T10:00:00Z", elsewhere(0, 10));
    for van in [&mut van, &mut narrow] {
        van.agrees();
    }
}
