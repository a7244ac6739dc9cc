//! What SQLite says differently.

use diesel::{connection::SimpleConnection, define_sql_function, prelude::*};

use super::Conn;
pub(crate) use super::among::among;
use crate::{error::Result, key::Key};

pub(crate) type SqlKey = diesel::sql_types::Binary;

/// Nothing to do: a transaction that writes has the whole database to itself.
pub(crate) fn lock(_conn: &mut Conn, _organization: Key, _records: &[(&'static str, Key)]) -> Result<()> {
    Ok(())
}

define_sql_function! {
    /// The later of two instants.
    #[sql_name = "max"]
    fn later(a: diesel::sql_types::BigInt, b: diesel::sql_types::BigInt) -> diesel::sql_types::BigInt;
}

/// Begins a transaction whose reads all see one moment.
pub(crate) fn read<T>(conn: &mut Conn, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
    conn.transaction(f)
}

/// Begins a write within its group: a savepoint.
pub(crate) fn write<T>(conn: &mut Conn, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
    conn.transaction(f)
}

/// How every new connection is set up.
pub(crate) fn prepare(conn: &mut Conn) -> QueryResult<()> {
    conn.batch_execute(
        "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
         PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON;",
    )
}
