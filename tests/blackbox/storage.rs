//! What the databases hold: schemas that go up and down, a log that obeys its laws, and a rebuild that notices whatever
//! somebody changed behind the service's back.

mod changes;

use std::{collections::BTreeSet, thread};

use blackbox::{
    Backend, Database, Direct, Town, World, none_failed, on_both,
    service::{is_clean, run},
    world::{edition, id_of},
};
use model::{Instant, UnitId};
use serde_json::{Value, json};

on_both!(
    migrations_go_up_and_down,
    every_key_begins_with_the_organization,
    the_log_obeys_its_laws,
    a_rebuild_of_an_untouched_database_finds_nothing,
    a_unit_is_right_after_its_schedule_has_ended,
);

fn migrations_go_up_and_down(backend: Backend) {
    let database = Database::new(backend);
    let address = database.address();
    assert!(!store::migrate(&address).unwrap().is_empty());
    let up = store::schema_dump(&address).unwrap();
    assert!(up.len() > 50, "the dump has only {} lines", up.len());
    store::revert_all(&address).unwrap();
    assert_eq!(store::schema_dump(&address).unwrap(), Vec::<String>::new(), "columns and keys are left");
    // Whatever a dump does not show: views, functions, types, triggers.
    let left = match backend {
        Backend::Sqlite => {
            "SELECT count(*) AS n FROM sqlite_master WHERE name NOT LIKE 'sqlite_%' AND tbl_name NOT LIKE '__diesel%'"
        }
        Backend::Postgres => {
            "SELECT (SELECT count(*) FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relname NOT LIKE '%diesel%')
                  + (SELECT count(*) FROM pg_proc WHERE pronamespace = 'public'::regnamespace)
                  + (SELECT count(*) FROM pg_type WHERE typnamespace = 'public'::regnamespace AND typname NOT LIKE '%diesel%') AS n"
        }
    };
    assert_eq!(database.number(left), 0, "something is left");
    assert!(!store::migrate(&address).unwrap().is_empty());
    assert_eq!(store::schema_dump(&address).unwrap(), up, "up, down and up is up");
    assert!(store::migrate(&address).unwrap().is_empty(), "nothing is left to run");
}

#[test]
fn both_schemas_are_the_same() {
    let dump = |backend| {
        let database = Database::new(backend);
        store::migrate(&database.address()).unwrap();
        store::schema_dump(&database.address()).unwrap().into_iter().collect::<BTreeSet<_>>()
    };
    let (sqlite, postgres) = (dump(Backend::Sqlite), dump(Backend::Postgres));
    let only = |these: &BTreeSet<String>, those| these.difference(those).cloned().collect::<Vec<_>>();
    let nothing = Vec::<String>::new();
    assert_eq!((only(&sqlite, &postgres), only(&postgres, &sqlite)), (nothing.clone(), nothing));
}

/// What belongs to no organization: the table of them, their list, and secrets of the service itself.
const OF_NOBODY: [&str; 4] = ["organization", "organization_list", "secret", "worker"];

/// So that one organization's rows lie together, and none is found by another's query.
fn every_key_begins_with_the_organization(backend: Backend) {
    let database = Database::new(backend);
    store::migrate(&database.address()).unwrap();
    let (mut tables, mut keyed) = (BTreeSet::new(), BTreeSet::new());
    let mut failures = Vec::new();
    for line in store::schema_dump(&database.address()).unwrap() {
        let (what, rest) = line.split_once(' ').unwrap();
        let table = rest.split(['.', ' ']).next().unwrap().to_owned();
        if OF_NOBODY.contains(&table.as_str()) {
            continue;
        }
        if what == "column" {
            tables.insert(table);
        } else if !rest.starts_with(&format!("{table} (organization, ")) {
            failures.push(line);
        } else if rest.ends_with(" unique") {
            keyed.insert(table);
        }
    }
    assert!(tables.len() >= 10, "the dump names only {tables:?}");
    failures.extend(tables.difference(&keyed).map(|table| format!("{table} has no key")));
    none_failed(&failures);
}

