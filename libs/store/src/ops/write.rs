//! The one transaction that writes.
//!
//! Lock what the edits write, target or name; read; judge each edit; fold each unit once; and as the last step take
//! the organization's counter and add to log, feed and outbox.

mod judge;
mod refer;

use std::collections::{BTreeMap, BTreeSet};

use diesel::Connection;
use model::{
    EventId, Instant, SiteId, UnitId, Zone,
    edit::{Action, RecordKind, Target},
    event::{Details, ServiceEvent},
    schedule::Edition,
};
use proof::Sealed;

use self::judge::Judged;
use super::super::{Conn, dialect};
use super::{
    advance, editions, events,
    folds::{self, Changed},
    log::{self, LogRow},
    private_texts,
    records::{self, Stored},
    replay, scope,
    units::{self, Context, Unit},
};
use crate::{
    command::{Command, Outcome, Warning, Written},
    error::{Result, StoreError},
    key::Key,
    locks::{Attempt, Locks, lock_of},
    view::EditionView,
};

/// Runs the transaction's body with `extra` locked beside what the edits name.
pub(crate) fn write(conn: &mut Conn, command: &Command, extra: &Locks) -> Result<Attempt> {
    let mut locks = extra.clone();
    locks.extend(command.edits.iter().flat_map(|proposal| named(&proposal.edit.action)));
    let ordered: Vec<(&'static str, Key)> = locks.iter().map(|(_, kind, id)| (*kind, *id)).collect();
    let organization = Key::from(command.organization);
    dialect::lock(conn, organization, &ordered)?;
    let mut work = Work {
        organization,
        command,
        locks,
        more: Locks::new(),
        records: BTreeMap::new(),
        units: BTreeMap::new(),
        zones: BTreeMap::new(),
        planned: Vec::new(),
    };
    let mut judged = Vec::with_capacity(command.edits.len());
    for proposal in &command.edits {
        judged.push(work.judge(conn, proposal)?);
    }
    if !work.more.is_empty() {
        work.more.extend(work.locks);
        return Ok(Attempt::Again(work.more));
    }
    let recorded = work.record(conn)?;
    judged
        .into_iter()
        .map(|judged| recorded.outcome(conn, command, judged))
        .collect::<Result<_>>()
        .map(Attempt::Done)
}

/// Runs the transaction's body and takes back what it wrote.
pub(crate) fn dry_run(conn: &mut Conn, command: &Command, extra: &Locks) -> Result<Attempt> {
    let mut attempt = None;
    let undone: Result<()> = conn.transaction(|conn| {
        attempt = Some(write(conn, command, extra)?);
        Err(diesel::result::Error::RollbackTransaction.into())
    });
    match attempt {
        Some(attempt) => Ok(attempt),
        None => undone.and(Err(StoreError::corrupt("dry run")(&"there is no outcome"))),
    }
}

/// The records that an action writes, targets or names as parent.
fn named(action: &Action) -> Vec<(u8, &'static str, Key)> {
    let site = |id: SiteId| lock_of(RecordKind::Site, Key::from(id));
    let unit = |id: UnitId| lock_of(RecordKind::Unit, Key::from(id));
    match action {
        Action::Create { target, fields } | Action::Set { target, fields } => {
            let parent = fields.get("home_site_id").and_then(|id| SiteId::read(id).ok()).map(site);
            std::iter::once(lock_of(target.kind(), Key(target.uuid()))).chain(parent).collect()
        }
        Action::Event(event) => {
            let more = match &event.details {
                Details::Commissioning(c) => Some(site(c.site_id)),
                Details::Placement(p) => Some(site(p.site_id)),
                Details::Adoption(a) => Some(lock_of(RecordKind::Schedule, Key::from(a.schedule_id))),
                _ => None,
            };
            std::iter::once(unit(event.unit_id)).chain(more).collect()
        }
        Action::Edition { schedule, .. } => vec![lock_of(RecordKind::Schedule, Key::from(*schedule))],
    }
}

/// What the transaction has read and means to write.
struct Work<'c> {
    organization: Key,
    command: &'c Command,
    locks: Locks,
    more: Locks,
    records: BTreeMap<Target, Option<Stored>>,
    units: BTreeMap<UnitId, Touched>,
    zones: BTreeMap<SiteId, Zone>,
    planned: Vec<Planned>,
}

/// A unit that the transaction folds.
struct Touched {
    unit: Unit,
    /// The sites in whose scope it is by now; none for a new unit.
    sites: BTreeSet<SiteId>,
    /// Places in `planned` of the rows about it.
    rows: Vec<usize>,
}

