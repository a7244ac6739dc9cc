//! Editions of schedules, and the jobs that they name.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use diesel::prelude::*;
use model::{
    Code, EditionId, ScheduleId,
    schedule::{Edition, Task},
};

use super::super::Conn;
use super::{
    inserts,
    schema::{edition, job},
};
use crate::{
    body::SCHEDULE,
    error::Result,
    key::Key,
    parsed, stored,
    view::{EditionView, Page, one_more},
};

/// An edition as it is stored.
pub(crate) struct EditionRow {
    pub(crate) organization: Key,
    pub(crate) id: Key,
    pub(crate) schedule_id: Key,
    pub(crate) body: String,
}

/// A job that some edition names.
pub(crate) struct JobRow {
    pub(crate) organization: Key,
    pub(crate) code: String,
}

/// Adds editions, each with its text as the log has it, and the jobs they name.
///
/// Editions of other schedules may be added at the same time, by nobody who holds a lock in common. All insert in one
/// order, so that none waits for a row of another that waits for it.
pub(crate) fn add(conn: &mut Conn, organization: Key, new: &[(&EditionView, &str)]) -> Result<()> {
    let row = |(view, body): &(&EditionView, &str)| EditionRow {
        organization,
        id: Key::from(view.id),
        schedule_id: Key::from(view.schedule),
        body: (*body).to_owned(),
    };
    let mut rows: Vec<EditionRow> = new.iter().map(row).collect();
    rows.sort_by_key(|row| row.id);
    inserts::editions(conn, &rows)?;
    let codes: BTreeSet<&Code> = new.iter().flat_map(|(view, _)| jobs_of(&view.edition)).collect();
    let jobs: Vec<JobRow> =
        codes.into_iter().map(|code| JobRow { organization, code: code.as_str().to_owned() }).collect();
    inserts::jobs(conn, &jobs)?;
    Ok(())
}

/// Every job that an edition names.
pub(crate) fn jobs_of(edition: &Edition) -> BTreeSet<&Code> {
    edition.tasks.iter().flat_map(jobs_of_task).collect()
}

fn jobs_of_task(task: &Task) -> impl Iterator<Item = &Code> {
    let limits = [Some(&task.limits), task.first.as_ref()].into_iter().flatten();
    let checks = limits.filter_map(|limits| limits.on_failed.as_ref()).map(|failed| &failed.job);
    std::iter::once(&task.job).chain(&task.satisfies).chain(&task.reset_by_passed).chain(checks)
}

/// Those of these jobs that some edition names.
pub(crate) fn known_jobs(
    conn: &mut Conn,
    organization: Key,
    codes: &BTreeSet<&Code>,
) -> Result<BTreeSet<String>> {
    let known: Vec<String> = job::table
        .filter(job::organization.eq(organization))
        .filter(job::code.eq_any(codes.iter().map(|code| code.as_str()).collect::<Vec<_>>()))
        .select(job::code)
        .load(conn)?;
    Ok(known.into_iter().collect())
}

/// One edition.
pub(crate) fn find(conn: &mut Conn, organization: Key, id: EditionId) -> Result<Option<EditionView>> {
    let row: Option<(Key, String)> = edition::table
        .find((organization, Key::from(id)))
        .select((edition::schedule_id, edition::body))
        .first(conn)
        .optional()?;
    row.map(|(schedule, body)| view(Key::from(id), schedule, &body)).transpose()
}

/// Some editions by id, each with its schedule.
pub(crate) fn some(
    conn: &mut Conn,
    organization: Key,
    ids: &BTreeSet<EditionId>,
) -> Result<BTreeMap<EditionId, (ScheduleId, Arc<Edition>)>> {
    if ids.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows: Vec<(Key, Key, String)> = edition::table
        .filter(edition::organization.eq(organization))
        .filter(edition::id.eq_any(ids.iter().map(|id| Key::from(*id)).collect::<Vec<_>>()))
        .select((edition::id, edition::schedule_id, edition::body))
        .load(conn)?;
    rows.into_iter()
        .map(|(id, schedule, body)| Ok((id.id(), (schedule.id(), parsed::edition(&body, read_edition)?))))
        .collect()
}

/// A page of the editions of one schedule by id.
pub(crate) fn of_schedule(
    conn: &mut Conn,
    organization: Key,
    schedule: ScheduleId,
    after: Option<EditionId>,
    limit: usize,
) -> Result<Page<EditionView>> {
    let mut query = edition::table
        .filter(edition::organization.eq(organization))
        .filter(edition::schedule_id.eq(Key::from(schedule)))
        .order(edition::id)
        .limit(one_more(limit))
        .select((edition::id, edition::schedule_id, edition::body))
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(edition::id.gt(Key::from(after)));
    }
    let Page { items, more } = Page::<(Key, Key, String)>::cut(query.load(conn)?, limit);
    let items = items.iter().map(|(id, schedule, body)| view(*id, *schedule, body)).collect::<Result<_>>()?;
    Ok(Page { items, more })
}

/// Editions after an id, of whichever schedule.
pub(crate) fn after(
    conn: &mut Conn,
    organization: Key,
    after: Option<EditionId>,
    limit: usize,
) -> Result<Vec<EditionView>> {
    let rows: Vec<(Key, Key, String)> = edition::table
        .filter(edition::organization.eq(organization))
        .filter(edition::id.gt(after.map_or(Key::NIL, Key::from)))
        .order(edition::id)
        .limit(i64::try_from(limit).unwrap_or(i64::MAX))
        .select((edition::id, edition::schedule_id, edition::body))
        .load(conn)?;
    rows.iter().map(|(id, schedule, body)| view(*id, *schedule, body)).collect()
}

/// All editions of one schedule.
pub(crate) fn all_of_schedule(
    conn: &mut Conn,
    organization: Key,
    schedule: ScheduleId,
) -> Result<Vec<Arc<Edition>>> {
    let bodies: Vec<String> = edition::table
        .filter(edition::organization.eq(organization))
        .filter(edition::schedule_id.eq(Key::from(schedule)))
        .order(edition::id)
        .select(edition::body)
        .load(conn)?;
    bodies.iter().map(|body| parsed::edition(body, read_edition)).collect()
}

/// Every edition's schedule and text, as stored; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<BTreeMap<Key, (Key, String)>> {
    let rows: Vec<(Key, Key, String)> = edition::table
        .filter(edition::organization.eq(organization))
        .select((edition::id, edition::schedule_id, edition::body))
        .load(conn)?;
    Ok(rows.into_iter().map(|(id, schedule, body)| (id, (schedule, body))).collect())
}

/// Every job that is known; for the rebuild.
pub(crate) fn all_jobs(conn: &mut Conn, organization: Key) -> Result<BTreeSet<String>> {
    let codes: Vec<String> =
        job::table.filter(job::organization.eq(organization)).select(job::code).load(conn)?;
    Ok(codes.into_iter().collect())
}

/// Reads an edition as the log holds it, with the schedule it belongs to.
pub(crate) fn read(body: &str) -> Result<(ScheduleId, Edition)> {
    stored::text("edition", body, |o| {
        let schedule = o.required(SCHEDULE, ScheduleId::read);
        let edition = Edition::read(o);
        Some((schedule?, edition?))
    })
}

fn read_edition(body: &str) -> Result<Edition> {
    read(body).map(|(_, edition)| edition)
}

fn view(id: Key, schedule: Key, body: &str) -> Result<EditionView> {
    Ok(EditionView { id: id.id(), schedule: schedule.id(), edition: read(body)?.1 })
}
