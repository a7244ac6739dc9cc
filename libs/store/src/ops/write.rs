//! The one transaction that writes.
//!
//! Lock what the edits write, target or name; read; judge each edit; fold each unit once; and as the last step take
//! the organization's counter and add to log, feed and outbox.

mod judge;
mod refer;

use std::collections::{BTreeMap, BTreeSet};

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
    log::{self, FeedRow, LogRow, OutboxRow},
    private_texts,
    records::{self, Stored},
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
    /// Home and standing site before; empty for a new unit.
    before: BTreeSet<SiteId>,
    /// Places in `planned` of the rows about it.
    rows: Vec<usize>,
}

/// A log row in the making, and what goes with it.
struct Planned {
    row: LogRow,
    sealed: Vec<Sealed>,
    wrote: Wrote,
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
        let mut after = BTreeMap::new();
        for (id, touched) in std::mem::take(&mut self.units) {
            told.extend(advance::advance_unit(conn, self.organization, Key::from(id), self.command.now)?);
            let folded = self.fold(conn, &touched)?;
            told.extend(folded.changed);
            set_aside.extend(folded.set_aside);
            after.insert(id, (touched, folded.after));
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
        dialect::insert_feed(conn, &self.feed_rows(&rows, &after))?;
        dialect::insert_outbox(conn, &self.outbox_rows(first + count - 1, &told))?;
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
        let now = self.command.now;
        let context = Context::load(conn, self.organization, &touched.unit, &self.zones)?;
        let state = units::refold(&touched.unit, &context)?;
        let new: Vec<_> = touched.rows.iter().filter_map(|row| self.planned.get(*row)).collect();
        let rows: Vec<_> = new
            .iter()
            .filter_map(|planned| match &planned.wrote {
                Wrote::Event(event) => {
                    let at = instant_of(event, &state, &context);
                    Some(events::EventRow::new(self.organization, event, at, planned.row.body.clone()))
                }
                _ => None,
            })
            .collect();
        events::add(conn, &rows)?;
        if !self.zones.is_empty() {
            for event in &touched.unit.events {
                events::move_in_time(conn, self.organization, event.id, instant_of(event, &state, &context))?;
            }
        }
        let (state_row, items) = folds::rows(self.organization, &touched.unit, &state, now)?;
        let changed = folds::put(conn, &state_row, &items)?;
        let set_aside =
            state.set_aside().iter().map(|reading| (reading.event_id, warning(reading.suggested))).collect();
        let after = BTreeSet::from([touched.unit.home_site()?, folds::standing_at(&state, now)]);
        Ok(Folded { changed, set_aside, after })
    }

    /// One line per row and site in scope; a site that gains or loses the unit is told so by the unit's last row.
    fn feed_rows(
        &self,
        rows: &[LogRow],
        after: &BTreeMap<UnitId, (Touched, BTreeSet<SiteId>)>,
    ) -> Vec<FeedRow> {
        let mut lines = Vec::new();
        let line = |row: &LogRow, site: Key, kind: &str, record: Key| FeedRow {
            organization: row.organization,
            site_id: site,
            seq: row.seq,
            unit_id: row.unit_id,
            kind: kind.to_owned(),
            record_id: record,
        };
        for row in rows.iter().filter(|row| row.unit_id.is_none()) {
            let site = if row.record_kind == RecordKind::Site.as_str() { row.record_id } else { Key::NIL };
            lines.push(line(row, site, &row.record_kind, row.record_id));
        }
        for (unit, (touched, sites)) in after {
            let of_unit: Vec<&LogRow> = touched.rows.iter().filter_map(|at| rows.get(*at)).collect();
            let Some((last, earlier)) = of_unit.split_last() else { continue };
            for site in sites {
                for row in earlier {
                    lines.push(line(row, Key::from(*site), &row.record_kind, row.record_id));
                }
                if touched.before.contains(site) {
                    lines.push(line(last, Key::from(*site), &last.record_kind, last.record_id));
                } else {
                    lines.push(line(last, Key::from(*site), "enter", Key::from(*unit)));
                }
            }
            for site in touched.before.difference(sites) {
                lines.push(line(last, Key::from(*site), "leave", Key::from(*unit)));
            }
        }
        lines
    }

    fn outbox_rows(&self, seq: i64, told: &[Changed]) -> Vec<OutboxRow> {
        let row = |(change, ordinal): (&Changed, i32)| OutboxRow {
            organization: self.organization,
            seq,
            ordinal,
            kind: folds::CHANGED.into(),
            body: change.body.clone(),
        };
        told.iter().zip(0..).map(row).collect()
    }
}

struct Folded {
    changed: Vec<Changed>,
    set_aside: BTreeMap<EventId, Warning>,
    after: BTreeSet<SiteId>,
}

/// An event's place in time; a day begins at midnight where the unit stood.
pub(super) fn instant_of(event: &ServiceEvent, state: &interval::UnitState, context: &Context) -> Instant {
    let utc = Zone::utc();
    let near = event.occurred.when.instant(&utc);
    let zone = context.zones.get(&state.site_at(near)).unwrap_or(&utc);
    event.occurred.when.instant(zone)
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
            Judged::Planned(at) => {
                let row =
                    self.rows.get(at).ok_or_else(|| StoreError::corrupt("plan")(&"a row is missing"))?;
                Ok(Outcome::Applied(self.written(conn, organization, row)?))
            }
            Judged::Repeat(row) => Ok(Outcome::AlreadyApplied(self.written(conn, organization, &row)?)),
        }
    }

    fn written(&self, conn: &mut Conn, organization: Key, row: &LogRow) -> Result<Written> {
        let gone = || StoreError::corrupt("log row")(&"what it wrote is missing");
        let target = match RecordKind::parse(&row.record_kind).ok_or_else(gone)? {
            RecordKind::ServiceEvent => {
                let view = events::find(conn, organization, row.record_id.id())?.ok_or_else(gone)?;
                let warnings = self.warnings(conn, organization, &view)?;
                return Ok(Written::Event(view, warnings));
            }
            RecordKind::Edition => {
                return editions::find(conn, organization, row.record_id.id())?
                    .map(Written::Edition)
                    .ok_or_else(gone);
            }
            RecordKind::Site => Target::Site(row.record_id.id()),
            RecordKind::Schedule => Target::Schedule(row.record_id.id()),
            RecordKind::Unit => Target::Unit(row.record_id.id()),
            RecordKind::Person => Target::Person(row.record_id.id()),
            RecordKind::Grant => Target::Grant(row.record_id.id()),
        };
        let stored = records::find(conn, organization, target)?.ok_or_else(gone)?;
        records::view(conn, organization, target, &stored).map(Written::Record)
    }

    /// What is doubtful about an event: known from this write's fold, or for a repeat from a fold of its own.
    fn warnings(
        &self,
        conn: &mut Conn,
        organization: Key,
        view: &crate::view::EventView,
    ) -> Result<Vec<Warning>> {
        if !self.rows.is_empty() {
            return Ok(self.set_aside.get(&view.id).cloned().into_iter().collect());
        }
        let due = units::due(conn, organization, view.unit)?;
        let readings = due.iter().flat_map(|due| due.state.set_aside());
        Ok(readings
            .filter(|reading| reading.event_id == view.id)
            .map(|reading| warning(reading.suggested))
            .collect())
    }
}