fn the_log_obeys_its_laws(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let units = ["FS-1", "FS-2", "FS-3"].map(|label| town.unit_in_service(label, 0));
    let theirs = other.unit_in_service("SH-1", 1);
    let before = world.database.log_rows();
    // The last of the eight writes for another organization, whose numbers are its own.
    thread::scope(|scope| {
        for writer in 0..8 {
            let (town, other, units, theirs) = (&town, &other, &units, &theirs);
            scope.spawn(move || {
                for n in 0..20 {
                    let reading = json!({"kind": "reading", "meter_hours": 1 + n, "note": "by eight"});
                    let at = format!("2026-03-{:02}T{writer:02}:00:00Z", n + 1);
                    match writer {
                        7 => other.happened(theirs, &at, reading),
                        _ => town.happened(&units[(writer + n) % 3], &at, reading),
                    };
                }
            });
        }
    });
    assert_eq!(world.database.log_rows(), before + 160);
    let laws = [
        (
            "numbers run from 1 without a gap",
            "SELECT count(*) AS n FROM (SELECT organization FROM change_log GROUP BY organization \
             HAVING min(seq) <> 1 OR max(seq) <> count(*) OR count(DISTINCT seq) <> count(*)) AS broken",
        ),
        (
            "the time recorded never falls",
            "SELECT count(*) AS n FROM change_log a JOIN change_log b \
             ON b.organization = a.organization AND b.seq = a.seq + 1 WHERE b.recorded_at < a.recorded_at",
        ),
        (
            "an edit is recorded once",
            "SELECT count(*) AS n FROM (SELECT organization FROM change_log GROUP BY organization, edit_id \
             HAVING count(*) <> 1) AS broken",
        ),
        (
            "every row is in the feed",
            "SELECT count(*) AS n FROM change_log c WHERE NOT EXISTS (SELECT 1 FROM feed f \
             WHERE f.organization = c.organization AND f.seq = c.seq)",
        ),
        (
            "the counter stands where the log ends",
            "SELECT count(*) AS n FROM organization o WHERE last_recorded_at <> \
             (SELECT max(recorded_at) FROM change_log c WHERE c.organization = o.id)",
        ),
    ];
    let broken = |(law, sql): &(&str, &str)| match world.database.number(sql) {
        0 => None,
        n => Some(format!("{law}: broken {n} times")),
    };
    none_failed(&laws.iter().filter_map(broken).collect::<Vec<_>>());
    is_clean(&world.database);
}

