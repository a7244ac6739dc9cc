//! The folds of one unit, recomputed from its rows of the log.

use std::collections::BTreeSet;

use diesel::prelude::*;
use interval::{ItemSteps, UnitState, next_at};
use model::{Instant, UnitId, edit::RecordKind, event::ServiceEvent};

use super::super::super::{Conn, dialect};
use super::super::{
    blobs,
    contexts::{self, ContextId},
    events::{self, EventRow},
    fingerprints,
    folds::{self, StateRow},
    log::{self, FeedRow, LogRow},
    quality,
    replay::Growing,
    schema::{attachment, data_quality, due_item, feed, record, service_event, unit_context, unit_state},
    scope,
    units::{self, Context, Unit},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    report::Difference,
};

/// Ids of all units that any fold knows; each is then checked under its own lock.
pub(crate) fn units(conn: &mut Conn, organization: Key) -> Result<BTreeSet<UnitId>> {
    let records: Vec<Key> = record::table
        .filter(record::organization.eq(organization))
        .filter(record::kind.eq(RecordKind::Unit.as_str()))
        .select(record::id)
        .load(conn)?;
    let states: Vec<Key> = unit_state::table
        .filter(unit_state::organization.eq(organization))
        .select(unit_state::unit_id)
        .load(conn)?;
    let items: Vec<Key> = due_item::table
        .filter(due_item::organization.eq(organization))
        .select(due_item::unit_id)
        .distinct()
        .load(conn)?;
    let events: Vec<Key> = service_event::table
        .filter(service_event::organization.eq(organization))
        .select(service_event::unit_id)
        .distinct()
        .load(conn)?;
    let attachments: Vec<Key> = attachment::table
        .filter(attachment::organization.eq(organization))
        .select(attachment::unit_id)
        .distinct()
        .load(conn)?;
    let lines: Vec<Option<Key>> = feed::table
        .filter(feed::organization.eq(organization))
        .select(feed::unit_id)
        .distinct()
        .load(conn)?;
    let quality: Vec<Key> = data_quality::table
        .filter(data_quality::organization.eq(organization))
        .select(data_quality::unit_id)
        .distinct()
        .load(conn)?;
    let contexts: Vec<Key> = unit_context::table
        .filter(unit_context::organization.eq(organization))
        .select(unit_context::unit_id)
        .distinct()
        .load(conn)?;
    let all = records
        .into_iter()
        .chain(states)
        .chain(items)
        .chain(events)
        .chain(attachments)
        .chain(quality)
        .chain(contexts)
        .chain(lines.into_iter().flatten());
    Ok(all.map(Key::id).collect())
}

