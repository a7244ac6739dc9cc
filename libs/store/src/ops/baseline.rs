//! Bare statements to measure the real ones against; see `crate::baseline`.

use diesel::prelude::*;
use model::{Instant, edit::RecordKind};

use super::super::Conn;
use super::{
    inserts,
    log::{self, LogRow},
    schema::{change_log, record},
};
use crate::{error::Result, key::Key};

/// The newest rows of a log.
pub(crate) fn newest(conn: &mut Conn, organization: Key, count: i64) -> Result<Vec<LogRow>> {
    Ok(change_log::table
        .filter(change_log::organization.eq(organization))
        .order(change_log::seq.desc())
        .limit(count)
        .select(LogRow::as_select())
        .load(conn)?)
}

/// Takes the counter and adds the rows, and nothing else.
pub(crate) fn insert(conn: &mut Conn, organization: Key, rows: &mut [LogRow]) -> Result<()> {
    let count = i64::try_from(rows.len()).unwrap_or(i64::MAX);
    let now = rows.iter().map(|row| row.recorded_at).max().unwrap_or_default();
    let (first, recorded_at) = log::take_numbers(conn, organization, count, Instant::from_micros(now))?;
    for (row, seq) in rows.iter_mut().zip(first..) {
        (row.organization, row.seq, row.recorded_at) = (organization, seq, recorded_at);
    }
    inserts::log(conn, rows)?;
    Ok(())
}

/// The stored text of a unit's fields.
pub(crate) fn registers(conn: &mut Conn, organization: Key, unit: Key) -> Result<Option<String>> {
    Ok(record::table
        .find((organization, RecordKind::Unit.as_str(), unit))
        .select(record::registers)
        .first(conn)
        .optional()?)
}

/// The bodies of the rows after a number, in order, `most` of them at most.
pub(crate) fn bodies(conn: &mut Conn, organization: Key, after: i64, most: i64) -> Result<Vec<String>> {
    Ok(change_log::table
        .filter(change_log::organization.eq(organization).and(change_log::seq.gt(after)))
        .order(change_log::seq)
        .limit(most)
        .select(change_log::body)
        .load(conn)?)
}
