//! Serving with a role that is a member of the service's and nothing more, and refusing to serve with any that is more.

use std::process::Command;

use blackbox::{
    Database, Service, World,
    nightly::NightShift,
    none_failed,
    roles::Login,
    service::{NOW, command, in_folder, run},
    world::{edition, id_of},
};
use diesel::connection::SimpleConnection;
use serde_json::json;
use store::{Store, StoreError};

use super::{MEMBER, empty};
use crate::commands::ended;

fn serve_as(database: &Database, url: &str, clock: &str) -> Command {
    let keys = in_folder(database, "jwks.json");
    command(&["serve", "--clock", clock, "--jwks", &keys, "--database-url", url])
}

/// The main job from end to end, and what the service does by itself, with no right but the role's.
#[test]
fn a_member_of_the_role_serves() {
    for attributes in [MEMBER, "NOINHERIT IN ROLE keepstart_service"] {
        let mut world = World::new(blackbox::Backend::Postgres);
        let mut town = world.town();
        let login = Login::new(attributes);
        let url = login.url(&world.database);
        world.service = Service::serving(&mut serve_as(&world.database, &url, NOW));
        world.reach(&mut town);
        let boss = town.coordinator();
        world.service.anonymous().get("/readyz").expect(200);

        let site = json!({"name": "Depot", "zone": "America/Denver", "note": "behind the gate"});
        let site = boss.post("/v1/sites", &site).expect(201);
        let path = site.header("location").to_owned();
        boss.patch(&path, &site.etag(), &json!({"zone": "America/Chicago", "note": null})).expect(200);
        let schedule =
            json!({"title": "Standby sets", "publisher": "Tarn Valley", "basis": "common_practice"});
        let schedule = id_of(&boss.post("/v1/schedules", &schedule).expect(201).json());
        boss.post(&format!("/v1/schedules/{schedule}/editions"), &edition()).expect(201);
        let unit = town.unit_in_service("FS-1", 0);
        let path = format!("/v1/units/{unit}");
        let etag = boss.get(&path).expect(200).etag();
        boss.patch(&path, &etag, &json!({"serial": "17", "home_site_id": id_of(&site.json())})).expect(200);
        let oil =
            json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": 12, "note": "by hand"});
        let oil = town.happened(&unit, "2026-06-01T12:00:00Z", oil);
        let void = json!({"kind": "correction", "action": "void", "target_id": oil["id"], "reason": "another set's"});
        town.happened(&unit, "2026-06-02T12:00:00Z", void);
        // A day is another instant once the unit is known to have stood elsewhere.
        let day = json!({"kind": "service", "unit_id": unit, "occurred_on": "2026-06-03", "jobs": [{"job": "plug_replace"}]});
        town.record(day);
        let elsewhere = json!({"kind": "placement", "site_id": town.sites[1]});
        town.happened(&unit, "2026-05-01T12:00:00Z", elsewhere);
        assert_eq!(boss.all("/v1/due", 2).len(), 3, "{attributes}");
        assert_eq!(boss.all(&format!("/v1/service-events?unit={unit}"), 2).len(), 6, "{attributes}");
        assert_eq!(boss.get(&path).expect(200).json()["serial"], "17", "{attributes}");

        // Half a year later time has moved states on: the advance finds the town in its list.
        world.service.kill();
        world.service = Service::serving(&mut serve_as(&world.database, &url, LATER));
        let night = NightShift::on(&url, LATER);
        moved_on(&world);
        drop(night);
        world.reach(&mut town);

        let output = run(&["rebuild", "--check", "--database-url", &url]);
        assert!(output.status.success(), "{attributes}: {}", String::from_utf8_lossy(&output.stderr));
    }
}

/// When the second service begins its clock.
const LATER: &str = "2026-12-15T12:00:00Z";

/// Waits until no unit's stored state is of an earlier time than [`LATER`].
fn moved_on(world: &World) {
    let began = std::time::Instant::now();
    let waiting = format!(
        "SELECT count(*) AS n FROM unit_state WHERE next_at < 1000000 * extract(epoch FROM timestamptz '{LATER}')"
    );
    while world.database.number(&waiting) > 0 {
        assert!(began.elapsed().as_secs() < 60, "the states were not moved on");
        std::thread::yield_now();
    }
}

/// What somebody may have done to a database, and what the service says to it. All of it ends with the database.
const BREACHES: &[(&str, &str)] = &[
    ("the role may change the log", "GRANT UPDATE ON change_log TO keepstart_service"),
    ("the role may change a column of the log", "GRANT UPDATE (body) ON change_log TO keepstart_service"),
    ("the role may delete from the log", "GRANT DELETE ON change_log TO keepstart_service"),
    ("the role may empty the log", "GRANT TRUNCATE ON change_log TO keepstart_service"),
    ("everybody may change the log", "GRANT UPDATE ON change_log TO PUBLIC"),
    ("the log is not fenced", "ALTER TABLE change_log DISABLE ROW LEVEL SECURITY"),
    ("records are not fenced", "ALTER TABLE record DISABLE ROW LEVEL SECURITY"),
    ("due items are not fenced", "ALTER TABLE due_item DISABLE ROW LEVEL SECURITY"),
    ("the role owns the log", "ALTER TABLE change_log OWNER TO keepstart_service"),
    ("the role owns records", "ALTER TABLE record OWNER TO keepstart_service"),
];

#[test]
fn a_database_without_the_fence_is_not_served() {
    let mut failures = Vec::new();
    for (breach, sql) in BREACHES {
        let database = empty();
        let login = Login::new(MEMBER);
        Store::open(&login.url(&database).parse().unwrap(), 2).unwrap();
        database.session().batch_execute(sql).unwrap();
        match Store::open(&login.url(&database).parse().unwrap(), 2) {
            Err(StoreError::Fence(_)) => {}
            other => failures.push(format!("{breach}: {other:?}")),
        }
        // The role owns nothing of a cluster that others use.
        database.session().batch_execute("REASSIGN OWNED BY keepstart_service TO CURRENT_USER").unwrap();
    }
    none_failed(&failures);
}

#[test]
fn a_role_that_is_not_a_member_does_not_serve() {
    let database = empty();
    std::fs::write(in_folder(&database, "jwks.json"), "{\"keys\": []}").unwrap();
    let login = Login::new("");
    let mut serve = serve_as(&database, &login.url(&database), NOW);
    let output = ended(serve.args(["--listen", "127.0.0.1:0"])).expect("it refuses");
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("keepstart_service"), "{said}");
}
