//! What SQLite says differently.

use diesel::{connection::SimpleConnection, prelude::*};

use super::{
    Conn,
    ops::{
        log::{FeedRow, LogRow, OutboxRow},
        schema::{change_log, feed, outbox},
    },
};
use crate::{error::Result, key::Key};

pub(crate) type SqlKey = diesel::sql_types::Binary;

/// Nothing to do: a transaction that writes has the whole database to itself.
pub(crate) fn lock(_conn: &mut Conn, _organization: Key, _records: &[(&'static str, Key)]) -> Result<()> {
    Ok(())
}

/// Begins a transaction whose reads all see one moment.
pub(crate) fn read<T>(
    conn: &mut Conn,
    _organization: Key,
    f: impl FnOnce(&mut Conn) -> Result<T>,
) -> Result<T> {
    conn.transaction(f)
}

/// Begins a transaction that writes; it takes the write lock at once, because a reader's snapshot cannot be upgraded.
pub(crate) fn write<T>(conn: &mut Conn, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
    conn.immediate_transaction(f)
}

/// How every new connection is set up.
pub(crate) fn prepare(conn: &mut Conn) -> QueryResult<()> {
    conn.batch_execute(
        "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
         PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON;",
    )
}

/// SQLite takes 32,766 bound values in a statement; a row of the log has 25.
const ROWS_OF_A_STATEMENT: usize = 1000;

/// Adds rows to the log.
pub(crate) fn insert_log(conn: &mut Conn, rows: &[LogRow]) -> QueryResult<()> {
    rows.chunks(ROWS_OF_A_STATEMENT)
        .try_for_each(|some| diesel::insert_into(change_log::table).values(some).execute(conn).map(drop))
}

/// Adds lines to the feed.
pub(crate) fn insert_feed(conn: &mut Conn, rows: &[FeedRow]) -> QueryResult<()> {
    rows.chunks(ROWS_OF_A_STATEMENT)
        .try_for_each(|some| diesel::insert_into(feed::table).values(some).execute(conn).map(drop))
}

/// Adds what others will be told of.
pub(crate) fn insert_outbox(conn: &mut Conn, rows: &[OutboxRow]) -> QueryResult<()> {
    rows.chunks(ROWS_OF_A_STATEMENT)
        .try_for_each(|some| diesel::insert_into(outbox::table).values(some).execute(conn).map(drop))
}
