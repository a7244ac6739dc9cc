//! The one transaction that writes.
//!
//! Lock what the edits write, target or name; read; judge each edit; fold each unit once; and as the last step take
//! the organization's counter and add to log, feed and outbox. A dry run is the same up to that step, and writes
//! nothing.

mod answer;
mod correct;
mod doubts;
mod fold;
mod for_model;
mod judge;
mod known;
mod named;
mod refer;
mod row;
mod together;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use model::{
    SiteId, UnitId, Zone,
    edit::Target,
    event::{ModelAdoption, ServiceEvent},
};

use self::{
    fold::{Folded, Touched},
    known::Known,
};
use super::super::{Conn, dialect};
use super::{
    contexts::{self, Versions},
    editions, inserts, kin,
    log::{self, LogRow},
    model_adoptions,
    private_texts::TextRow,
    records::{RecordRow, Stored},
    scope,
};
use crate::{
    body::Body,
    command::Command,
    error::Result,
    key::Key,
    locks::{Attempt, Locks},
    view::EditionView,
};

/// Runs the transaction with `extra` locked beside what the edits name.
pub(crate) fn write(
    conn: &mut Conn,
    command: &Command,
    bodies: &[Arc<Body>],
    extra: &Locks,
) -> Result<Attempt> {
    let mut locks = extra.clone();
    locks.extend(command.edits.iter().flat_map(|proposal| named::locks(&proposal.edit.action)));
    let organization = Key::from(command.organization);
    if !command.dry_run {
        let ordered: Vec<(&'static str, Key)> = locks.iter().map(|(_, kind, id)| (*kind, *id)).collect();
        dialect::lock(conn, organization, &ordered)?;
    }
    let mut work = Work {
        organization,
        command,
        locks,
        more: Locks::new(),
        known: Known::load(conn, command)?,
        units: BTreeMap::new(),
        zones: BTreeMap::new(),
        changes: Versions::new(),
        refolding: 0,
        planned: Vec::new(),
        together: kin::Groups::default(),
        grown: kin::Groups::default(),
    };
    let mut judged = Vec::with_capacity(command.edits.len());
    for (proposal, body) in command.edits.iter().zip(bodies) {
        judged.push(work.judge(conn, proposal, body)?);
    }
    work.touch_kin(conn)?;
    if !work.more.is_empty() {
        work.more.extend(work.locks);
        return Ok(Attempt::Again(work.more));
    }
    let folded = work.fold_units(conn)?;
    let answers = folded.answers();
    let stale = work.record(conn, folded)?;
    let outcomes = answer::outcomes(conn, organization, judged, &work.planned, &answers)?;
    Ok(Attempt::Done { outcomes, stale, changes: answers.changes })
}

/// What the transaction has read and means to write.
struct Work<'c> {
    organization: Key,
    command: &'c Command,
    locks: Locks,
    more: Locks,
    known: Known,
    units: BTreeMap<UnitId, Touched>,
    /// Zones of sites that this transaction changes.
    zones: BTreeMap<SiteId, Zone>,
    /// How often it changes each context.
    changes: Versions,
    /// How many units are folded only because a context changes.
    refolding: usize,
    planned: Vec<Planned>,
    /// The groups of units that fold together.
    together: kin::Groups,
    /// Those that it makes or makes larger.
    grown: kin::Groups,
}

/// A log row in the making, and what goes with it.
struct Planned {
    row: LogRow,
    body: Arc<Body>,
    wrote: Wrote,
    /// For a row about a unit, the sites that have it in scope before and after.
    scope: Option<(BTreeSet<SiteId>, BTreeSet<SiteId>)>,
}

/// What a row writes beside the log.
enum Wrote {
    /// A record, as it is after the row.
    Record(Target, Stored),
    Event(Box<ServiceEvent>),
    ModelAdoption(Box<ModelAdoption>),
    Edition(EditionView),
}

impl Work<'_> {
    /// Writes everything, the organization's counter last; of a dry run nothing. Says whether units are left stale.
    fn record(&mut self, conn: &mut Conn, folded: Folded) -> Result<bool> {
        if self.command.dry_run || self.planned.is_empty() {
            self.planned.iter_mut().for_each(|planned| planned.row.recorded_at = self.command.now.micros());
            return Ok(false);
        }
        self.write_records(conn)?;
        let (told, folded_with) = folded.write(conn, self.organization)?;
        kin::put(conn, self.organization, &self.grown)?;
        let texts: Vec<TextRow> = self
            .planned
            .iter()
            .flat_map(|planned| planned.body.sealed.iter().map(|text| (planned.row.edit_id, text)))
            .map(|(edit, text)| TextRow::new(self.organization, edit, text))
            .collect();
        inserts::private_texts(conn, &texts)?;
        let count = i64::try_from(self.planned.len()).unwrap_or(i64::MAX);
        let (first, recorded_at) = log::take_numbers(conn, self.organization, count, self.command.now)?;
        contexts::count(conn, self.organization, &self.changes)?;
        let overtaken = contexts::overtaken(conn, self.organization, &folded_with)?;
        let stale = overtaken || !self.changes.is_empty() && contexts::settle(conn, self.organization)?;
        let mut rows = Vec::with_capacity(self.planned.len());
        let mut lines = Vec::new();
        for (planned, seq) in self.planned.iter_mut().zip(first..) {
            let row = &mut planned.row;
            (row.seq, row.recorded_at) = (seq, recorded_at);
            row.leaf_hash = row.leaf()?.as_bytes().to_vec();
            match &planned.scope {
                Some((before, after)) => lines.extend(scope::lines_of_unit(row, before, after)),
                None => lines.push(scope::line_of_record(row)),
            }
            rows.push(row.clone());
        }
        inserts::log(conn, &rows)?;
        inserts::feed(conn, &lines)?;
        inserts::outbox(conn, &log::outbox_rows(self.organization, first + count - 1, 0, &told))?;
        Ok(stale)
    }

    fn write_records(&self, conn: &mut Conn) -> Result<()> {
        let mut last: BTreeMap<Target, &Stored> = BTreeMap::new();
        let mut added = Vec::new();
        for planned in &self.planned {
            match &planned.wrote {
                Wrote::Record(target, stored) => drop(last.insert(*target, stored)),
                Wrote::Edition(view) => added.push((view, planned.row.body.as_str())),
                Wrote::ModelAdoption(adoption) => {
                    model_adoptions::add(conn, self.organization, adoption, &planned.row.body)?;
                }
                Wrote::Event(_) => {}
            }
        }
        editions::add(conn, self.organization, &added)?;
        let rows: Result<Vec<RecordRow>> = last
            .into_iter()
            .map(|(target, stored)| RecordRow::new(self.organization, target, stored))
            .collect();
        inserts::records(conn, &rows?)?;
        Ok(())
    }
}
