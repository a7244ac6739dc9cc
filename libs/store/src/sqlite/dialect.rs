//! What SQLite says differently.

use diesel::{connection::SimpleConnection, define_sql_function, prelude::*};

pub(crate) use super::among::among;
use super::{Conn, ops::schema::external_id, taken};
use crate::{error::Result, key::Key};

pub(crate) type SqlKey = diesel::sql_types::Binary;

/// Only noted: a transaction that writes has the whole database to itself, but others may have planned theirs.
pub(crate) fn lock(_conn: &mut Conn, organization: Key, records: &[(&'static str, Key)]) -> Result<()> {
    taken::note(organization, records);
    Ok(())
}

/// The records of a kind that have one of these ids in another system.
pub(crate) fn holders(
    conn: &mut Conn,
    organization: Key,
    kind: &'static str,
    system: &str,
    ids: Vec<String>,
) -> QueryResult<Vec<(String, Key)>> {
    external_id::table
        .filter(external_id::organization.eq(organization))
        .filter(external_id::kind.eq(kind))
        .filter(external_id::system.eq(system))
        .filter(among(external_id::id, ids))
        .select((external_id::id, external_id::record_id))
        .load(conn)
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