/// A log row in the making, and what goes with it.
struct Planned {
    row: LogRow,
    sealed: Vec<Sealed>,
    wrote: Wrote,
    /// For a row about a unit, the sites that have it in scope before and after.
    scope: Option<(BTreeSet<SiteId>, BTreeSet<SiteId>)>,
}

/// What a row writes beside the log.
enum Wrote {
    Record(Target),
    Event(Box<ServiceEvent>),
    Edition(EditionView, Box<Edition>),
}

/// What was recorded, for the answers.
struct Recorded {
    rows: Vec<LogRow>,
    set_aside: BTreeMap<EventId, Warning>,
}

impl Work<'_> {
    /// Writes everything; the organization's counter last.
    fn record(mut self, conn: &mut Conn) -> Result<Recorded> {
        if self.planned.is_empty() {
            return Ok(Recorded { rows: Vec::new(), set_aside: BTreeMap::new() });
        }
        self.write_records(conn)?;
        let mut told = Vec::new();
        let mut set_aside = BTreeMap::new();
        for (id, touched) in std::mem::take(&mut self.units) {
            told.extend(advance::advance_unit(conn, self.organization, Key::from(id), self.command.now)?);
            let folded = self.fold(conn, &touched)?;
            told.extend(folded.changed);
            set_aside.extend(folded.set_aside);
        }
        for planned in &self.planned {
            private_texts::keep(conn, self.organization, planned.row.edit_id, &planned.sealed)?;
        }
        let count = i64::try_from(self.planned.len()).unwrap_or(i64::MAX);
        let (first, recorded_at) = log::take_numbers(conn, self.organization, count, self.command.now)?;
        let mut rows = Vec::with_capacity(self.planned.len());
        for (planned, seq) in self.planned.iter().zip(first..) {
            let mut row = LogRow { seq, recorded_at, ..planned.row.clone() };
            row.leaf_hash = row.leaf()?.as_bytes().to_vec();
            rows.push(row);
        }
        dialect::insert_log(conn, &rows)?;
        let lines = self.planned.iter().zip(&rows).flat_map(|(planned, row)| match &planned.scope {
            Some((before, after)) => scope::lines_of_unit(row, before, after),
            None => vec![scope::line_of_record(row)],
        });
        dialect::insert_feed(conn, &lines.collect::<Vec<_>>())?;
        dialect::insert_outbox(conn, &log::outbox_rows(self.organization, first + count - 1, 0, &told))?;
        Ok(Recorded { rows, set_aside })
    }

    fn write_records(&self, conn: &mut Conn) -> Result<()> {
        let written: BTreeSet<Target> = self
            .planned
            .iter()
            .filter_map(
                |planned| if let Wrote::Record(target) = &planned.wrote { Some(*target) } else { None },
            )
            .collect();
        for target in written {
            if let Some(Some(stored)) = self.records.get(&target) {
                records::put(conn, self.organization, target, stored)?;
            }
        }
        for planned in &self.planned {
            if let Wrote::Edition(view, edition) = &planned.wrote {
                editions::add(conn, self.organization, view.id, view.schedule, &planned.row.body, edition)?;
            }
        }
        Ok(())
    }

    fn fold(&self, conn: &mut Conn, touched: &Touched) -> Result<Folded> {
        let context = Context::load(conn, self.organization, &touched.unit, &self.zones)?;
        let state = units::refold(&touched.unit, &context)?;
        let new = touched.rows.iter().filter_map(|row| self.planned.get(*row));
        let rows: Vec<_> = new
            .filter_map(|planned| match &planned.wrote {
                Wrote::Event(event) => {
                    let at = state.instant_of(&event.occurred.when);
                    Some(events::EventRow::new(self.organization, event, at, planned.row.body.clone()))
                }
                _ => None,
            })
            .collect();
        events::add(conn, &rows)?;
        // A day begins at midnight where the unit stood, which later events and corrections may change.
        for event in &touched.unit.events {
            let at = state.instant_of(&event.occurred.when);
            if touched.unit.stored_at.get(&event.id).is_some_and(|stored| *stored != at) {
                events::move_in_time(conn, self.organization, event.id, at)?;
            }
        }
        // Clocks of instances differ a little; stored states must not go back in time for that.
        let stored = folds::state_of(conn, self.organization, Key::from(touched.unit.id))?;
        let now = stored
            .map_or(self.command.now, |stored| self.command.now.max(Instant::from_micros(stored.changed_at)));
        let (state_row, items) = folds::rows(self.organization, &touched.unit, &state, now)?;
        let changed = folds::put(conn, &state_row, &items)?;
        let set_aside =
            state.set_aside().iter().map(|reading| (reading.event_id, warning(reading.suggested))).collect();
        Ok(Folded { changed, set_aside })
    }
}

