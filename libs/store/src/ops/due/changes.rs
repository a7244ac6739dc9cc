//! Why a list of due items is not what it was: every unit that may have changed is folded for then and for now.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use interval::ItemKey;
use model::{EditionId, Instant, UnitId, edit::RecordKind, event::EventKind};

use super::super::super::Conn;
use super::super::{
    contexts::{self, ContextId},
    events, folds, kin,
    log::{self, LogRow, Told},
    model_adoptions,
    schema::unit_state,
    then,
};
use super::{of_asked_units, site_sets, then::rows_of};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{
        Cause, CauseOf, ChangesQuery, DueChanges, DueFilter, DuePlace, DueRow, Explained, FOLDED_MOST,
        Folding, ItemChange, ItemThen, Known, Moment, Page, Then,
    },
};

/// A page of the items that are otherwise than they were, or on the list no more, or only now.
pub(crate) fn list(conn: &mut Conn, query: &ChangesQuery) -> Result<Folding<DueChanges>> {
    let organization = Key::from(query.filter.organization);
    let known_seq = then::known_seq(conn, organization, query.known)?;
    let since_seq = then::known_seq(conn, organization, Known::At(query.since))?.min(known_seq);
    let Some(units) = candidates(conn, &query.filter, query.since, query.as_of)? else {
        return Ok(Folding::TooMany);
    };
    // Of an item that left a state the list tells too, so that states are judged for then and now together.
    let any_state = DueFilter { states: Vec::new(), ..query.filter.clone() };
    // The last list that an item is on says which edition asks for it.
    let mut editions = BTreeMap::new();
    let mut lines = |at: Instant, seq: i64| -> Result<Lines> {
        let moment = Moment { at, until: at < query.as_of, known: Known::Row(seq) };
        let rows = rows_of(conn, &any_state, &units, moment, seq)?;
        let told: Vec<_> = rows.into_iter().map(line).collect();
        editions.extend(told.iter().map(|(key, _, edition)| (key.clone(), *edition)));
        Ok(told.into_iter().map(|(key, then, _)| (key, then)).collect())
    };
    let (before, then, after) =
        (lines(query.since, since_seq)?, lines(query.as_of, since_seq)?, lines(query.as_of, known_seq)?);
    let keys: BTreeSet<&Line> = before.keys().chain(after.keys()).collect();
    let changed = keys.into_iter().filter(|key| query.after.as_ref().is_none_or(|after| **key > *after));
    let changed = changed.filter(|key| {
        let (was, is) = (before.get(key), after.get(key));
        let states = &query.filter.states;
        was != is && (states.is_empty() || was.into_iter().chain(is).any(|item| states.contains(&item.state)))
    });
    let page = Page::cut(changed.take(query.limit + 1).cloned().collect(), query.limit);
    let mut causes = Causes { organization, after: since_seq, through: known_seq, found: BTreeMap::new() };
    let explained = page.items.into_iter().map(|key| {
        let (was, left, is) = (before.get(&key), then.get(&key), after.get(&key));
        let causes = if left == is { Vec::new() } else { causes.of(conn, key.0)? };
        let edition = editions.get(&key).copied().flatten();
        let (unit, key) = key;
        let change = ItemChange { unit, key, before: was.copied(), after: is.copied() };
        Ok(Explained { change, edition, by_time: was != left, causes })
    });
    let changes = Page { items: explained.collect::<Result<_>>()?, more: page.more };
    Ok(Folding::Done(Then { known_seq, answer: DueChanges { since_seq, changes } }))
}

/// A task on a unit.
type Line = (UnitId, ItemKey);
type Lines = BTreeMap<Line, ItemThen>;

fn line(row: DueRow) -> (Line, ItemThen, Option<EditionId>) {
    let DuePlace { due_at, unit, schedule, task } = row.place;
    let then = ItemThen { state: row.state, reason: row.reason, due_at };
    ((unit, ItemKey { schedule, task }), then, row.edition)
}

