//! Judging a unit or a site that waits, each in a transaction of its own.

use std::{borrow::Cow, collections::BTreeSet};

use diesel::prelude::*;
use model::{Instant, SiteId, UnitId, edit::RecordKind};

use super::super::super::{
    Conn,
    dialect::{self, among},
};
use super::super::{
    inserts,
    schema::{site_readiness, unit_readiness, unit_state},
    units,
};
use super::{UnitRow, capacity, seen, stored_until, until};
use crate::{
    error::{Result, StoreError},
    key::Key,
    readiness::{Judge, Judged, SiteSeen, UnitJudged, UnitSeen},
};

/// At the earliest, when something is judged again that was judged just now.
const AGAIN_SECONDS: i64 = 1;

/// Judges a unit if it waits. Says whether it is done: one that moved before its sites were locked is left to wait.
pub(crate) fn judge_unit(
    conn: &mut Conn,
    organization: Key,
    unit: UnitId,
    judge: &dyn Judge,
    now: Instant,
) -> Result<bool> {
    let key = Key::from(unit);
    let Some(locked) = sites_of(conn, organization, key)? else { return Ok(true) };
    let mut locks: Vec<_> = locked.iter().map(|site| (RecordKind::Site.as_str(), *site)).collect();
    locks.push((RecordKind::Unit.as_str(), key));
    dialect::lock(conn, organization, &locks)?;
    let Some(state) = state_of(conn, organization, key)? else { return Ok(true) };
    let before = row_of(conn, organization, key)?;
    if !locked.contains(&state.standing_site)
        || before.as_ref().is_some_and(|row| !locked.contains(&row.standing_site))
    {
        return Ok(false);
    }
    let site = seen::site_of(conn, organization, state.standing_site.id())?;
    let (version, fields) = site.unwrap_or_default();
    let is_current = |row: &UnitRow| row.judged_with == judge.version() && row.site_version == version;
    if state.judge_at > now.micros() && before.as_ref().is_none_or(is_current) {
        return Ok(true);
    }
    // Clocks of instances differ a little.
    let now = now.max(Instant::from_micros(state.changed_at));
    let loaded = units::load(conn, organization, unit)?;
    let seen =
        loaded.map(|unit| seen::of_unit(conn, organization, &unit, fields, now)).transpose()?.flatten();
    let row = seen.map(|seen| unit_row(organization, &seen, judge, version)).transpose()?;
    match &row {
        Some(row) => inserts::readiness(conn, std::slice::from_ref(row))?,
        None => {
            diesel::delete(unit_readiness::table.find((organization, key))).execute(conn)?;
        }
    }
    let next_at = row.as_ref().map_or(stored_until(None), |row| row.next_at);
    diesel::update(unit_state::table.find((organization, key)))
        .set(unit_state::judge_at.eq(next_at))
        .execute(conn)?;
    if before.as_ref().map(UnitRow::for_site) != row.as_ref().map(UnitRow::for_site) {
        let sites: BTreeSet<Key> = before.iter().chain(&row).map(|row| row.standing_site).collect();
        sites_wait(conn, organization, sites)?;
    }
    Ok(true)
}

/// What of a unit's state matters here.
struct State {
    standing_site: Key,
    judge_at: i64,
    changed_at: i64,
}

fn state_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Option<State>> {
    let row: Option<(Key, i64, i64)> = unit_state::table
        .find((organization, unit))
        .select((unit_state::standing_site, unit_state::judge_at, unit_state::changed_at))
        .first(conn)
        .optional()?;
    Ok(row.map(|(standing_site, judge_at, changed_at)| State { standing_site, judge_at, changed_at }))
}

fn row_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Option<UnitRow>> {
    let row = unit_readiness::table.find((organization, unit)).select(UnitRow::as_select());
    Ok(row.first(conn).optional()?)
}

/// The site where a unit stands, and that where it stood when it was judged last.
fn sites_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Option<BTreeSet<Key>>> {
    let Some(state) = state_of(conn, organization, unit)? else { return Ok(None) };
    let judged: Option<Key> = unit_readiness::table
        .find((organization, unit))
        .select(unit_readiness::standing_site)
        .first(conn)
        .optional()?;
    Ok(Some(judged.into_iter().chain([state.standing_site]).collect()))
}

/// Has sites judged by what their units came to.
fn sites_wait(conn: &mut Conn, organization: Key, sites: BTreeSet<Key>) -> Result<()> {
    let waiting = site_readiness::table
        .filter(site_readiness::organization.eq(organization))
        .filter(among(site_readiness::site_id, sites.into_iter().collect()));
    diesel::update(waiting).set(site_readiness::judge_at.eq(0)).execute(conn)?;
    Ok(())
}

