//! Transactions of others that stay open: a backup, a report, somebody at a prompt. They hold up nobody who reads.

use blackbox::{Backend, Town, World, database::Number, service::is_clean, world::id_of};
use diesel::{PgConnection, RunQueryDsl, connection::SimpleConnection, sql_query};
use serde_json::json;

fn number(conn: &mut PgConnection, sql: &str) -> i64 {
    sql_query(sql).get_result::<Number>(conn).unwrap().n
}

/// A unit after whatever the town has; with its number of events it makes lists longer than a page.
fn go_on(town: &Town, label: &str) -> String {
    let unit = town.unit_in_service(label, 0);
    for hour in 1..5 {
        let reading = json!({"kind": "reading", "meter_hours": hour});
        town.happened(&unit, &format!("2026-02-0{hour}T12:00:00Z"), reading);
    }
    unit
}

/// Every list that there is shows what was written just now, and so does every single read.
#[track_caller]
fn sees(town: &Town, unit: &str, site: &str) {
    let client = town.coordinator();
    let ids = |path: &str| client.all(path, 2).iter().map(id_of).collect::<Vec<_>>();
    assert!(ids("/v1/sites").iter().any(|id| id == site));
    assert!(ids("/v1/units").iter().any(|id| id == unit));
    assert_eq!(ids(&format!("/v1/service-events?unit={unit}")).len(), 6);
    assert_eq!(ids("/v1/schedules").len(), 1);
    let due = client.all(&format!("/v1/due?unit={unit}"), 2);
    assert_eq!(due.len(), 3, "{due:?}");
    assert!(client.all("/v1/due", 2).len() >= 3);
    client.get(&format!("/v1/units/{unit}")).expect(200);
    client.get(&format!("/v1/sites/{site}")).expect(200);
    let due = client.get(&format!("/v1/units/{unit}/due")).expect(200).json();
    assert_eq!(due["engine_hours"]["lower_hours"], 4.0, "{due}");
}

/// The write waits for the foreign transaction, and is done after its commit.
fn waits_for(world: &World, foreign: &mut PgConnection, write: impl Fn() + Sync) {
    std::thread::scope(|scope| {
        let writing = scope.spawn(&write);
        world.database.wait_for_blocked(1);
        assert!(!writing.is_finished());
        foreign.batch_execute("COMMIT").unwrap();
        writing.join().unwrap();
    });
}

#[test]
fn an_open_snapshot_stalls_no_reader() {
    let world = World::new(Backend::Postgres);
    let town = world.town();
    go_on(&town, "FS-1");
    let rows = "SELECT count(*) AS n FROM change_log";
    let before = world.database.log_rows();

    // A number of its own and a snapshot, as a long report has that writes into a table of its own; and the locks on
    // whole tables that a backup takes.
    let mut foreign = world.database.session();
    foreign
        .batch_execute(
            "BEGIN ISOLATION LEVEL REPEATABLE READ; \
             LOCK TABLE organization, change_log, feed, record, service_event, unit_state, due_item \
             IN ACCESS SHARE MODE; \
             SELECT pg_current_xact_id()",
        )
        .unwrap();
    assert_eq!(number(&mut foreign, rows), before);

    let site = json!({"name": "Depot", "zone": "America/Denver"});
    let site = id_of(&town.coordinator().post("/v1/sites", &site).expect(201).json());
    let unit = go_on(&town, "FS-2");
    sees(&town, &unit, &site);
    assert_eq!(world.database.log_rows(), before + 8);

    // Who reads only what is older than every open transaction sees none of it.
    let behind = format!(
        "SELECT count(*) AS n FROM change_log WHERE seq > {before} \
         AND xmin::text::bigint < pg_snapshot_xmin(pg_current_snapshot())::text::bigint % 4294967296"
    );
    assert_eq!(
        world.database.number(&behind),
        0,
        "the foreign transaction holds no horizon back: nothing is shown"
    );
    assert_eq!(number(&mut foreign, rows), before, "the foreign snapshot moved");
    is_clean(&world.database);
    foreign.batch_execute("ROLLBACK").unwrap();
}

#[test]
fn locks_on_other_rows_stall_no_reader_and_no_other_writer() {
    let world = World::new(Backend::Postgres);
    let (town, other) = (world.town(), world.town());
    let locked = go_on(&town, "FS-1");
    let mut foreign = world.database.session();
    let of_unit = |table: &str, key: &str| {
        format!("SELECT 1 FROM {table} WHERE organization = '{}' AND {key} = '{locked}' FOR UPDATE", town.id)
    };
    let locks = [
        of_unit("record_lock", "id"),
        of_unit("record", "id"),
        of_unit("unit_state", "unit_id"),
        of_unit("due_item", "unit_id"),
        of_unit("service_event", "unit_id"),
        of_unit("feed", "unit_id"),
        of_unit("change_log", "unit_id"),
    ];
    foreign.batch_execute(&format!("BEGIN; {}", locks.join("; "))).unwrap();

    sees(&town, &locked, &town.sites[0]);
    let unit = go_on(&town, "FS-2");
    sees(&town, &unit, &town.sites[0]);
    let theirs = go_on(&other, "FS-1");
    sees(&other, &theirs, &other.sites[1]);
    let reading = json!({"kind": "reading", "meter_hours": 5});
    waits_for(&world, &mut foreign, || {
        town.happened(&locked, "2026-02-06T12:00:00Z", reading.clone());
    });

    // The counter of one organization held by somebody: its writers wait, its readers do not.
    let counter = format!("BEGIN; SELECT 1 FROM organization WHERE id = '{}' FOR UPDATE", town.id);
    foreign.batch_execute(&counter).unwrap();
    sees(&town, &unit, &town.sites[0]);
    let theirs = go_on(&other, "FS-2");
    sees(&other, &theirs, &other.sites[0]);
    waits_for(&world, &mut foreign, || drop(town.unit("FS-3")));
    is_clean(&world.database);
}