/// The units that were ever on the list and of which something was recorded, or came about by time, after `since`;
/// nothing if they are too many to be folded.
fn candidates(
    conn: &mut Conn,
    filter: &DueFilter,
    since: Instant,
    now: Instant,
) -> Result<Option<BTreeSet<UnitId>>> {
    let organization = Key::from(filter.organization);
    let most = i64::try_from(FOLDED_MOST).unwrap_or(i64::MAX) + 1;
    // Asked one after the other, so that each has its index. A unit bears the clock of the instance that wrote it, which may
    // be behind that of the row: who is asked in vain costs a fold, who is not asked is missed.
    let changed = of_list(filter)
        .filter(unit_state::changed_at.gt(since.plus_seconds(-folds::AHEAD_SECONDS).micros()))
        .order((unit_state::changed_at, unit_state::unit_id));
    let waiting = of_list(filter)
        .filter(unit_state::next_at.le(now.micros()))
        .order((unit_state::next_at, unit_state::unit_id));
    let mut units: BTreeSet<Key> =
        changed.limit(most).select(unit_state::unit_id).load(conn)?.into_iter().collect();
    units.extend(waiting.limit(most).select(unit_state::unit_id).load::<Key>(conn)?);
    // Of what was recorded that makes a unit stale, the stored state knows nothing yet.
    let of_all = filter.sites.is_none() && filter.site.is_none() && filter.unit.is_none();
    if of_all {
        units.extend(contexts::stale(conn, organization, most)?.into_iter().map(Key::from));
    } else {
        units.extend(contexts::stale_of(conn, organization, most, || of_list(filter))?);
    }
    Ok((units.len() <= FOLDED_MOST).then(|| units.into_iter().map(Key::id).collect()))
}

/// The states of units that were ever on a list, of those that the asker may see now.
fn of_list(filter: &DueFilter) -> unit_state::BoxedQuery<'static, <Conn as Connection>::Backend> {
    let organization = Key::from(filter.organization);
    let visible = DueFilter { site: None, ..filter.clone() };
    let mut asked = unit_state::table.filter(of_asked_units(&visible)).into_boxed();
    for sites in site_sets(filter) {
        asked = asked.filter(unit_state::unit_id.eq_any(then::ever_at(organization, sites)));
    }
    asked
}

/// What was recorded between two rows, by unit.
struct Causes {
    organization: Key,
    after: i64,
    through: i64,
    found: BTreeMap<UnitId, Vec<Cause>>,
}

impl Causes {
    /// What a unit is folded with and was recorded meanwhile, in the order of the log.
    fn of(&mut self, conn: &mut Conn, unit: UnitId) -> Result<Vec<Cause>> {
        if let Some(found) = self.found.get(&unit) {
            return Ok(found.clone());
        }
        let groups = kin::of_units(conn, self.organization, &[unit].into())?;
        let kin: BTreeSet<UnitId> = groups.of(unit).into_iter().flatten().copied().chain([unit]).collect();
        let mut rows = Vec::new();
        for unit in kin {
            let told = Told::OfUnit(Key::from(unit));
            rows.extend(log::told_after(conn, self.organization, told, self.after)?);
        }
        for context in contexts::of_units(conn, self.organization, &[Key::from(unit)])?.into_values() {
            for context in context.into_keys() {
                rows.extend(self.of_context(conn, context)?);
            }
        }
        rows.retain(|row| row.seq <= self.through);
        rows.sort_by_key(|row| row.seq);
        rows.dedup_by_key(|row| row.seq);
        let found: Vec<Cause> = rows.iter().map(cause).collect::<Result<_>>()?;
        self.found.insert(unit, found.clone());
        Ok(found)
    }

    /// The rows that changed what many units are folded with.
    fn of_context(&self, conn: &mut Conn, context: ContextId) -> Result<Vec<LogRow>> {
        let told = match context {
            ContextId::Site(site) => Told::AtSite(site, RecordKind::Site),
            ContextId::Model(_) => Told::AtSite(Key::NIL, RecordKind::ServiceEvent),
        };
        let mut found = Vec::new();
        for row in log::told_after(conn, self.organization, told, self.after)? {
            let concerns = match context {
                ContextId::Site(_) => true,
                ContextId::Model(_) => ContextId::of_model(&model_adoptions::read(&row.body)?.of) == context,
            };
            found.extend(concerns.then_some(row));
        }
        Ok(found)
    }
}

fn cause(row: &LogRow) -> Result<Cause> {
    let corrupt = StoreError::corrupt("log row");
    let of = match RecordKind::parse(&row.record_kind) {
        Some(RecordKind::ServiceEvent) => CauseOf::Event {
            id: row.record_id.id(),
            kind: if row.unit_id.is_some() {
                events::read(&row.body, row.occurred_at)?.kind()
            } else {
                EventKind::Adoption
            },
            occurred: row.occurred_raw.clone(),
        },
        Some(RecordKind::Unit) => CauseOf::Unit(row.record_id.id()),
        Some(RecordKind::Site) => CauseOf::Site(row.record_id.id()),
        _ => return Err(corrupt(&row.record_kind)),
    };
    Ok(Cause { of, recorded_at: Instant::from_micros(row.recorded_at), author: row.author.id() })
}
