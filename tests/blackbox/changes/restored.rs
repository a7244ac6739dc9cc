//! A database that was restored from a backup: a copy that is ahead of it must notice.

use blackbox::{Backend, World, on_both, service::NOW};
use serde_json::json;

use super::{Replica, lively};

on_both!(a_cursor_from_after_the_backup_is_expired);

fn a_cursor_from_after_the_backup_is_expired(backend: Backend) {
    let mut world = World::new(backend);
    let (mut town, [unit, ..]) = lively(&world);
    let mut before = Replica::new(town.coordinator(), 100);
    before.follow();
    world.service.kill();
    let backup = world.database.backup();
    world.restart_at(NOW);
    world.reach(&mut town);

    town.happened(&unit, "2026-04-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5}));
    let mut after = Replica {
        cursor: before.cursor.clone(),
        records: before.records.clone(),
        ..Replica::new(town.coordinator(), 100)
    };
    after.follow();

    world.service.kill();
    world.database.restore(&backup);
    world.restart_at(NOW);
    world.reach(&mut town);
    let late = Replica { cursor: after.cursor, ..Replica::new(town.coordinator(), 100) };
    late.asked().problem(410, "cursor_expired");
    // Also once there are as many rows again, and more.
    for hour in 6..9 {
        town.happened(
            &unit,
            &format!("2026-04-0{hour}T12:00:00Z"),
            json!({"kind": "reading", "meter_hours": hour}),
        );
        late.asked().problem(410, "cursor_expired");
    }
    let mut early =
        Replica { cursor: before.cursor, records: before.records, ..Replica::new(town.coordinator(), 100) };
    early.follow();
    let mut fresh = Replica::new(town.coordinator(), 100);
    fresh.follow();
    assert_eq!(early.records, fresh.records);
}
