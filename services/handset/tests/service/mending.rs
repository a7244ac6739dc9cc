//! A copy that is damaged is found out by its fingerprints and mended in place.

use blackbox::{Backend, World, on_both};
use diesel::{Connection, RunQueryDsl, SqliteConnection, sql_query};
use handset::Ended;

use crate::van::Van;

on_both!(three_damaged_rows, what_is_missing_and_what_is_too_much);

/// Does something to the file that no handset does.
fn damage(van: &mut Van, statements: &[&str]) {
    van.closed(|file| {
        let mut conn = SqliteConnection::establish(file).unwrap();
        for statement in statements {
            assert!(sql_query(*statement).execute(&mut conn).unwrap() > 0, "{statement}");
        }
    });
}

fn filled(world: &World, town: &blackbox::Town) -> Van {
    let units: Vec<String> = (0..4).map(|n| town.unit_in_service(&format!("Pump {n}"), n % 2)).collect();
    let mut van = Van::new(world, town, "coordinator");
    for (unit, hours) in units.iter().cycle().zip(1..60_u32) {
        van.reading(unit, f64::from(hours));
    }
    van.agrees();
    van
}

fn three_damaged_rows(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut van = filled(&world, &town);
    let before = van.told();
    damage(
        &mut van,
        &[
            "UPDATE record SET text = replace(text, 'Pump 1', 'Pump X') WHERE text LIKE '%Pump 1%'",
            "UPDATE record SET text = replace(text, '\"meter_hours\":7', '\"meter_hours\":70') WHERE text LIKE '%\"meter_hours\":7,%'",
            "UPDATE record SET text = replace(text, 'Shelter', 'Kelter') WHERE kind = 'site' AND text LIKE '%Shelter%'",
        ],
    );
    assert_ne!(van.told(), before);
    let synced = van.sync();
    assert_eq!((synced.ended, synced.mended), (Ended::Done, 3));
    let fetched = van.wire.asked.iter().filter(|path| path.starts_with("fingerprints/records")).count();
    assert!(fetched <= 3, "{:?}", van.wire.asked);
    assert_eq!(van.told(), before);
    van.agrees();
}

fn what_is_missing_and_what_is_too_much(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let mut van = filled(&world, &town);
    let before = van.told();
    damage(
        &mut van,
        &[
            "DELETE FROM record WHERE text LIKE '%\"meter_hours\":9,%'",
            "UPDATE record SET home = NULL WHERE text LIKE '%\"Pump 2\"%'",
            "INSERT INTO record (kind, id, unit, text, retired, moves, stale) SELECT kind, \
             x'00000000000070008000000000000001', unit, text, retired, moves, stale FROM record \
             WHERE text LIKE '%\"meter_hours\":8,%'",
        ],
    );
    assert_eq!(van.sync().ended, Ended::Done);
    assert_eq!(van.told(), before);
    van.agrees();
}