struct Folded {
    changed: Vec<Changed>,
    set_aside: BTreeMap<EventId, Warning>,
}

fn warning(suggested: Option<model::Hours>) -> Warning {
    Warning {
        code: "reading_set_aside",
        pointer: "/meter_hours",
        detail: "The reading does not fit the unit's other readings; it is kept, and not used until it is confirmed or others bear it out.".into(),
        suggested_meter_hours: suggested,
    }
}

impl Recorded {
    fn outcome(&self, conn: &mut Conn, command: &Command, judged: Judged) -> Result<Outcome> {
        let organization = Key::from(command.organization);
        match judged {
            Judged::Refused(refusal) => Ok(Outcome::Refused(refusal)),
            Judged::Planned(at) => Ok(Outcome::Applied(self.of_row(conn, organization, at)?)),
            Judged::Twin(at) => Ok(Outcome::AlreadyApplied(self.of_row(conn, organization, at)?)),
            Judged::Repeat(row) => {
                let warnings = warnings_then(conn, organization, &row)?;
                Ok(Outcome::AlreadyApplied(written(conn, organization, &row, warnings)?))
            }
        }
    }

    fn of_row(&self, conn: &mut Conn, organization: Key, at: usize) -> Result<Written> {
        let row = self.rows.get(at).ok_or_else(|| StoreError::corrupt("plan")(&"a row is missing"))?;
        let set_aside = self.set_aside.get(&row.record_id.id()).cloned();
        written(conn, organization, row, set_aside.into_iter().collect())
    }
}

/// What a row wrote, as it was when the row was written: a repeat gets the first answer.
fn written(conn: &mut Conn, organization: Key, row: &LogRow, mut warnings: Vec<Warning>) -> Result<Written> {
    let gone = || StoreError::corrupt("log row")(&"what it wrote is missing");
    let target = match RecordKind::parse(&row.record_kind).ok_or_else(gone)? {
        RecordKind::ServiceEvent => {
            let view = events::find(conn, organization, row.record_id.id())?.ok_or_else(gone)?;
            warnings.extend(out_of_force(conn, organization, row)?);
            return Ok(Written::Event(view, warnings));
        }
        RecordKind::Edition => {
            return editions::find(conn, organization, row.record_id.id())?
                .map(Written::Edition)
                .ok_or_else(gone);
        }
        RecordKind::Organization => Target::Organization(row.record_id.id()),
        RecordKind::Site => Target::Site(row.record_id.id()),
        RecordKind::Schedule => Target::Schedule(row.record_id.id()),
        RecordKind::Unit => Target::Unit(row.record_id.id()),
        RecordKind::Person => Target::Person(row.record_id.id()),
        RecordKind::Grant => Target::Grant(row.record_id.id()),
    };
    let stored = replay::record(conn, organization, target, row.seq)?;
    records::view(conn, organization, target, &stored).map(Written::Record)
}

/// What was doubtful about an event when it was recorded.
fn warnings_then(conn: &mut Conn, organization: Key, row: &LogRow) -> Result<Vec<Warning>> {
    let Some(unit) = row.unit_id.filter(|_| row.record_kind == RecordKind::ServiceEvent.as_str()) else {
        return Ok(Vec::new());
    };
    let through = log::last_of_group(conn, row)?;
    let Some((unit, _)) = replay::unit(conn, organization, unit.id(), through)? else {
        return Ok(Vec::new());
    };
    let context = Context::load(conn, organization, &unit, &BTreeMap::new())?;
    let state = units::refold(&unit, &context)?;
    let of_event = state.set_aside().iter().filter(|reading| Key::from(reading.event_id) == row.record_id);
    Ok(of_event.map(|reading| warning(reading.suggested)).collect())
}

/// An adoption from a day on which the edition's publisher does not have it in force.
fn out_of_force(conn: &mut Conn, organization: Key, row: &LogRow) -> Result<Option<Warning>> {
    let event = events::read(&row.body)?;
    let Details::Adoption(adoption) = &event.details else { return Ok(None) };
    let Some(found) = editions::find(conn, organization, adoption.edition_id)? else { return Ok(None) };
    let from = adoption.effective_from.unwrap_or_else(|| event.occurred.when.date(&Zone::utc()));
    let begun = from >= found.edition.effective_from;
    let ended = found.edition.effective_until.is_some_and(|until| from >= until);
    Ok((!begun || ended).then(|| Warning {
        code: "edition_not_in_force",
        pointer: "/edition_id",
        detail: "The edition's own dates do not cover the day from which it is adopted; it holds for the unit all the same.".into(),
        suggested_meter_hours: None,
    }))
}