fn unit_row(organization: Key, seen: &UnitSeen, judge: &dyn Judge, site_version: i64) -> Result<UnitRow> {
    let judged = judge.unit(seen).map_err(|e| StoreError::corrupt("verdict on a unit")(&e))?;
    Ok(UnitRow {
        organization,
        unit_id: Key::from(seen.story.id),
        home_site: Key::from(seen.story.due.home_site),
        standing_site: Key::from(seen.story.site),
        verdict: Cow::Borrowed(judged.verdict),
        capacity: judged.capacity.map(model::Kilowatts::hundredths),
        // What is recorded for a time that is still to come may change it then.
        next_at: next_at(&judged, seen.now).min(stored_until(seen.ahead)),
        judged_at: seen.now.micros(),
        judged_with: judge.version().to_owned(),
        site_version,
        reasons: judged.told,
    })
}

/// When a verdict has to be judged again. One that ended before it was made would be judged for ever.
fn next_at(judged: &Judged, now: Instant) -> i64 {
    stored_until(judged.until.map(|until| until.max(now.plus_seconds(AGAIN_SECONDS))))
}

/// Judges a site if it waits.
pub(crate) fn judge_site(
    conn: &mut Conn,
    organization: Key,
    site: SiteId,
    judge: &dyn Judge,
    now: Instant,
) -> Result<()> {
    let key = Key::from(site);
    dialect::lock(conn, organization, &[(RecordKind::Site.as_str(), key)])?;
    let row = site_readiness::table.find((organization, key));
    let waits: Option<(i64, String)> =
        row.select((site_readiness::judge_at, site_readiness::judged_with)).first(conn).optional()?;
    match waits {
        Some((judge_at, with)) if judge_at <= now.micros() || with != judge.version() => {}
        _ => return Ok(()),
    }
    settle(conn, organization, key)?;
    let stored = seen::site_of(conn, organization, site)?;
    let fields = stored.map(|(_, fields)| fields).filter(|fields| fields.retired.is_none());
    let judged = match fields {
        Some(fields) => {
            let units = units_at(conn, organization, key)?;
            Some(judge.site(&SiteSeen { id: site, fields, units, now }))
        }
        None => None,
    };
    let judged = judged.transpose().map_err(|e| StoreError::corrupt("verdict on a site")(&e))?;
    let next_at = judged.as_ref().map_or(stored_until(None), |judged| next_at(judged, now));
    diesel::update(row)
        .set((
            site_readiness::judge_at.eq(next_at),
            site_readiness::next_at.eq(next_at),
            site_readiness::verdict.eq(judged.as_ref().map(|judged| judged.verdict)),
            site_readiness::judged_at.eq(now.micros()),
            site_readiness::judged_with.eq(judge.version()),
            site_readiness::answer.eq(judged.map(|judged| judged.told).unwrap_or_default()),
        ))
        .execute(conn)?;
    Ok(())
}

/// The verdicts on the units that stand at a site.
fn units_at(conn: &mut Conn, organization: Key, site: Key) -> Result<Vec<UnitJudged>> {
    let rows: Vec<(Key, String, Option<i64>, i64)> = unit_readiness::table
        .filter(unit_readiness::organization.eq(organization))
        .filter(unit_readiness::standing_site.eq(site))
        .order(unit_readiness::unit_id)
        .select((
            unit_readiness::unit_id,
            unit_readiness::verdict,
            unit_readiness::capacity,
            unit_readiness::next_at,
        ))
        .load(conn)?;
    let judged = rows.into_iter().map(|(unit, verdict, kilowatts, next_at)| UnitJudged {
        unit: unit.id(),
        verdict,
        capacity: capacity(kilowatts),
        until: until(next_at),
    });
    Ok(judged.collect())
}

/// Under the site's lock: notes that no unit there is judged by an older version of its record, if so.
fn settle(conn: &mut Conn, organization: Key, site: Key) -> Result<()> {
    let row = site_readiness::table.find((organization, site));
    let version: i64 = row.select(site_readiness::site_version).first(conn)?;
    let behind: Option<Key> = unit_readiness::table
        .filter(unit_readiness::organization.eq(organization))
        .filter(unit_readiness::standing_site.eq(site))
        .filter(unit_readiness::site_version.lt(version))
        .select(unit_readiness::unit_id)
        .first(conn)
        .optional()?;
    if behind.is_none() {
        diesel::update(row.filter(site_readiness::units_version.lt(version)))
            .set(site_readiness::units_version.eq(version))
            .execute(conn)?;
    }
    Ok(())
}

impl UnitRow {
    /// What a site goes by.
    fn for_site(&self) -> (Key, &str, Option<i64>, i64, i64) {
        (self.standing_site, &self.verdict, self.capacity, self.next_at, self.site_version)
    }
}
