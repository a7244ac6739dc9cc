//! Time alone changes states: moving the stored ones on.

use std::collections::BTreeSet;

use diesel::prelude::*;
use model::{Instant, UnitId, edit::RecordKind};

use super::super::{Conn, dialect};
use super::{
    folds, inserts, log,
    schema::unit_state,
    units::{self, Context},
};
use crate::{error::Result, key::Key};

/// What lists may still be pinned to, and a little more.
const KEPT_SECONDS: i64 = 25 * 3600;

/// At most `limit` units whose stored state is of an earlier time than `now`, or of other rules or zone data than this
/// binary's; those that wait longest first.
pub(crate) fn waiting(conn: &mut Conn, organization: Key, now: Instant, limit: i64) -> Result<Vec<UnitId>> {
    let of_organization = unit_state::table.filter(unit_state::organization.eq(organization)).limit(limit);
    let mut found: Vec<Key> = of_organization
        .filter(unit_state::next_at.le(now.micros()))
        .order((unit_state::next_at, unit_state::unit_id))
        .select(unit_state::unit_id)
        .load(conn)?;
    let outdated: Vec<Key> = of_organization
        .filter(unit_state::folded_with.ne(folds::folded_with()))
        .order(unit_state::unit_id)
        .select(unit_state::unit_id)
        .load(conn)?;
    found.extend(outdated);
    let mut seen = BTreeSet::new();
    found.retain(|unit| seen.insert(*unit));
    Ok(found.into_iter().map(Key::id).collect())
}

/// Moves one unit on to `now`, and tells others which items changed.
///
/// Idempotent: a unit that another instance has moved meanwhile is found to be done under its lock.
pub(crate) fn advance(conn: &mut Conn, organization: Key, unit: UnitId, now: Instant) -> Result<()> {
    let key = Key::from(unit);
    dialect::lock(conn, organization, &[(RecordKind::Unit.as_str(), key)])?;
    let mut told = refold_outdated(conn, organization, unit, now)?;
    told.extend(advance_unit(conn, organization, key, now)?);
    if told.is_empty() {
        return Ok(());
    }
    // Nothing enters the log: the events take the number of its last row, with ordinals of their own.
    let (next, _) = log::take_numbers(conn, organization, 0, now)?;
    let first = log::next_ordinal(conn, organization, next - 1)?;
    inserts::outbox(conn, &log::outbox_rows(organization, next - 1, first, &told))?;
    Ok(())
}

/// Forgets what no list can be pinned to any more.
pub(crate) fn forget(conn: &mut Conn, organization: Key, now: Instant) -> Result<()> {
    folds::forget_before(conn, organization, now.plus_seconds(-KEPT_SECONDS))
}

/// Moves one unit's states on along its steps, if they wait; says which changed.
fn advance_unit(conn: &mut Conn, organization: Key, unit: Key, now: Instant) -> Result<Vec<folds::Changed>> {
    let Some(state) = folds::state_of(conn, organization, unit)? else { return Ok(Vec::new()) };
    let Some((state, rows)) = folds::advanced(&state, now)? else { return Ok(Vec::new()) };
    let mut items = folds::Items::stored(folds::items_of(conn, organization, unit)?);
    items.turn(state.changed_at, rows);
    folds::put(conn, &[state], vec![items])
}

/// Folds a unit anew if it was folded with other rules or other time-zone data.
fn refold_outdated(
    conn: &mut Conn,
    organization: Key,
    unit: UnitId,
    now: Instant,
) -> Result<Vec<folds::Changed>> {
    let stored = folds::state_of(conn, organization, Key::from(unit))?;
    let Some(stored) = stored.filter(|state| state.folded_with != folds::folded_with()) else {
        return Ok(Vec::new());
    };
    let Some(loaded) = units::load(conn, organization, unit)? else { return Ok(Vec::new()) };
    let context = Context::of_unit(conn, organization, &loaded)?;
    let state = units::refold(&loaded, &context)?;
    let now = now.max(Instant::from_micros(stored.changed_at));
    let (row, rows) = folds::rows(organization, &loaded, &state, now)?;
    let mut items = folds::Items::stored(folds::items_of(conn, organization, row.unit_id)?);
    items.turn(row.changed_at, rows);
    folds::put(conn, &[row], vec![items])
}