/// A world with something of everything in its log.
fn lively(backend: Backend) -> World {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let unit = town.unit_in_service("FS-1", 0);
    let lent = town.unit_in_service("FS-2", 0);
    town.unit("FS-3");
    other.unit_in_service("SH-1", 1);
    let service = |jobs: Value, meter: f64| json!({"kind": "service", "jobs": jobs, "meter_hours": meter, "note": "with the old filter"});
    let happened: [(&str, &str, Value); 9] = [
        (&unit, "2026-02-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 11, "note": "in the rain"})),
        (&unit, "2026-02-03T12:00:00Z", json!({"kind": "reading", "meter_hours": 9011.5})),
        (
            &unit,
            "2026-03-01T12:00:00Z",
            service(json!([{"job": "oil_change"}, {"job": "plug_replace"}]), 20.5),
        ),
        (
            &unit,
            "2026-03-10T12:00:00Z",
            json!({"kind": "component", "component": "meter", "action": "fitted", "old_meter_hours": 25, "new_meter_hours": 0.3}),
        ),
        (
            &unit,
            "2026-03-20T12:00:00Z",
            json!({"kind": "component", "component": "engine", "action": "rebuilt", "meter_hours": 4}),
        ),
        (&lent, "2026-02-10T12:00:00Z", service(json!([{"job": "oil_change"}]), 8.0)),
        (&lent, "2026-04-01T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]})),
        (&lent, "2026-04-10T12:00:00Z", json!({"kind": "reading", "meter_hours": 31})),
        (
            &unit,
            "2026-01-20T12:00:00Z",
            json!({"kind": "reading", "meter_hours": 6, "on_behalf_of": town.people["technician"]}),
        ),
    ];
    for (unit, at, event) in happened {
        town.happened(unit, at, event);
    }
    town.record(json!({"kind": "service", "unit_id": lent, "occurred_on": "2026-05-01", "jobs": [{"job": "plug_inspect"}]}));
    let wrong = town.happened(&unit, "2026-05-02T12:00:00Z", service(json!([{"job": "oil_change"}]), 9.0));
    correct(&town, &unit, &wrong, "void");
    let right = town.happened(&unit, "2026-05-03T12:00:00Z", service(json!([{"job": "oil_change"}]), 9.5));
    correct(&town, &unit, &right, "void");
    correct(&town, &unit, &right, "reinstate");
    change(
        &town,
        &format!("/v1/units/{unit}"),
        json!({"maker": "Alder", "model": "P7", "serial": "Ω-17", "note": "behind the shed", "rated_kw": 5.5}),
    );
    change(&town, &format!("/v1/units/{unit}"), json!({"note": null, "home_site_id": town.sites[1]}));
    change(&town, &format!("/v1/schedules/{}", town.schedule), json!({"title": "Portables"}));
    // The days of every event at the site move with its zone.
    change(
        &town,
        &format!("/v1/sites/{}", town.sites[1]),
        json!({"zone": "Pacific/Auckland", "note": "moved"}),
    );
    let mut later = edition();
    later["edition"] = json!("B");
    later["tasks"][0]["job"] = json!("oil_and_filter");
    let editions = format!("/v1/schedules/{}/editions", town.schedule);
    let later = id_of(&town.coordinator().post(&editions, &later).expect(201).json());
    town.record(json!({"kind": "adoption", "unit_id": lent, "occurred_at": "2026-05-20T12:00:00Z", "schedule_id": town.schedule, "edition_id": later, "effective_from": "2026-07-01"}));
    town.record(json!({"kind": "adoption", "maker": "Alder", "model": "P7", "occurred_on": "2026-05-21", "note": "from the bulletin",
        "schedule_id": town.schedule, "edition_id": later}));
    town.happened(&lent, "2026-05-25T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[0]}));
    // The last row of the log is an event that no other row refers to.
    town.happened(
        &lent,
        "2026-06-01T12:00:00Z",
        json!({"kind": "reading", "meter_hours": 33, "note": "the last"}),
    );
    world
}

fn correct(town: &Town, unit: &str, target: &Value, action: &str) {
    let correction =
        json!({"kind": "correction", "action": action, "target_id": target["id"], "reason": "another set's"});
    town.happened(unit, "2026-06-01T12:00:00Z", correction);
}

fn change(town: &Town, path: &str, fields: Value) {
    let etag = town.coordinator().get(path).expect(200).etag();
    town.coordinator().patch(path, &etag, &fields).expect(200);
}

/// What `rebuild --check` says of a database, and its exit code.
fn rebuild(database: &Database) -> (Option<i32>, String) {
    let output = run(&["rebuild", "--check", "--database-url", database.url()]);
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8(bytes).unwrap()).concat();
    (output.status.code(), said)
}

fn a_rebuild_of_an_untouched_database_finds_nothing(backend: Backend) {
    let mut world = lively(backend);
    let (code, said) = rebuild(&world.database);
    assert_eq!(code, Some(0), "while the service runs: {said}");
    assert_eq!(said.matches(", 0 differences").count(), 2, "a line for each organization: {said}");
    // Time alone changes nothing: half a year on, units have stepped, and some have not yet.
    world.restart_at("2026-12-15T12:00:00Z");
    let (code, said) = rebuild(&world.database);
    assert_eq!(code, Some(0), "half a year later: {said}");
}

/// Its items go by time alone, and nothing comes in their place.
fn a_unit_is_right_after_its_schedule_has_ended(backend: Backend) {
    let mut world = World::new(backend);
    let town = world.town();
    let unit = town.unit("FS-1");
    let begun = json!({"kind": "commissioning", "site_id": town.sites[0], "meter_hours": 0});
    town.happened(&unit, "2026-01-10T10:00:00Z", begun);
    let mut adoption = town.adoption();
    adoption["effective_until"] = json!("2026-07-01");
    town.happened(&unit, "2026-01-10T10:00:00Z", adoption);
    let items = "SELECT count(*) AS n FROM due_item";
    assert!(world.database.number(items) > 0);
    let (id, later) = (UnitId::parse(&unit).unwrap(), Instant::parse("2026-07-02T12:00:00Z").unwrap());
    world.service.kill();
    let direct = Direct::open(&world.database, 2);
    direct.ask(|store| async move { store.advance(town.id, id, later).await }).unwrap();
    assert_eq!(world.database.number(items), 0);
    is_clean(&world.database);
}
