//! Lists of due items, exact at their instant.
//!
//! A list is made of three parts. Items of units whose stored states hold at the list's instant come from the index of
//! item rows. Units that wait to be moved on are few while the advance keeps up: their steps are evaluated. Units that
//! changed since the list was begun are answered from what their items were before.

mod by_site;
mod changes;
mod moving;
mod then;

use std::collections::{BTreeMap, BTreeSet};

use diesel::{dsl::not, prelude::*, sql_types::Bool};
use interval::{DUE_STATES, DueState, InForce, ItemSteps, edition_in, state_in};
use model::Instant;

use self::moving::moving;
pub(crate) use self::{
    by_site::by_site,
    changes::list as changes,
    then::{by_site as by_site_then, list as list_then},
};
use super::super::Conn;
use super::{
    folds::{self, ItemRow, StateRow},
    schema::{due_item, unit_state},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{DueFilter, DuePlace, DueQuery, DueRow, Page, one_more},
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
    let mut rows = stored(conn, query)?;
    let moving = moving(conn, &query.filter, query.as_of)?;
    rows.extend(moving.into_iter().filter(|row| is_beyond(&row.place, query)));
    rows.sort_by(|a, b| if query.descending { b.place.cmp(&a.place) } else { a.place.cmp(&b.place) });
    Ok(Page::cut(rows, query.limit))
}

/// All items that `filter` asks for, without what only their steps tell: until when a stored state holds.
pub(crate) fn all(conn: &mut Conn, filter: &DueFilter, as_of: Instant) -> Result<Vec<DueRow>> {
    let stored: Vec<ItemRow> =
        due_item::table.filter(settled(filter, as_of)).select(ItemRow::as_select()).load(conn)?;
    let mut rows = moving(conn, filter, as_of)?;
    for item in stored {
        let (state, reason) = folds::words_of(&item.state, item.reason.as_deref())?;
        let key = folds::key_of(item.schedule_id, &item.task)?;
        rows.push(DueRow {
            place: DuePlace::of(item.unit_id.id(), &key, Instant::from_micros(item.due_at)),
            home_site: item.home_site.id(),
            standing_site: item.standing_site.id(),
            state,
            reason,
            until: Instant::LAST,
            edition: None,
        });
    }
    Ok(rows)
}

/// Whether an item comes after the page before.
fn is_beyond(place: &DuePlace, query: &DueQuery) -> bool {
    query.after.as_ref().is_none_or(|after| if query.descending { place < after } else { place > after })
}

/// What a row of a due item must fulfil.
type Condition = Box<dyn BoxableExpression<due_item::table, <Conn as Connection>::Backend, SqlType = Bool>>;

/// That an item is asked for, and that its stored state holds at `as_of`.
fn settled(filter: &DueFilter, as_of: Instant) -> Condition {
    let organization = Key::from(filter.organization);
    let at = as_of.micros();
    let moving = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(unit_state::next_at.le(at).or(unit_state::changed_at.gt(at)))
        .select(unit_state::unit_id);
    let mut all: Condition =
        Box::new(due_item::organization.eq(organization).and(not(due_item::unit_id.eq_any(moving))));
    if !filter.states.is_empty() {
        let words: Vec<&str> = filter.states.iter().map(|state| state.as_str()).collect();
        all = match *words {
            [word] => Box::new(all.and(due_item::state.eq(word))),
            _ => Box::new(all.and(due_item::state.eq_any(words))),
        };
    }
    if let Some(task) = &filter.task {
        all = Box::new(all.and(due_item::task.eq(task.as_str().to_owned())));
    }
    if let Some(unit) = filter.unit {
        all = Box::new(all.and(due_item::unit_id.eq(Key::from(unit))));
    }
    if let Some(before) = filter.due_before {
        all = Box::new(all.and(due_item::due_at.lt(before.micros())));
    }
    for sites in site_sets(filter) {
        // Said so that both halves have an index: those that are away from home are few, and have a small one.
        let lent =
            due_item::home_site.ne(due_item::standing_site).and(due_item::home_site.eq_any(sites.clone()));
        all = Box::new(all.and(due_item::standing_site.eq_any(sites).or(lent)));
    }
    all
}

