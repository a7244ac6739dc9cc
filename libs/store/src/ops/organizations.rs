//! Organizations: the counter that every write takes last.

use diesel::prelude::*;

use super::super::Conn;
use super::schema::{organization, organization_list, secret};
use crate::{error::Result, key::Key};

/// Makes an organization's counter; one that is there already stays as it is.
pub(crate) fn create(conn: &mut Conn, id: Key) -> Result<bool> {
    let made = diesel::insert_into(organization::table)
        .values((organization::id.eq(id), organization::next_seq.eq(1), organization::last_recorded_at.eq(0)))
        .on_conflict_do_nothing()
        .execute(conn)?;
    diesel::insert_into(organization_list::table)
        .values(organization_list::id.eq(id))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(made == 1)
}

/// All organizations; the one question that is about no organization.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<Key>> {
    Ok(organization_list::table.order(organization_list::id).select(organization_list::id).load(conn)?)
}

/// The last number taken from an organization's log, and when that row was recorded.
pub(crate) fn counter(conn: &mut Conn, id: Key) -> Result<Option<(i64, i64)>> {
    let found: Option<(i64, i64)> = organization::table
        .find(id)
        .select((organization::next_seq, organization::last_recorded_at))
        .first(conn)
        .optional()?;
    Ok(found.map(|(next, recorded_at)| (next - 1, recorded_at)))
}

/// The secret of this name; `fresh` becomes it where there is none.
pub(crate) fn secret(conn: &mut Conn, name: &str, fresh: &[u8]) -> Result<Vec<u8>> {
    diesel::insert_into(secret::table)
        .values((secret::name.eq(name), secret::content.eq(fresh)))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(secret::table.find(name).select(secret::content).first(conn)?)
}
