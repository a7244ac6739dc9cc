//! The schema's migrations, embedded in the binary, one folder for each database.

use diesel::{
    Connection, PgConnection, RunQueryDsl, SqliteConnection,
    migration::{Migration, MigrationSource, MigrationVersion},
    sql_query,
};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

use crate::{
    address::Address,
    error::{Result, StoreError},
    sqlite,
};

const POSTGRES: EmbeddedMigrations = embed_migrations!("../../migrations/postgres");
const SQLITE: EmbeddedMigrations = embed_migrations!("../../migrations/sqlite");

/// The key of the lock that keeps two processes from migrating one PostgreSQL database at once.
const MIGRATION_LOCK: i64 = 0x6B65_6570_7374_6172;

/// Brings the schema up to this binary's, and makes an SQLite file that is not there; says which migrations ran.
pub fn migrate(address: &Address) -> Result<Vec<String>> {
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| StoreError::Migration(e.to_string());
    let names = |ran: Vec<MigrationVersion<'_>>| ran.iter().map(ToString::to_string).collect();
    let ran = match address {
        Address::Postgres(url) => {
            let mut conn = connect_postgres(url)?;
            sql_query(format!("SELECT pg_advisory_lock({MIGRATION_LOCK})")).execute(&mut conn)?;
            conn.run_pending_migrations(POSTGRES).map(names).map_err(failed)?
        }
        Address::Sqlite(file) => {
            connect_sqlite(file)?.run_pending_migrations(SQLITE).map(names).map_err(failed)?
        }
    };
    // The database of a newer version has nothing pending, and is not this one's all the same.
    require_current(address)?;
    Ok(ran)
}

/// Takes every migration back. For tests: it empties the database.
pub fn revert_all(address: &Address) -> Result<()> {
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| StoreError::Migration(e.to_string());
    match address {
        Address::Postgres(url) => {
            connect_postgres(url)?.revert_all_migrations(POSTGRES).map(|_| ()).map_err(failed)
        }
        Address::Sqlite(file) => {
            connect_sqlite(file)?.revert_all_migrations(SQLITE).map(|_| ()).map_err(failed)
        }
    }
}

/// Fails unless the newest migration that ran is the newest of this binary.
pub(crate) fn require_current(address: &Address) -> Result<()> {
    let failed = |e: Box<dyn std::error::Error + Send + Sync>| StoreError::Migration(e.to_string());
    let (found, needed) = match address {
        Address::Postgres(url) => (
            newest_of_postgres(url)?,
            MigrationSource::<diesel::pg::Pg>::migrations(&POSTGRES).map(versions).map_err(failed)?,
        ),
        Address::Sqlite(file) => {
            let applied = connect_sqlite(&sqlite::existing(file))?.applied_migrations().map_err(failed)?;
            (
                newest(applied),
                MigrationSource::<diesel::sqlite::Sqlite>::migrations(&SQLITE)
                    .map(versions)
                    .map_err(failed)?,
            )
        }
    };
    let needed = needed.into_iter().max().unwrap_or_default();
    if found == needed { Ok(()) } else { Err(StoreError::Schema { found, needed }) }
}

/// One line for each column, key and index of the live schema, in words that both databases share. For tests.
pub fn schema_dump(address: &Address) -> Result<Vec<String>> {
    match address {
        Address::Postgres(url) => dump::postgres(&mut connect_postgres(url)?),
        Address::Sqlite(file) => dump::sqlite(&mut connect_sqlite(&sqlite::existing(file))?),
    }
}

fn versions<DB: diesel::backend::Backend>(migrations: Vec<Box<dyn Migration<DB>>>) -> Vec<String> {
    migrations.iter().map(|migration| migration.name().version().to_string()).collect()
}

fn newest(applied: Vec<MigrationVersion<'_>>) -> String {
    applied.iter().map(ToString::to_string).max().unwrap_or_else(|| "empty".to_owned())
}

/// The newest migration that ran. Diesel's own question begins by making its table, which a role that only serves may
/// not.
fn newest_of_postgres(url: &str) -> Result<String> {
    let mut conn = connect_postgres(url)?;
    let Some(table) = name(&mut conn, "SELECT to_regclass('__diesel_schema_migrations')::text AS name")?
    else {
        return Ok("empty".to_owned());
    };
    let newest = format!("SELECT max(version) AS name FROM {table}");
    let found = name(&mut conn, &newest).or_else(|_| {
        // A login that does not inherit the role's rights has them only when it works as the role.
        sql_query("SET ROLE keepstart_service").execute(&mut conn)?;
        name(&mut conn, &newest)
    });
    Ok(found.map_err(|error| StoreError::Fence(error.to_string()))?.unwrap_or_else(|| "empty".to_owned()))
}

/// The one name that is selected.
fn name(conn: &mut PgConnection, sql: &str) -> diesel::QueryResult<Option<String>> {
    #[derive(diesel::QueryableByName)]
    struct Found {
        #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
        name: Option<String>,
    }
    sql_query(sql).get_result(conn).map(|found: Found| found.name)
}

fn connect_postgres(url: &str) -> Result<PgConnection> {
    PgConnection::establish(url).map_err(|e| StoreError::unreachable(&e))
}

fn connect_sqlite(file: &str) -> Result<SqliteConnection> {
    let mut conn = SqliteConnection::establish(file).map_err(|e| StoreError::Unreachable(e.to_string()))?;
    sqlite::dialect::prepare(&mut conn)?;
    Ok(conn)
}

mod dump;