/// Items whose stored state holds at the list's instant, those of the page.
fn stored(conn: &mut Conn, query: &DueQuery) -> Result<Vec<DueRow>> {
    let mut rows = Vec::new();
    for filter in by_state(&query.filter) {
        rows.extend(page(conn, &filter, query)?);
    }
    rows.sort_by(|a, b| {
        let by_place =
            (a.due_at, a.unit_id, a.schedule_id, &a.task).cmp(&(b.due_at, b.unit_id, b.schedule_id, &b.task));
        if query.descending { by_place.reverse() } else { by_place }
    });
    rows.truncate(query.limit.saturating_add(1));
    let steps = steps_of(conn, Key::from(query.filter.organization), &rows)?;
    rows.iter().map(|item| stored_row(item, &steps, query.as_of)).collect()
}

/// One state at a time: the index has the order of a page only within a state. Of one unit there are few items.
fn by_state(filter: &DueFilter) -> Vec<DueFilter> {
    let all = filter.states.is_empty() && filter.unit.is_none();
    let states: BTreeSet<DueState> = if all {
        DUE_STATES.iter().map(|(_, state)| *state).collect()
    } else {
        filter.states.iter().copied().collect()
    };
    if states.len() < 2 {
        return vec![filter.clone()];
    }
    states.into_iter().map(|state| DueFilter { states: vec![state], ..filter.clone() }).collect()
}

/// Of the items that `filter` asks for, those that can be on the page.
fn page(conn: &mut Conn, filter: &DueFilter, query: &DueQuery) -> Result<Vec<ItemRow>> {
    let mut found = due_item::table
        .filter(settled(filter, query.as_of))
        .limit(one_more(query.limit))
        .select(ItemRow::as_select())
        .into_boxed();
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
    Ok(found.load(conn)?)
}

type StepsByUnit = BTreeMap<Key, (Vec<ItemSteps>, Vec<InForce>)>;

fn steps_of(conn: &mut Conn, organization: Key, rows: &[ItemRow]) -> Result<StepsByUnit> {
    if rows.is_empty() {
        return Ok(StepsByUnit::new());
    }
    let units: BTreeSet<Key> = rows.iter().map(|row| row.unit_id).collect();
    let states: Vec<StateRow> = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .filter(unit_state::unit_id.eq_any(units.into_iter().collect::<Vec<_>>()))
        .select(StateRow::as_select())
        .load(conn)?;
    states.iter().map(|state| Ok((state.unit_id, (folds::steps(state)?, folds::editions(state)?)))).collect()
}

fn stored_row(item: &ItemRow, steps: &StepsByUnit, as_of: Instant) -> Result<DueRow> {
    let missing = || StoreError::corrupt("steps")(&"an item or an instant is missing");
    let key = folds::key_of(item.schedule_id, &item.task)?;
    let (steps, editions) = steps.get(&item.unit_id).ok_or_else(missing)?;
    let of_item = steps.iter().find(|steps| steps.key == key);
    let step = of_item.and_then(|item| state_in(&item.steps, as_of)).ok_or_else(missing)?;
    Ok(DueRow {
        place: DuePlace::of(item.unit_id.id(), &key, step.due_at),
        home_site: item.home_site.id(),
        standing_site: item.standing_site.id(),
        state: step.state,
        reason: step.reason,
        until: step.until,
        edition: edition_in(editions, key.schedule, as_of),
    })
}

/// What a row of a unit's state must fulfil.
pub(crate) type UnitCondition =
    Box<dyn BoxableExpression<unit_state::table, <Conn as Connection>::Backend, SqlType = Bool>>;

/// That a list asks about a unit.
pub(crate) fn of_asked_units(filter: &DueFilter) -> UnitCondition {
    let mut all: UnitCondition = Box::new(unit_state::organization.eq(Key::from(filter.organization)));
    if let Some(unit) = filter.unit {
        all = Box::new(all.and(unit_state::unit_id.eq(Key::from(unit))));
    }
    for sites in site_sets(filter) {
        let touches = unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites));
        all = Box::new(all.and(touches));
    }
    all
}

/// The sets of sites that an item must touch: those the asker may see, and the one asked for.
pub(crate) fn site_sets(filter: &DueFilter) -> Vec<Vec<Key>> {
    let keys = |sites: &mut dyn Iterator<Item = model::SiteId>| {
        sites.map(Key::from).collect::<BTreeSet<_>>().into_iter().collect()
    };
    let visible = filter.sites.as_ref().map(|sites| keys(&mut sites.iter().copied()));
    let asked = filter.site.map(|site| keys(&mut std::iter::once(site)));
    visible.into_iter().chain(asked).collect()
}
