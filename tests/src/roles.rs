//! Roles of a PostgreSQL cluster that a test makes for itself.

use diesel::{
    Connection, PgConnection, RunQueryDsl, connection::SimpleConnection, sql_query, sql_types::Text,
};

use crate::{Database, database::admin_url};

/// A role that may log in; gone with the test.
pub struct Login {
    /// Its name.
    pub name: String,
}

impl Login {
    /// Makes one with these attributes, as `CREATE ROLE` takes them.
    pub fn new(attributes: &str) -> Self {
        let name = format!("r{}", uuid::Uuid::new_v4().simple());
        let made = format!("CREATE ROLE {name} LOGIN PASSWORD 'in the shed' {attributes}");
        sql_query(made).execute(&mut PgConnection::establish(&admin_url()).unwrap()).unwrap();
        Self { name }
    }

    /// The address of a database for this role.
    pub fn url(&self, database: &Database) -> String {
        let (_, place) = database.url().split_once("://").unwrap();
        let place = place.rsplit_once('@').map_or(place, |(_, place)| place);
        format!("postgres://{}:in%20the%20shed@{place}", self.name)
    }

    /// A session of this role.
    pub fn session(&self, database: &Database) -> PgConnection {
        PgConnection::establish(&self.url(database)).unwrap()
    }
}

impl Drop for Login {
    fn drop(&mut self) {
        if let Ok(mut conn) = PgConnection::establish(&admin_url()) {
            let _ = sql_query(format!("DROP ROLE IF EXISTS {}", self.name)).execute(&mut conn);
        }
    }
}

/// What an attempt with hand-written SQL comes to: so many rows, or the database's error code (SQLSTATE).
///
/// It runs in a transaction of its own with the fence set to `organization`, where one is given, and is committed.
pub fn attempt(conn: &mut PgConnection, organization: Option<&str>, sql: &str) -> String {
    let fence =
        organization.map_or_else(String::new, |id| format!("SET LOCAL keepstart.organization = '{id}';"));
    conn.batch_execute(&format!(
        "BEGIN; {fence} \
         DO $outer$ DECLARE n bigint; BEGIN \
             EXECUTE $attempt$ {sql} $attempt$; \
             GET DIAGNOSTICS n = ROW_COUNT; \
             PERFORM set_config('tests.came_to', n || ' rows', true); \
         EXCEPTION WHEN OTHERS THEN PERFORM set_config('tests.came_to', SQLSTATE, true); \
         END $outer$"
    ))
    .unwrap_or_else(|error| panic!("{sql}: {error}"));
    let came_to = text(conn, "SELECT current_setting('tests.came_to') AS t");
    conn.batch_execute("COMMIT").unwrap();
    came_to
}

/// The one text that hand-written SQL selects as `t`.
pub fn text(conn: &mut PgConnection, sql: &str) -> String {
    let mut texts = texts(conn, sql);
    assert_eq!(texts.len(), 1, "{sql}");
    texts.remove(0)
}

/// The texts that hand-written SQL selects as `t`.
pub fn texts(conn: &mut PgConnection, sql: &str) -> Vec<String> {
    #[derive(diesel::QueryableByName)]
    struct Row {
        #[diesel(sql_type = Text)]
        t: String,
    }
    let rows: Vec<Row> = sql_query(sql).load(conn).unwrap_or_else(|error| panic!("{sql}: {error}"));
    rows.into_iter().map(|row| row.t).collect()
}
