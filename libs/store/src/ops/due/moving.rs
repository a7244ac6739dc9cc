//! Due items of units whose stored states are of another instant than the list's.

use std::collections::BTreeMap;

use diesel::prelude::*;
use interval::{DueState, ItemSteps, edition_in, state_in};
use model::{Code, Instant};

use super::super::super::Conn;
use super::super::{
    folds::{self, BeforeRow, StateRow},
    schema::{due_item_before, unit_state},
};
use super::of_asked_units;
use crate::{
    error::Result,
    key::Key,
    view::{DueFilter, DuePlace, DueRow},
};

/// Items of units whose stored states are of another instant.
pub(super) fn moving(conn: &mut Conn, filter: &DueFilter, as_of: Instant) -> Result<Vec<DueRow>> {
    let at = as_of.micros();
    let found = unit_state::table
        .filter(of_asked_units(filter))
        .filter(unit_state::next_at.le(at).or(unit_state::changed_at.gt(at)))
        .select(StateRow::as_select());
    let mut rows = Vec::new();
    for state in found.load::<StateRow>(conn)? {
        let of_unit =
            if state.changed_at > at { changed(conn, &state, at)? } else { waiting(&state, as_of)? };
        rows.extend(of_unit.into_iter().filter(|row| wanted(row, filter)));
    }
    Ok(rows)
}

/// Items of a unit that waits to be moved on: its steps know.
fn waiting(state: &StateRow, as_of: Instant) -> Result<Vec<DueRow>> {
    let editions = folds::editions(state)?;
    let row = |item: &ItemSteps| {
        let step = state_in(&item.steps, as_of)?;
        Some(DueRow {
            place: DuePlace::of(state.unit_id.id(), &item.key, step.due_at),
            home_site: state.home_site.id(),
            standing_site: state.standing_site.id(),
            state: step.state,
            reason: step.reason,
            until: step.until,
            edition: edition_in(&editions, item.key.schedule, as_of),
        })
    };
    Ok(folds::steps(state)?.iter().filter_map(row).collect())
}

/// Items of a unit that changed after the list's instant: as they were then, so that its pages neither repeat nor
/// skip one.
fn changed(conn: &mut Conn, state: &StateRow, at: i64) -> Result<Vec<DueRow>> {
    let since: Vec<BeforeRow> = due_item_before::table
        .filter(due_item_before::organization.eq(state.organization))
        .filter(due_item_before::unit_id.eq(state.unit_id))
        .filter(due_item_before::until.gt(at))
        .order(due_item_before::until.desc())
        .select(BeforeRow::as_select())
        .load(conn)?;
    let now = folds::items_of(conn, state.organization, state.unit_id)?;
    let still = now.into_iter().map(|item| BeforeRow {
        organization: item.organization,
        unit_id: item.unit_id,
        schedule_id: item.schedule_id,
        task: item.task,
        until: state.next_at,
        state: Some(item.state),
        reason: item.reason,
        due_at: item.due_at,
    });
    // The earliest change after the instant tells what held at it: later ones, and what is now, are overwritten.
    let then: BTreeMap<(Key, String), BeforeRow> =
        still.chain(since).map(|row| ((row.schedule_id, row.task.clone()), row)).collect();
    let editions = folds::editions(state)?;
    let mut rows = Vec::new();
    for row in then.into_values() {
        let Some(word) = &row.state else { continue };
        let (word, reason) = folds::words_of(word, row.reason.as_deref())?;
        let key = folds::key_of(row.schedule_id, &row.task)?;
        rows.push(DueRow {
            place: DuePlace::of(state.unit_id.id(), &key, Instant::from_micros(row.due_at)),
            home_site: state.home_site.id(),
            standing_site: state.standing_site.id(),
            state: word,
            reason,
            until: Instant::from_micros(row.until),
            edition: edition_in(&editions, key.schedule, Instant::from_micros(at)),
        });
    }
    Ok(rows)
}

pub(super) fn wanted(row: &DueRow, filter: &DueFilter) -> bool {
    let in_state = |states: &[DueState]| states.is_empty() || states.contains(&row.state);
    let of_task = |task: &Option<Code>| task.as_ref().is_none_or(|task| *task == row.place.task);
    in_state(&filter.states)
        && of_task(&filter.task)
        && filter.due_before.is_none_or(|before| row.place.due_at < before)
}
