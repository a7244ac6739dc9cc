//! Time alone changes states: moving the stored ones on.

use std::collections::BTreeSet;

use diesel::prelude::*;
use model::{Instant, UnitId, edit::RecordKind};

use super::super::{Conn, dialect};
use super::{
    contexts, events, folds, inserts, log, quality,
    schema::unit_state,
    units::{self, Context},
};
use crate::{error::Result, key::Key};

/// What lists may still be pinned to, and a little more.
const KEPT_SECONDS: i64 = 25 * 3600;

/// At most `limit` units whose stored state is of an earlier time than `now`, those that wait longest first, and as many
/// that are stale.
pub(crate) fn waiting(conn: &mut Conn, organization: Key, now: Instant, limit: i64) -> Result<Vec<UnitId>> {
    let waiting: Vec<Key> = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(unit_state::next_at.le(now.micros()))
        .order((unit_state::next_at, unit_state::unit_id))
        .limit(limit)
        .select(unit_state::unit_id)
        .load(conn)?;
    let mut found: Vec<UnitId> = waiting.into_iter().map(Key::id).collect();
    found.extend(contexts::stale(conn, organization, limit)?);
    let mut seen = BTreeSet::new();
    found.retain(|unit| seen.insert(*unit));
    Ok(found)
}

/// Folds one unit anew if it is stale, moves it on to `now`, and tells others which items changed.
///
/// Idempotent: a unit that another instance has moved meanwhile is found to be done under its lock.
pub(crate) fn advance(conn: &mut Conn, organization: Key, unit: UnitId, now: Instant) -> Result<()> {
    let key = Key::from(unit);
    dialect::lock(conn, organization, &[(RecordKind::Unit.as_str(), key)])?;
    let (told, folded) = match refold_stale(conn, organization, unit, now)? {
        Some((told, folded)) => (told, Some(folded)),
        None => (advance_unit(conn, organization, key, now)?, None),
    };
    if told.is_empty() && folded.is_none() {
        return Ok(());
    }
    // Nothing enters the log: the events take the number of its last row, with ordinals of their own.
    let (next, _) = log::take_numbers(conn, organization, 0, now)?;
    contexts::overtaken(conn, organization, folded.as_slice())?;
    let first = log::next_ordinal(conn, organization, next - 1)?;
    inserts::outbox(conn, &log::outbox_rows(organization, next - 1, first, &told))?;
    Ok(())
}

/// Notes of which contexts no stale unit is left, and forgets what no list can be pinned to any more.
pub(crate) fn finish(conn: &mut Conn, organization: Key, now: Instant) -> Result<()> {
    folds::forget_before(conn, organization, now.plus_seconds(-KEPT_SECONDS))?;
    if contexts::any_behind(conn, organization)? {
        log::take_numbers(conn, organization, 0, now)?;
        contexts::settle(conn, organization)?;
    }
    Ok(())
}

/// Moves one unit's states on along its steps, if they wait; says which changed.
fn advance_unit(conn: &mut Conn, organization: Key, unit: Key, now: Instant) -> Result<Vec<folds::Changed>> {
    let Some(state) = folds::state_of(conn, organization, unit)? else { return Ok(Vec::new()) };
    let mut items = folds::Items::stored(folds::items_in(conn, &state)?);
    let Some(state) = folds::advanced(&state, now, &mut items)? else { return Ok(Vec::new()) };
    folds::put(conn, &[state], vec![items])
}

/// Folds a unit anew if it was folded with another version of a context, other rules or other zone data.
fn refold_stale(
    conn: &mut Conn,
    organization: Key,
    unit: UnitId,
    now: Instant,
) -> Result<Option<(Vec<folds::Changed>, contexts::Folded)>> {
    let key = Key::from(unit);
    let Some(stored) = folds::state_of(conn, organization, key)? else { return Ok(None) };
    let before = contexts::of_units(conn, organization, &[key])?.remove(&key).unwrap_or_default();
    let current = stored.folded_with == folds::folded_with();
    if current && !contexts::are_behind(conn, organization, &before)? {
        return Ok(None);
    }
    let Some(loaded) = units::load(conn, organization, unit)? else { return Ok(None) };
    let context = Context::of_unit(conn, organization, &loaded)?;
    let fold = units::fold(&loaded, &context)?;
    for (event, at) in loaded.moved(&fold.folded.state) {
        events::move_in_time(conn, organization, event, at)?;
    }
    let now = now.max(Instant::from_micros(stored.changed_at));
    let (row, rows) = folds::rows(organization, &fold, now)?;
    let mut items = folds::Items::stored(folds::items_in(conn, &stored)?);
    // What time alone has changed is told before what the new fold changes; steps that another version wrote otherwise
    // are not known any more.
    if let Err(error) = folds::advanced(&stored, now, &mut items)
        && current
    {
        return Err(error);
    }
    items.turn(row.changed_at, rows);
    let changed = folds::put(conn, &[row], vec![items])?;
    let before_it = quality::of_units(conn, organization, &[key])?;
    quality::put(conn, before_it, quality::rows(organization, &fold)?)?;
    let folded = contexts::Folded { unit: key, before, now: context.versions_of(&loaded)? };
    contexts::keep(conn, organization, std::slice::from_ref(&folded))?;
    Ok(Some((changed, folded)))
}
