//! Editions of schedules, and the jobs that they name.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use diesel::prelude::*;
use model::{
    Code, EditionId, ScheduleId, json,
    read::{Mode, whole},
    schedule::Edition,
};

use super::super::Conn;
use super::schema::{edition, job};
use crate::{
    body::SCHEDULE,
    error::{Result, StoreError},
    key::Key,
    parsed,
    view::{EditionView, Page},
};

/// Adds an edition and the jobs it names.
pub(crate) fn add(conn: &mut Conn, organization: Key, new: &EditionView, body: &str) -> Result<()> {
    diesel::insert_into(edition::table)
        .values((
            edition::organization.eq(organization),
            edition::id.eq(Key::from(new.id)),
            edition::schedule_id.eq(Key::from(new.schedule)),
            edition::body.eq(body),
        ))
        .execute(conn)?;
    for code in jobs_of(&new.edition) {
        diesel::insert_into(job::table)
            .values((job::organization.eq(organization), job::code.eq(code.as_str())))
            .on_conflict_do_nothing()
            .execute(conn)?;
    }
    Ok(())
}

/// Every job that an edition names.
pub(crate) fn jobs_of(edition: &Edition) -> BTreeSet<&Code> {
    edition.tasks.iter().flat_map(|task| std::iter::once(&task.job).chain(&task.satisfies)).collect()
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
        .limit(i64::try_from(limit).unwrap_or(i64::MAX) + 1)
        .select((edition::id, edition::schedule_id, edition::body))
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(edition::id.gt(Key::from(after)));
    }
    let mut rows: Vec<(Key, Key, String)> = query.load(conn)?;
    let more = rows.len() > limit;
    rows.truncate(limit);
    let items = rows.iter().map(|(id, schedule, body)| view(*id, *schedule, body)).collect::<Result<_>>()?;
    Ok(Page { items, more })
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
    let corrupt = StoreError::corrupt("edition");
    let value = json::parse(body.as_bytes()).map_err(|e| corrupt(&e))?;
    whole(&value, Mode::Stored, |o| {
        let schedule = o.required(SCHEDULE, ScheduleId::read);
        let edition = Edition::read(o);
        Some((schedule?, edition?))
    })
    .map_err(|errors| corrupt(&errors.len()))
}

fn read_edition(body: &str) -> Result<Edition> {
    read(body).map(|(_, edition)| edition)
}

fn view(id: Key, schedule: Key, body: &str) -> Result<EditionView> {
    Ok(EditionView { id: id.id(), schedule: schedule.id(), edition: read(body)?.1 })
}
