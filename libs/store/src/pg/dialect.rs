//! What PostgreSQL says differently.

use diesel::{prelude::*, sql_query};

use super::{
    Conn,
    ops::{
        log::{FeedRow, LogRow, OutboxRow},
        schema::record_lock,
    },
    unnest,
};
use crate::{error::Result, key::Key};

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

/// Begins a transaction whose reads all see one moment.
pub(crate) fn read<T>(conn: &mut Conn, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
    conn.build_transaction().read_only().repeatable_read().run(f)
}

/// Begins a transaction that writes.
pub(crate) fn write<T>(conn: &mut Conn, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
    conn.build_transaction().read_committed().run(f)
}

/// How every new connection is set up.
pub(crate) fn prepare(conn: &mut Conn) -> QueryResult<()> {
    for setting in
        ["lock_timeout = '5s'", "statement_timeout = '30s'", "idle_in_transaction_session_timeout = '30s'"]
    {
        sql_query(format!("SET {setting}")).execute(conn)?;
    }
    Ok(())
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
