//! Time alone changes states: moving the stored ones on.

use diesel::prelude::*;
use model::Instant;

use super::super::{Conn, dialect};
use super::{folds, log, schema::unit_state};
use crate::{error::Result, key::Key};

/// Moves the states of at most `limit` units on to `now`, earliest first; says how many it moved.
///
/// Idempotent: a unit that another instance has moved meanwhile is found to be done under its lock.
pub(crate) fn advance(conn: &mut Conn, organization: Key, now: Instant, limit: i64) -> Result<usize> {
    let waiting: Vec<Key> = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(unit_state::next_at.le(now.micros()))
        .order((unit_state::next_at, unit_state::unit_id))
        .limit(limit)
        .select(unit_state::unit_id)
        .load(conn)?;
    let mut locks: Vec<_> = waiting.iter().map(|unit| ("unit", *unit)).collect();
    locks.sort();
    dialect::lock(conn, organization, &locks)?;
    let mut told = Vec::new();
    for unit in &waiting {
        told.extend(advance_unit(conn, organization, *unit, now)?);
    }
    if !told.is_empty() {
        let (seq, _) = log::take_numbers(conn, organization, 0, now)?;
        // Nothing enters the log; the events take the number of the last row, with ordinals of their own.
        let first = log::next_ordinal(conn, organization, seq - 1)?;
        let rows: Vec<_> = told
            .iter()
            .zip(first..)
            .map(|(change, ordinal)| log::OutboxRow {
                organization,
                seq: seq - 1,
                ordinal,
                kind: folds::CHANGED.into(),
                body: change.body.clone(),
            })
            .collect();
        dialect::insert_outbox(conn, &rows)?;
    }
    Ok(waiting.len())
}

/// Moves one unit's states on, if they wait; says which changed.
pub(crate) fn advance_unit(
    conn: &mut Conn,
    organization: Key,
    unit: Key,
    now: Instant,
) -> Result<Vec<folds::Changed>> {
    let Some(mut state) =
        folds::state_of(conn, organization, unit)?.filter(|state| state.next_at <= now.micros())
    else {
        return Ok(Vec::new());
    };
    let steps = folds::steps(&state)?;
    state.changed_at = folds::last_before(&steps, now).map_or(state.changed_at, Instant::micros);
    state.next_at = folds::next_after(&steps, now).micros();
    let items = folds::item_rows(&state, &steps, now);
    folds::put(conn, &state, &items)
}
