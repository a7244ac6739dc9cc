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
mod sent;
mod together;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use merge::{Flag, Reason};
use model::{
    EditId, PersonId, SiteId, UnitId, Zone,
    edit::Target,
    event::{ModelAdoption, ServiceEvent},
    person::GrantFields,
};

use self::{
    fold::{Folded, Touched},
    known::Known,
};
use super::super::{Conn, dialect};
use super::{
    contexts::{self, Versions},
    editions,
    held::{self, HeldRow},
    inbox::{self, InboxRow},
    inserts, kin,
    log::{self, LogRow},
    model_adoptions,
    private_texts::TextRow,
    records::{self, RecordRow, Stored},
    scope,
};
use crate::{
    body::Body,
    command::{Command, Refusal},
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
        asking: command.author,
        locks,
        more: Locks::new(),
        known: Known::load(conn, command)?,
        units: BTreeMap::new(),
        zones: BTreeMap::new(),
        changes: Versions::new(),
        refolding: 0,
        planned: Vec::new(),
        kept: Vec::new(),
        done_waiting: Vec::new(),
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
    let ready = work.ready(conn)?;
    Ok(Attempt::Done { outcomes, stale, changes: answers.changes, ready })
}

/// What the transaction has read and means to write.
struct Work<'c> {
    organization: Key,
    command: &'c Command,
    /// Whose edit is being judged.
    asking: PersonId,
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
    /// Edits that are not accepted and kept for later.
    kept: Vec<Kept>,
    /// Edits that were kept and are in the log now.
    done_waiting: Vec<Key>,
    /// The groups of units that fold together.
    together: kin::Groups,
    /// Those that it makes or makes larger.
    grown: kin::Groups,
}

/// An edit that is kept beside the log.
struct Kept {
    row: InboxRow,
    /// Its private texts, if it brings them.
    texts: Vec<TextRow>,
    /// Why it is refused; nothing where it is parked.
    refusal: Option<Refusal>,
}

/// A log row in the making, and what goes with it.
struct Planned {
    row: LogRow,
    body: Arc<Body>,
    wrote: Wrote,
    /// For a row about a unit, the sites that have it in scope before and after.
    scope: Option<Moved>,
    /// The fields that are contested by it.
    contested: Vec<String>,
    /// What its handset and coordinators should know.
    flags: BTreeSet<Flag>,
}

/// The sites that have a unit in scope before a row and after it.
type Moved = (BTreeSet<SiteId>, BTreeSet<SiteId>);

impl Planned {
    fn new(row: LogRow, body: Arc<Body>, wrote: Wrote, scope: Option<Moved>) -> Self {
        Self { row, body, wrote, scope, contested: Vec::new(), flags: BTreeSet::new() }
    }
}

/// What a row writes beside the log.
enum Wrote {
    /// A record, as it is after the row.
    Record(Target, Stored),
    Event(Box<ServiceEvent>),
    ModelAdoption(Box<ModelAdoption>),
    Edition(EditionView),
    /// Nothing: it waits for a person.
    Held(Reason),
    /// Nothing: a person has refused it.
    Refusal,
}

impl Work<'_> {
    /// Writes everything, the organization's counter last; of a dry run nothing. Says whether units are left stale.
    fn record(&mut self, conn: &mut Conn, folded: Folded) -> Result<bool> {
        if !self.command.dry_run {
            self.keep(conn)?;
        }
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
        let (mut held, mut decided) = (Vec::new(), Vec::new());
        for (planned, seq) in self.planned.iter_mut().zip(first..) {
            let row = &mut planned.row;
            (row.seq, row.recorded_at) = (seq, recorded_at);
            row.leaf_hash = row.leaf()?.as_bytes().to_vec();
            match planned.wrote {
                Wrote::Held(_) => held.push(HeldRow::of(row)),
                Wrote::Refusal => decided.push(row.edit_id),
                _ if row.row_kind == log::RELEASED => decided.push(row.edit_id),
                _ => {}
            }
            match &planned.scope {
                _ if matches!(planned.wrote, Wrote::Held(_) | Wrote::Refusal) => {}
                Some((before, after)) => lines.extend(scope::lines_of_unit(row, before, after)),
                None => lines.push(scope::line_of_record(row)),
            }
            rows.push(row.clone());
        }
        inserts::log(conn, &rows)?;
        inserts::feed(conn, &lines)?;
        inserts::held(conn, &held)?;
        held::remove(conn, self.organization, &decided)?;
        inserts::outbox(conn, &log::outbox_rows(self.organization, first + count - 1, 0, &told))?;
        Ok(stale)
    }

    /// Writes what is kept beside the log, and takes out of it what is in the log now.
    fn keep(&mut self, conn: &mut Conn) -> Result<()> {
        let kept = std::mem::take(&mut self.kept).into_iter().map(|kept| (kept.row, kept.texts));
        let (rows, texts): (Vec<InboxRow>, Vec<Vec<TextRow>>) = kept.unzip();
        inbox::keep(conn, &rows)?;
        let texts: Vec<TextRow> = texts.into_iter().flatten().collect();
        inserts::private_texts(conn, &texts)?;
        inbox::remove(conn, self.organization, &self.done_waiting)
    }

    /// Parked edits that name something that this transaction brings, or whose author it gives grants.
    fn ready(&self, conn: &mut Conn) -> Result<BTreeSet<EditId>> {
        let mut ready = BTreeSet::new();
        if self.command.dry_run {
            return Ok(ready);
        }
        let mut come = Vec::new();
        for planned in &self.planned {
            match &planned.wrote {
                Wrote::Record(Target::Grant(_), stored) => {
                    let fields = records::fields(&stored.record, GrantFields::read)?;
                    if let Some(person) = fields.person_id {
                        ready.extend(inbox::of_author(conn, self.organization, person)?);
                    }
                }
                Wrote::Record(_, stored) if stored.version > 1 => {}
                Wrote::Record(..) | Wrote::Event(_) | Wrote::Edition(_) => come.push(planned.row.record_id),
                Wrote::ModelAdoption(_) | Wrote::Held(_) | Wrote::Refusal => {}
            }
        }
        ready.extend(inbox::waiting_for(conn, self.organization, &come)?);
        Ok(ready)
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
                Wrote::Event(_) | Wrote::Held(_) | Wrote::Refusal => {}
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