/// Checks the folds of one unit, under its lock.
pub(crate) fn unit(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Vec<Difference>> {
    let key = Key::from(id);
    dialect::lock(conn, organization, &[(RecordKind::Unit.as_str(), key)])?;
    let mut check = Check { organization, id, key, differences: Vec::new() };
    match check.compare(conn) {
        Ok(()) => {}
        // What cannot be read is a difference; a database that fails is not.
        Err(error @ StoreError::Corrupt { .. }) => {
            check.differ("unit", format!("{id} cannot be folded: {error}"));
        }
        Err(other) => return Err(other),
    }
    Ok(check.differences)
}

/// A unit, and what of it is not as the log says.
struct Check {
    organization: Key,
    id: UnitId,
    key: Key,
    differences: Vec<Difference>,
}

impl Check {
    fn compare(&mut self, conn: &mut Conn) -> Result<()> {
        let growing = self.compare_lines(conn)?;
        let Some(mut unit) = growing.unit()? else { return self.compare_nothing(conn) };
        // Whoever writes about its kin holds its lock too, so they are as they were when it was folded.
        units::add_kin(conn, self.organization, [&mut unit])?;
        let context = Context::of_unit(conn, self.organization, &unit)?;
        let state = units::refold(&unit, &context)?;
        let Some(stored) = folds::state_of(conn, self.organization, self.key)? else {
            self.differ("unit state", format!("of unit {} is missing", self.id));
            return Ok(());
        };
        let stale = self.compare_contexts(conn, &unit, &stored)?;
        self.compare_sent(conn)?;
        self.compare_events(conn, &unit.events, &growing.rows, &state, stale)?;
        self.compare_attachments(conn, &unit.events, &growing.rows)?;
        // A stale unit is out of date, which is no difference.
        if stale {
            return Ok(());
        }
        self.compare_state(conn, &unit, &context, &stored)
    }

    fn differ(&mut self, what: &'static str, detail: String) {
        self.differences.push(Difference { what, detail });
    }

    /// The lines of the feed are those of the unit's rows; gives what the rows come to.
    fn compare_lines(&mut self, conn: &mut Conn) -> Result<Growing> {
        let rows = log::of_unit(conn, self.organization, self.key)?;
        let mut growing = Growing::new(self.id);
        let mut lines = Vec::new();
        let mut sites = BTreeSet::new();
        for row in rows.iter().filter(|row| row.unit_id == Some(self.key)) {
            let was_retired = growing.is_retired();
            let after = match growing.add(row)?.then(|| growing.unit()).transpose()? {
                Some(Some(unit)) => scope::of_unit(&unit)?,
                Some(None) => continue,
                None => sites.clone(),
            };
            lines.extend(scope::lines_of_unit(row, &sites, &after, was_retired && !growing.is_retired()));
            sites = after;
        }
        lines.sort();
        if lines_of(conn, self.organization, self.key)? != lines {
            self.differ("feed", format!("lines of unit {} are other than the log says", self.id));
        }
        Ok(growing)
    }

    /// Of a unit that is not in the log nothing is stored.
    fn compare_nothing(&mut self, conn: &mut Conn) -> Result<()> {
        let (organization, key) = (self.organization, self.key);
        let held = [
            ("service events", !events::of_unit(conn, organization, self.id)?.is_empty()),
            ("attachments", !blobs::attachments(conn, organization, key)?.is_empty()),
            ("unit state", folds::state_of(conn, organization, key)?.is_some()),
            ("due items", !folds::items_of(conn, organization, key)?.is_empty()),
            ("fingerprint", !fingerprints::of_units(conn, organization, &[key])?.is_empty()),
            ("data quality", !quality::of_units(conn, organization, &[key])?.is_empty()),
            ("unit contexts", !contexts::of_units(conn, organization, &[key])?.is_empty()),
        ];
        for (what, _) in held.iter().filter(|(_, held)| *held) {
            self.differ(what, format!("of unit {}, which is not in the log", self.id));
        }
        Ok(())
    }

    /// What is told of the unit sums up to what is kept; nothing is kept of one that was last written before that was done.
    fn compare_sent(&mut self, conn: &mut Conn) -> Result<()> {
        let stored = fingerprints::of_units(conn, self.organization, &[self.key])?;
        let kept = stored.first().is_none_or(|row| row.record_hash.is_some());
        if kept && fingerprints::worked_out(conn, self.organization, stored.clone())? != stored
            || stored.is_empty()
        {
            self.differ("fingerprint", format!("of unit {} is other than what is told of it", self.id));
        }
        Ok(())
    }

    /// The unit rests on the contexts that its events name; says whether it is stale. Called after what it rests on was
    /// read, which is then of the version that is seen here, or of an older one.
    fn compare_contexts(&mut self, conn: &mut Conn, unit: &Unit, stored: &StateRow) -> Result<bool> {
        let found = contexts::of_units(conn, self.organization, &[self.key])?;
        let folded_with = found.get(&self.key).cloned().unwrap_or_default();
        let behind = contexts::are_behind(conn, self.organization, &folded_with)?;
        let outdated = stored.folded_with != folds::folded_with();
        if !outdated && folded_with.keys().copied().collect::<BTreeSet<_>>() != ContextId::of_unit(unit)? {
            self.differ("unit contexts", format!("of unit {} are other than its events say", self.id));
        }
        Ok(behind || outdated)
    }

    fn compare_events(
        &mut self,
        conn: &mut Conn,
        events: &[ServiceEvent],
        rows: &[LogRow],
        state: &UnitState,
        stale: bool,
    ) -> Result<()> {
        let row_of = |(event, row): (&ServiceEvent, &LogRow)| {
            EventRow::of(row, event, state.instant_of(&event.occurred.when))
        };
        let mut expected: Vec<EventRow> = events.iter().zip(rows).map(row_of).collect();
        let mut found = events::of_unit(conn, self.organization, self.id)?;
        if stale {
            // The days of a stale unit are moved in time when it is folded anew.
            found.iter_mut().chain(&mut expected).for_each(|row| row.occurred_at = 0);
            found.sort_by_key(|row| row.id);
        }
        expected.sort_by_key(|row| (row.occurred_at, row.id));
        if found != expected {
            self.differ(
                "service events",
                format!("of unit {} are stored otherwise than the log says", self.id),
            );
        }
        Ok(())
    }

    fn compare_attachments(
        &mut self,
        conn: &mut Conn,
        events: &[ServiceEvent],
        rows: &[LogRow],
    ) -> Result<()> {
        let named = rows.iter().zip(events).flat_map(|(row, event)| blobs::attachments_of(row, event));
        let mut expected: Vec<_> = named.collect();
        expected.sort();
        if blobs::attachments(conn, self.organization, self.key)? != expected {
            self.differ("attachments", format!("of unit {} are other than its events name", self.id));
        }
        Ok(())
    }

    fn compare_state(
        &mut self,
        conn: &mut Conn,
        unit: &Unit,
        context: &Context,
        stored: &StateRow,
    ) -> Result<()> {
        let folded_at = Instant::from_micros(stored.folded_at);
        let fold = units::fold(unit, context)?;
        let (mut expected, _) = folds::rows(self.organization, &fold, folded_at)?;
        let steps = folds::steps(&expected)?;
        let moved_to = Instant::from_micros(stored.changed_at).max(folded_at);
        expected.changed_at = moved_to.micros();
        expected.next_at = next_at(&steps, moved_to).micros();
        // What is kept depends on how the events came in; what it comes to does not.
        expected.compact = stored.compact.clone();
        if !kept_comes_to(stored, unit, context, &steps, folded_at)? {
            self.differ(
                "unit state",
                format!("of unit {} keeps what comes to something else than the log says", self.id),
            );
        }
        if *stored != expected {
            self.differ("unit state", format!("of unit {} is stored otherwise than the log says", self.id));
        }
        let items = folds::items_of(conn, self.organization, self.key)?;
        if items != folds::item_rows(&expected, &steps, moved_to) {
            self.differ("due items", format!("of unit {} are stored otherwise than the log says", self.id));
        }
        let found = quality::of_units(conn, self.organization, &[self.key])?;
        if found != quality::rows(self.organization, &fold)? {
            let detail = format!("of unit {} is stored otherwise than the log says", self.id);
            self.differ("data quality", detail);
        }
        Ok(())
    }
}

/// Whether what a state keeps of the unit's events comes to these steps.
fn kept_comes_to(
    stored: &StateRow,
    unit: &Unit,
    context: &Context,
    steps: &[ItemSteps],
    from: Instant,
) -> Result<bool> {
    if stored.compact.is_none() {
        return Ok(true);
    }
    let Some(compact) = folds::kept(stored) else { return Ok(false) };
    let fold = units::apply(stored, &compact, &unit.fields, &[], context)?;
    Ok(fold.is_some_and(|fold| fold.folded.state.steps_from(from) == steps))
}

fn lines_of(conn: &mut Conn, organization: Key, unit: Key) -> Result<Vec<FeedRow>> {
    let mut lines = feed::table
        .filter(feed::organization.eq(organization))
        .filter(feed::unit_id.eq(unit))
        .select(FeedRow::as_select())
        .load(conn)?;
    lines.sort();
    Ok(lines)
}
