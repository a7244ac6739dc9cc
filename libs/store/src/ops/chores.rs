//! Chores, taken by a lease.

use diesel::prelude::*;
use model::Instant;

use super::super::Conn;
use super::schema::{chore, worker};
use crate::{
    chores::{Chore, ChoreKind, Ending, OpenChore, Worker},
    error::Result,
    key::Key,
};

/// So many are looked at, of which others may take some first.
const LOOKED_AT: i64 = 20;
/// The longest error that is kept, in characters.
const ERROR_CHARS: usize = 500;

const DONE: &str = "done";
const FAILED: &str = "failed";
const WITHDRAWN: &str = "withdrawn";

/// Has some work wanted, unless it is known already.
pub(crate) fn want(
    conn: &mut Conn,
    organization: Key,
    kind: ChoreKind,
    name: &str,
    at: Instant,
) -> Result<()> {
    diesel::insert_into(chore::table)
        .values((
            chore::organization.eq(organization),
            chore::kind.eq(kind.as_str()),
            chore::name.eq(name),
            chore::since.eq(at.micros()),
            chore::next_try_at.eq(at.micros()),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(())
}

/// Has some work done at once, also if it was to be done later.
pub(crate) fn hurry(
    conn: &mut Conn,
    organization: Key,
    kind: ChoreKind,
    name: &str,
    now: Instant,
) -> Result<()> {
    want(conn, organization, kind, name, now)?;
    diesel::update(
        chore::table.find((organization, kind.as_str(), name)).filter(chore::next_try_at.gt(now.micros())),
    )
    .set(chore::next_try_at.eq(now.micros()))
    .execute(conn)?;
    // What is late is counted from when it is wanted.
    diesel::update(
        chore::table.find((organization, kind.as_str(), name)).filter(chore::since.gt(now.micros())),
    )
    .set(chore::since.eq(now.micros()))
    .execute(conn)?;
    Ok(())
}

/// Names of work of a kind that is wanted by now and free, that which has waited longest first.
pub(crate) fn free(conn: &mut Conn, organization: Key, kind: ChoreKind, now: Instant) -> Result<Vec<String>> {
    Ok(chore::table
        .filter(chore::organization.eq(organization))
        .filter(chore::kind.eq(kind.as_str()))
        .filter(chore::outcome.is_null())
        .filter(chore::next_try_at.le(now.micros()))
        .filter(chore::lease_until.le(now.micros()))
        .order((chore::next_try_at, chore::name))
        .limit(LOOKED_AT)
        .select(chore::name)
        .load(conn)?)
}

/// Takes the first of some work that nobody else has taken meanwhile.
pub(crate) fn take(
    conn: &mut Conn,
    organization: Key,
    kind: ChoreKind,
    names: &[String],
    now: Instant,
    lease_until: Instant,
) -> Result<Option<Chore>> {
    for name in names {
        // Two who want the same wait for each other here, and the second finds the lease taken.
        let free = chore::table
            .find((organization, kind.as_str(), name))
            .filter(chore::outcome.is_null())
            .filter(chore::next_try_at.le(now.micros()))
            .filter(chore::lease_until.le(now.micros()));
        let taken: Option<(i64, i64)> = diesel::update(free)
            .set((chore::lease_until.eq(lease_until.micros()), chore::attempts.eq(chore::attempts + 1)))
            .returning((chore::since, chore::attempts))
            .get_result(conn)
            .optional()?;
        if let Some((since, attempts)) = taken {
            let since = Instant::from_micros(since);
            return Ok(Some(Chore {
                organization: organization.id(),
                kind,
                name: name.clone(),
                since,
                attempts,
            }));
        }
    }
    Ok(None)
}

/// Keeps work for longer.
pub(crate) fn keep(conn: &mut Conn, held: &Chore, lease_until: Instant) -> Result<bool> {
    let kept = diesel::update(
        chore::table
            .find((Key::from(held.organization), held.kind.as_str(), &held.name))
            .filter(chore::outcome.is_null())
            .filter(chore::attempts.eq(held.attempts)),
    )
    .set(chore::lease_until.eq(lease_until.micros()))
    .execute(conn)?;
    Ok(kept == 1)
}

/// Says what became of work, unless another has taken it meanwhile.
pub(crate) fn end(conn: &mut Conn, held: &Chore, ending: &Ending, now: Instant) -> Result<bool> {
    let of_chore = chore::table
        .find((Key::from(held.organization), held.kind.as_str(), &held.name))
        .filter(chore::outcome.is_null())
        .filter(chore::attempts.eq(held.attempts));
    let ended = |outcome: &'static str, error: Option<String>| {
        (chore::outcome.eq(outcome), chore::ended_at.eq(now.micros()), chore::last_error.eq(error))
    };
    let changed = match ending {
        Ending::Done => diesel::update(of_chore).set(ended(DONE, None)).execute(conn)?,
        Ending::Withdrawn => diesel::update(of_chore).set(ended(WITHDRAWN, None)).execute(conn)?,
        Ending::Failed { error } => {
            diesel::update(of_chore).set(ended(FAILED, Some(short(error)))).execute(conn)?
        }
        Ending::Again { at, error } => diesel::update(of_chore)
            .set((
                chore::next_try_at.eq(at.micros()),
                chore::lease_until.eq(0),
                chore::last_error.eq(Some(short(error))),
            ))
            .execute(conn)?,
    };
    Ok(changed == 1)
}

fn short(error: &str) -> String {
    error.chars().take(ERROR_CHARS).collect()
}

/// Whether some work is open.
pub(crate) fn is_open(conn: &mut Conn, organization: Key, kind: ChoreKind, name: &str) -> Result<bool> {
    let found = chore::table.find((organization, kind.as_str(), name)).filter(chore::outcome.is_null());
    Ok(found.select(chore::name).first::<String>(conn).optional()?.is_some())
}

/// The open work of a kind.
pub(crate) fn open(conn: &mut Conn, organization: Key, kind: ChoreKind) -> Result<Vec<OpenChore>> {
    let rows: Vec<(String, i64, i64, Option<String>)> = chore::table
        .filter(chore::organization.eq(organization))
        .filter(chore::kind.eq(kind.as_str()))
        .filter(chore::outcome.is_null())
        .select((chore::name, chore::next_try_at, chore::attempts, chore::last_error))
        .load(conn)?;
    let open = |(name, at, attempts, error): (_, _, i64, Option<String>)| {
        // What was only put off was taken, and nothing went wrong.
        let is_tried = attempts > 0 && error.as_deref() != Some("");
        OpenChore { name, at: Instant::from_micros(at), is_tried }
    };
    Ok(rows.into_iter().map(open).collect())
}

/// How much has failed for good since `since`, or is still open, was wanted before `late`, and went wrong or was taken by
/// somebody of whom nothing was heard again.
pub(crate) fn failing(
    conn: &mut Conn,
    organization: Key,
    since: Instant,
    late: Instant,
    now: Instant,
) -> Result<u64> {
    let of_organization = || chore::table.filter(chore::organization.eq(organization));
    let failed: i64 = of_organization()
        .filter(chore::outcome.eq(FAILED))
        .filter(chore::ended_at.ge(since.micros()))
        .count()
        .get_result(conn)?;
    // Whoever was the first to take it, and has the lease, is at work. The advance comes again and again, and may take long.
    let unheard = chore::last_error
        .is_null()
        .and(chore::attempts.gt(1).or(chore::attempts.eq(1).and(chore::lease_until.le(now.micros()))))
        .and(chore::kind.ne(ChoreKind::Advance.as_str()));
    let late: i64 = of_organization()
        .filter(chore::outcome.is_null())
        .filter(chore::last_error.ne("").or(unheard))
        .filter(chore::since.lt(late.micros()))
        .count()
        .get_result(conn)?;
    Ok(u64::try_from(failed + late).unwrap_or(0))
}

/// Forgets work that ended before then.
pub(crate) fn forget(conn: &mut Conn, organization: Key, before: Instant) -> Result<()> {
    diesel::delete(
        chore::table.filter(chore::organization.eq(organization)).filter(chore::ended_at.lt(before.micros())),
    )
    .execute(conn)?;
    Ok(())
}

/// Notes that a worker is about.
pub(crate) fn note_worker(conn: &mut Conn, name: &str, seen: Worker) -> Result<()> {
    let now = (
        worker::seen_at.eq(seen.seen_at.micros()),
        worker::failing.eq(i64::try_from(seen.failing).unwrap_or(i64::MAX)),
    );
    diesel::insert_into(worker::table)
        .values((worker::name.eq(name), now))
        .on_conflict(worker::name)
        .do_update()
        .set(now)
        .execute(conn)?;
    Ok(())
}

/// How a worker is.
pub(crate) fn worker_called(conn: &mut Conn, name: &str) -> Result<Option<Worker>> {
    let found: Option<(i64, i64)> =
        worker::table.find(name).select((worker::seen_at, worker::failing)).first(conn).optional()?;
    Ok(found.map(|(seen_at, failing)| Worker {
        seen_at: Instant::from_micros(seen_at),
        failing: u64::try_from(failing).unwrap_or(0),
    }))
}
