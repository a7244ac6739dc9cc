//! Lists of due items, exact at their instant.
//!
//! A list is made of three parts. Items of units whose stored states hold at the list's instant come from the index of
//! item rows. Units that wait to be moved on are few while the advance keeps up: their steps are evaluated. Units that
//! changed since the list was begun are answered from what their items were before.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::{DueState, ItemSteps, state_in};
use model::{Code, Instant};

use super::super::Conn;
use super::{
    folds::{self, BeforeRow, ItemRow, StateRow},
    schema::{due_item, due_item_before, unit_state},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{DuePlace, DueQuery, DueRow, Page},
};

/// More units than this waiting to be moved would make a list slow; it is then about the instant they wait at.
const MOVING_MOST: i64 = 1000;

/// The instant that a new list is about: now, or where the advance has got to when it is far behind.
pub(crate) fn as_of(conn: &mut Conn, organization: Key, now: Instant) -> Result<Instant> {
    let states = unit_state::table.filter(unit_state::organization.eq(organization));
    // A write by an instance whose clock is a little ahead is on the list at once.
    let newest: Option<i64> =
        states.order(unit_state::changed_at.desc()).select(unit_state::changed_at).first(conn).optional()?;
    let now = newest.map_or(now, |newest| now.max(Instant::from_micros(newest)));
    let waiting = states.filter(unit_state::next_at.le(now.micros())).order(unit_state::next_at);
    let beyond: Option<i64> =
        waiting.offset(MOVING_MOST).select(unit_state::next_at).first(conn).optional()?;
    if beyond.is_none() {
        return Ok(now);
    }
    let first: i64 = waiting.select(unit_state::next_at).first(conn)?;
    Ok(Instant::from_micros(first - 1))
}

/// One page of a list.
pub(crate) fn list(conn: &mut Conn, query: &DueQuery) -> Result<Page<DueRow>> {
    let mut rows = settled(conn, query)?;
    rows.extend(moving(conn, query)?);
    rows.sort_by(|a, b| if query.descending { b.place.cmp(&a.place) } else { a.place.cmp(&b.place) });
    let more = rows.len() > query.limit;
    rows.truncate(query.limit);
    Ok(Page { items: rows, more })
}

/// Items whose stored state holds at the list's instant.
fn settled(conn: &mut Conn, query: &DueQuery) -> Result<Vec<DueRow>> {
    let at = query.as_of.micros();
    let mut found = due_item::table
        .inner_join(
            unit_state::table.on(unit_state::organization
                .eq(due_item::organization)
                .and(unit_state::unit_id.eq(due_item::unit_id))),
        )
        .filter(due_item::organization.eq(Key::from(query.organization)))
        .filter(unit_state::next_at.gt(at))
        .filter(unit_state::changed_at.le(at))
        .limit(i64::try_from(query.limit).unwrap_or(i64::MAX) + 1)
        .select(ItemRow::as_select())
        .into_boxed();
    if !query.states.is_empty() {
        found = found.filter(
            due_item::state.eq_any(query.states.iter().map(|state| state.as_str()).collect::<Vec<_>>()),
        );
    }
    if let Some(task) = &query.task {
        found = found.filter(due_item::task.eq(task.as_str()));
    }
    if let Some(unit) = query.unit {
        found = found.filter(due_item::unit_id.eq(Key::from(unit)));
    }
    if let Some(before) = query.due_before {
        found = found.filter(due_item::due_at.lt(before.micros()));
    }
    for sites in site_sets(query) {
        found =
            found.filter(due_item::home_site.eq_any(sites.clone()).or(due_item::standing_site.eq_any(sites)));
    }
    let (due, unit, schedule, task) =
        (due_item::due_at, due_item::unit_id, due_item::schedule_id, due_item::task);
    found = match (&query.after, query.descending) {
        (None, _) => found,
        (Some(DuePlace { due_at, unit: u, schedule: s, task: t }), false) => {
            let (d, u, s, t) = (due_at.micros(), Key::from(*u), Key::from(*s), t.as_str().to_owned());
            let later_task = schedule.eq(s).and(task.gt(t));
            let later_unit = unit.gt(u).or(unit.eq(u).and(schedule.gt(s).or(later_task)));
            found.filter(due.ge(d)).filter(due.gt(d).or(later_unit))
        }
        (Some(DuePlace { due_at, unit: u, schedule: s, task: t }), true) => {
            let (d, u, s, t) = (due_at.micros(), Key::from(*u), Key::from(*s), t.as_str().to_owned());
            let earlier_task = schedule.eq(s).and(task.lt(t));
            let earlier_unit = unit.lt(u).or(unit.eq(u).and(schedule.lt(s).or(earlier_task)));
            found.filter(due.le(d)).filter(due.lt(d).or(earlier_unit))
        }
    };
    found = if query.descending {
        found.order((due.desc(), unit.desc(), schedule.desc(), task.desc()))
    } else {
        found.order((due.asc(), unit.asc(), schedule.asc(), task.asc()))
    };
    let rows: Vec<ItemRow> = found.load(conn)?;
    let steps = steps_of(conn, Key::from(query.organization), &rows)?;
    rows.iter().map(|item| settled_row(item, &steps, query.as_of)).collect()
}

