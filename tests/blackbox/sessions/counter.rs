//! A transaction held open between its insert and its commit: whoever numbers rows after it waits for it, and nobody else.

use blackbox::{Backend, World, database::Number, world::new_id};
use diesel::{PgConnection, RunQueryDsl, connection::SimpleConnection, sql_query};
use model::OrganizationId;
use serde_json::json;

/// How the held transaction ends, and how far on the next number then is.
const ENDS: [(&str, i64); 2] = [("COMMIT", 1), ("ROLLBACK", 0)];

fn number(conn: &mut PgConnection, sql: &str) -> i64 {
    sql_query(sql).get_result::<Number>(conn).unwrap().n
}

/// Takes the organization's counter and adds a row to its log, as the last step of a write does, without a commit.
fn hold_a_row(conn: &mut PgConnection, organization: OrganizationId) -> i64 {
    conn.batch_execute("BEGIN").unwrap();
    let taken = format!(
        "UPDATE organization SET next_seq = next_seq + 1 WHERE id = '{organization}' RETURNING next_seq - 1 AS n"
    );
    let seq = number(conn, &taken);
    let row = format!(
        "CREATE TEMPORARY TABLE held ON COMMIT DROP AS \
         SELECT * FROM change_log WHERE organization = '{organization}' AND seq = {seq} - 1; \
         UPDATE held SET seq = {seq}, edit_id = '{}'; \
         INSERT INTO change_log SELECT * FROM held; \
         INSERT INTO feed SELECT organization, site_id, {seq}, unit_id, kind, record_id FROM feed \
         WHERE organization = '{organization}' AND seq = {seq} - 1",
        new_id()
    );
    conn.batch_execute(&row).unwrap();
    seq
}

#[test]
fn numbers_wait_for_a_row_that_is_not_committed() {
    let world = World::new(Backend::Postgres);
    let (town, other) = (world.town(), world.town());
    let mut session = world.database.session();
    for (end, step) in ENDS {
        let name = format!("Pump House, {end}");
        let seq = hold_a_row(&mut session, town.id);
        let site = |name: &str| json!({"name": name, "zone": "America/Denver"});
        let made = std::thread::scope(|scope| {
            let writing = scope.spawn(|| town.coordinator().post("/v1/sites", &site(&name)));
            world.database.wait_for_blocked(1);

            // Nobody sees the held row, nor the one that waits for it.
            let last = format!("SELECT max(seq) AS n FROM change_log WHERE organization = '{}'", town.id);
            assert_eq!(world.database.number(&last), seq - 1, "{end}");
            let fed = last.replace("change_log", "feed");
            assert_eq!(world.database.number(&fed), seq - 1, "{end}");
            let sites = town.coordinator().all("/v1/sites", 500);
            assert!(sites.iter().all(|site| site["name"] != name), "{end}: {sites:?}");

            // Another organization's numbers are its own.
            other.coordinator().post("/v1/sites", &site("Depot")).expect(201);
            assert!(!writing.is_finished(), "{end}: the writer did not wait");

            session.batch_execute(end).unwrap();
            writing.join().unwrap().expect(201).json()
        });
        let of_site = format!(
            "SELECT seq AS n FROM change_log WHERE organization = '{}' AND record_id = '{}'",
            town.id,
            made["id"].as_str().unwrap()
        );
        assert_eq!(world.database.number(&of_site), seq + step, "{end}");
        assert_eq!(
            number(&mut session, &format!("SELECT next_seq AS n FROM organization WHERE id = '{}'", town.id)),
            seq + step + 1
        );
    }
}
