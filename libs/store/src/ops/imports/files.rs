//! The pieces of files, and the forgetting of what has expired.

use diesel::prelude::*;
use model::Instant;

use super::super::super::Conn;
use super::super::schema::{import_chunk, import_file, import_job, import_row};
use crate::{error::Result, imports::ImportState, key::Key};

/// Pieces, or lines of a report, that go in one transaction.
const AT_ONCE: i64 = 500;
const PIECES_AT_ONCE: i64 = 16;
/// How long it is known of a job that it has expired.
const EXPIRED_SECONDS: i64 = 30 * 24 * 3600;
/// How long a file that belongs to no job is kept: it may still be coming.
const STRAY_SECONDS: i64 = 24 * 3600;

/// Begins a file.
pub(crate) fn begin_file(conn: &mut Conn, organization: Key, file: Key, now: Instant) -> Result<()> {
    diesel::insert_into(import_file::table)
        .values((
            import_file::organization.eq(organization),
            import_file::id.eq(file),
            import_file::begun_at.eq(now.micros()),
        ))
        .execute(conn)?;
    Ok(())
}

/// Keeps a piece of it.
pub(crate) fn keep_piece(
    conn: &mut Conn,
    organization: Key,
    file: Key,
    n: i64,
    content: &[u8],
) -> Result<()> {
    diesel::insert_into(import_chunk::table)
        .values((
            import_chunk::organization.eq(organization),
            import_chunk::file.eq(file),
            import_chunk::n.eq(n),
            import_chunk::content.eq(content),
        ))
        .execute(conn)?;
    Ok(())
}

/// A piece of a file.
pub(crate) fn piece(conn: &mut Conn, organization: Key, file: Key, n: i64) -> Result<Option<Vec<u8>>> {
    let found = import_chunk::table.find((organization, file, n)).select(import_chunk::content);
    Ok(found.first(conn).optional()?)
}

/// Whether a job has expired that still has its file or its report, or a file belongs to none.
pub(crate) fn forgettable(conn: &mut Conn, organization: Key, now: Instant) -> Result<bool> {
    Ok(expired(conn, organization, now)?.is_some() || stray(conn, organization, now)?.is_some())
}

/// A job that has expired and still has its file or its report.
fn expired(conn: &mut Conn, organization: Key, now: Instant) -> Result<Option<Key>> {
    let at_work = [ImportState::Queued.as_str(), ImportState::Running.as_str()];
    Ok(import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::expires_at.le(now.micros()))
        .filter(import_job::state.ne_all(at_work))
        .filter(import_job::reported.gt(0).or(import_job::file.is_not_null()))
        .order(import_job::expires_at)
        .select(import_job::id)
        .first(conn)
        .optional()?)
}

/// A file of no job that has been there long enough.
fn stray(conn: &mut Conn, organization: Key, now: Instant) -> Result<Option<Key>> {
    let old = now.plus_seconds(-STRAY_SECONDS).micros();
    let of_jobs = import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::file.is_not_null())
        .select(import_job::file.assume_not_null());
    Ok(import_file::table
        .filter(import_file::organization.eq(organization))
        .filter(import_file::begun_at.le(old))
        .filter(import_file::id.ne_all(of_jobs))
        .select(import_file::id)
        .first(conn)
        .optional()?)
}

/// Forgets some of what is said of an expired job's rows, and of a file that belongs to none; says whether there is more.
pub(crate) fn forget(conn: &mut Conn, organization: Key, now: Instant) -> Result<bool> {
    if let Some(job) = expired(conn, organization, now)? {
        let some = import_row::table
            .filter(import_row::organization.eq(organization))
            .filter(import_row::job.eq(job))
            .order(import_row::n)
            .limit(AT_ONCE)
            .select(import_row::n);
        let some: Vec<i64> = some.load(conn)?;
        if some.is_empty() {
            diesel::update(import_job::table.find((organization, job)))
                .set((import_job::file.eq(None::<Key>), import_job::reported.eq(0)))
                .execute(conn)?;
        } else {
            let of_job = import_row::table
                .filter(import_row::organization.eq(organization))
                .filter(import_row::job.eq(job));
            diesel::delete(of_job.filter(import_row::n.eq_any(some))).execute(conn)?;
        }
        return Ok(true);
    }
    let long_gone = import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::expires_at.le(now.plus_seconds(-EXPIRED_SECONDS).micros()))
        .filter(import_job::file.is_null());
    diesel::delete(long_gone).execute(conn)?;
    match stray(conn, organization, now)? {
        Some(file) => drop_pieces(conn, organization, file),
        None => Ok(false),
    }
}

/// Drops some pieces of a file, and the file after the last; says whether there are more.
pub(crate) fn drop_pieces(conn: &mut Conn, organization: Key, file: Key) -> Result<bool> {
    let of_file = || {
        import_chunk::table
            .filter(import_chunk::organization.eq(organization))
            .filter(import_chunk::file.eq(file))
    };
    let some: Vec<i64> =
        of_file().order(import_chunk::n).limit(PIECES_AT_ONCE).select(import_chunk::n).load(conn)?;
    diesel::delete(of_file().filter(import_chunk::n.eq_any(some.clone()))).execute(conn)?;
    if some.is_empty() {
        diesel::delete(import_file::table.find((organization, file))).execute(conn)?;
    }
    Ok(!some.is_empty())
}