type StepsByUnit = BTreeMap<Key, Vec<ItemSteps>>;

fn steps_of(conn: &mut Conn, organization: Key, rows: &[ItemRow]) -> Result<StepsByUnit> {
    let units: BTreeSet<Key> = rows.iter().map(|row| row.unit_id).collect();
    let states: Vec<StateRow> = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(unit_state::unit_id.eq_any(units.into_iter().collect::<Vec<_>>()))
        .select(StateRow::as_select())
        .load(conn)?;
    states.iter().map(|state| Ok((state.unit_id, folds::steps(state)?))).collect()
}

fn settled_row(item: &ItemRow, steps: &StepsByUnit, as_of: Instant) -> Result<DueRow> {
    let missing = || StoreError::corrupt("steps")(&"an item or an instant is missing");
    let key = folds::key_of(item.schedule_id, &item.task)?;
    let of_item = steps.get(&item.unit_id).and_then(|all| all.iter().find(|steps| steps.key == key));
    let step = of_item.and_then(|item| state_in(&item.steps, as_of)).ok_or_else(missing)?;
    Ok(DueRow {
        place: DuePlace::of(item.unit_id.id(), &key, step.due_at),
        home_site: item.home_site.id(),
        standing_site: item.standing_site.id(),
        state: step.state,
        reason: step.reason,
        until: step.until,
    })
}

/// Items of units whose stored states are of another instant.
fn moving(conn: &mut Conn, query: &DueQuery) -> Result<Vec<DueRow>> {
    let at = query.as_of.micros();
    let mut found = unit_state::table
        .filter(unit_state::organization.eq(Key::from(query.organization)))
        .filter(unit_state::next_at.le(at).or(unit_state::changed_at.gt(at)))
        .select(StateRow::as_select())
        .into_boxed();
    if let Some(unit) = query.unit {
        found = found.filter(unit_state::unit_id.eq(Key::from(unit)));
    }
    for sites in site_sets(query) {
        found = found
            .filter(unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites)));
    }
    let mut rows = Vec::new();
    for state in found.load::<StateRow>(conn)? {
        let of_unit =
            if state.changed_at > at { changed(conn, &state, at)? } else { waiting(&state, query.as_of)? };
        rows.extend(of_unit.into_iter().filter(|row| wanted(row, query)));
    }
    Ok(rows)
}

/// Items of a unit that waits to be moved on: its steps know.
fn waiting(state: &StateRow, as_of: Instant) -> Result<Vec<DueRow>> {
    let row = |item: &ItemSteps| {
        let step = state_in(&item.steps, as_of)?;
        Some(DueRow {
            place: DuePlace::of(state.unit_id.id(), &item.key, step.due_at),
            home_site: state.home_site.id(),
            standing_site: state.standing_site.id(),
            state: step.state,
            reason: step.reason,
            until: step.until,
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
        });
    }
    Ok(rows)
}

fn wanted(row: &DueRow, query: &DueQuery) -> bool {
    let in_state = |states: &[DueState]| states.is_empty() || states.contains(&row.state);
    let of_task = |task: &Option<Code>| task.as_ref().is_none_or(|task| *task == row.place.task);
    let beyond = query
        .after
        .as_ref()
        .is_none_or(|after| if query.descending { row.place < *after } else { row.place > *after });
    in_state(&query.states)
        && of_task(&query.task)
        && query.due_before.is_none_or(|before| row.place.due_at < before)
        && beyond
}

/// The sets of sites that an item must touch: those the asker may see, and the one asked for.
pub(crate) fn site_sets(query: &DueQuery) -> Vec<Vec<Key>> {
    let keys = |sites: &mut dyn Iterator<Item = model::SiteId>| {
        sites.map(Key::from).collect::<BTreeSet<_>>().into_iter().collect()
    };
    let visible = query.sites.as_ref().map(|sites| keys(&mut sites.iter().copied()));
    let asked = query.site.map(|site| keys(&mut std::iter::once(site)));
    visible.into_iter().chain(asked).collect()
}
