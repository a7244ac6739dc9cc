//! What PostgreSQL says differently.

use diesel::{
    connection::{AnsiTransactionManager as Transactions, SimpleConnection, TransactionManager},
    prelude::*,
    result::Error as DieselError,
    sql_query,
    sql_types::Bool,
};

use super::{
    Conn,
    ops::{
        log::{FeedRow, LogRow, OutboxRow},
        schema::record_lock,
    },
    unnest,
};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

pub(crate) type SqlKey = diesel::pg::sql_types::Uuid;

/// Locks the records in the order given, absent ones included.
pub(crate) fn lock(conn: &mut Conn, organization: Key, records: &[(&'static str, Key)]) -> Result<()> {
    for (kind, id) in records {
        diesel::insert_into(record_lock::table)
            .values((
                record_lock::organization.eq(organization),
                record_lock::kind.eq(kind),
                record_lock::id.eq(id),
            ))
            .on_conflict_do_nothing()
            .execute(conn)?;
        record_lock::table
            .find((organization, kind, id))
            .select(record_lock::kind)
            .for_update()
            .first::<String>(conn)?;
    }
    Ok(())
}

/// Begins a transaction whose reads all see one moment, of this organization only.
pub(crate) fn read<T>(
    conn: &mut Conn,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    transaction(conn, "READ ONLY ISOLATION LEVEL REPEATABLE READ", organization, f)
}

/// Begins a transaction that writes, for this organization only.
pub(crate) fn write<T>(
    conn: &mut Conn,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    transaction(conn, "READ WRITE ISOLATION LEVEL READ COMMITTED", organization, f)
}

/// A transaction of this kind, with the fence set in the same round trip that begins it.
fn transaction<T>(
    conn: &mut Conn,
    kind: &str,
    organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    let fence = organization.0.hyphenated();
    let begin = format!("BEGIN {kind}; SET LOCAL keepstart.organization = '{fence}'");
    Transactions::begin_transaction_sql(conn, &begin)?;
    match f(conn) {
        Ok(done) => {
            Transactions::commit_transaction(conn)?;
            Ok(done)
        }
        Err(error) => {
            // The first error tells more than what a lost connection says of the rollback.
            let _ = Transactions::rollback_transaction(conn);
            Err(error)
        }
    }
}

/// How every new connection is set up: it works as the role that the fence holds for.
pub(crate) fn prepare(conn: &mut Conn) -> QueryResult<()> {
    conn.batch_execute(
        "SET lock_timeout = '5s'; SET statement_timeout = '30s'; \
         SET idle_in_transaction_session_timeout = '30s'; SET ROLE keepstart_service",
    )
}

#[derive(QueryableByName)]
struct Fence {
    #[diesel(sql_type = Bool)]
    holds: bool,
}

/// Fails unless the fence between organizations holds for this connection.
pub(crate) fn require_fence(conn: &mut Conn) -> Result<()> {
    prepare(conn).map_err(|error| match error {
        DieselError::DatabaseError(_, said) => StoreError::Fence(said.message().to_owned()),
        other => StoreError::from(other),
    })?;
    let fence: Fence = sql_query(
        "SELECT row_security_active('change_log') AND NOT pg_has_role(current_user, relowner, 'MEMBER') \
         AND NOT has_table_privilege('change_log', 'UPDATE') AND NOT has_table_privilege('change_log', 'DELETE') AS holds \
         FROM pg_class WHERE oid = 'change_log'::regclass",
    )
    .get_result(conn)?;
    if fence.holds {
        return Ok(());
    }
    Err(StoreError::Fence("keepstart_service owns the tables, is a superuser, or may change the log".into()))
}

/// Adds rows to the log.
pub(crate) fn insert_log(conn: &mut Conn, rows: &[LogRow]) -> QueryResult<()> {
    unnest::insert_log(conn, rows)
}

/// Adds lines to the feed.
pub(crate) fn insert_feed(conn: &mut Conn, rows: &[FeedRow]) -> QueryResult<()> {
    unnest::insert_feed(conn, rows)
}

/// Adds what others will be told of.
pub(crate) fn insert_outbox(conn: &mut Conn, rows: &[OutboxRow]) -> QueryResult<()> {
    unnest::insert_outbox(conn, rows)
}
