//! The fence between organizations in the database itself, tried with hand-written SQL as the role that the service
//! works as: what the service would never ask must be impossible too.

mod catalog;
mod rights;
mod rows;
mod serving;

use blackbox::{Backend, Database, Town, World, roles::Login};
use diesel::PgConnection;
use serde_json::json;

/// The role that the service works as.
const SERVICE: &str = "keepstart_service";

/// What a login role is that may serve, and nothing else.
const MEMBER: &str = "IN ROLE keepstart_service";

/// Tables that are no organization's: nothing in them tells of one what another may not know.
const OPEN: [&str; 4] = ["__diesel_schema_migrations", "organization_list", "secret", "worker"];

/// The tables that the fence is around, with the column that says whose a row is.
fn fenced(owner: &mut PgConnection) -> Vec<(String, &'static str)> {
    let tables = blackbox::roles::texts(
        owner,
        "SELECT relname::text AS t FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') ORDER BY 1",
    );
    let open = |table: &String| OPEN.contains(&table.as_str());
    assert_eq!(tables.iter().filter(|table| open(table)).count(), OPEN.len(), "{tables:?}");
    let column = |table: &str| if table == "organization" { "id" } else { "organization" };
    let fenced = tables.into_iter().filter(|table| !open(table));
    fenced.map(|table| (table.clone(), column(&table))).collect()
}

/// Two towns in one database, each with rows in every table, and a session of a role that may serve.
struct Fenced {
    _world: World,
    ours: Town,
    theirs: Town,
    member: PgConnection,
    owner: PgConnection,
    _login: Login,
}

impl Fenced {
    fn new() -> Self {
        let world = World::new(Backend::Postgres);
        let [ours, theirs] = [(); 2].map(|()| inhabited(&world));
        let login = Login::new(MEMBER);
        let (member, owner) = (login.session(&world.database), world.database.session());
        Self { _world: world, ours, theirs, member, owner, _login: login }
    }

    fn us(&self) -> String {
        self.ours.id.to_string()
    }

    fn them(&self) -> String {
        self.theirs.id.to_string()
    }
}

/// A town with something of everything.
fn inhabited(world: &World) -> Town {
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let reading = json!({"kind": "reading", "meter_hours": 30, "note": "by the shed"});
    town.happened(&unit, "2026-06-01T12:00:00Z", reading);
    let done = json!({"kind": "service", "meter_hours": 31, "jobs": [{"job": "oil_change"}]});
    town.happened(&unit, "2026-06-02T12:00:00Z", done);
    town.record(json!({"kind": "adoption", "maker": "Alder", "model": "P7", "occurred_on": "2026-06-03",
        "schedule_id": town.schedule, "edition_id": town.edition}));
    town.handset(&town.clients["technician"], "Van 2");
    town.coordinator().get("/v1/readiness").expect(200);
    world.database.sql(&format!(
        "INSERT INTO due_item_before SELECT organization, unit_id, schedule_id, task, 0, state, reason, due_at \
         FROM due_item WHERE organization = '{}' ON CONFLICT DO NOTHING",
        town.id
    ));
    town
}

/// A database that is migrated and holds nothing.
fn empty() -> Database {
    let database = Database::new(Backend::Postgres);
    store::migrate(&database.address()).unwrap();
    database
}
