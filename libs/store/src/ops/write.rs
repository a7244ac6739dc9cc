//! The one transaction that writes.
//!
//! Lock what the edits write, target or name; read; judge each edit; fold each unit once; and as the last step take
//! the organization's counter and add to log, feed and outbox. A dry run is the same up to that step, and writes
//! nothing.

mod answer;
mod broken;
mod correct;
mod doubts;
mod fold;
mod for_model;
mod group;
mod judge;
mod known;
mod named;
mod other_content;
mod receive;
mod refer;
mod row;
mod sent;
mod together;
mod unread;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use merge::{Flag, Reason};
use model::{
    EditId, EventId, Instant, PersonId, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{ModelAdoption, ServiceEvent},
    person::GrantFields,
};

use self::{
    fold::{Folded, Touched},
    judge::Judged,
    known::Known,
    receive::Caller,
    sent::Beside,
};
use super::super::{Conn, dialect};
use super::{
    contexts::{self, Versions},
    editions,
    events::EventRow,
    fingerprints,
    held::{self, HeldRow},
    inbox::{self, InboxRow},
    inserts, kin,
    log::{self, LogRow},
    model_adoptions,
    other_content::Other,
    private_texts::TextRow,
    records::{self, RecordRow, Stored},
    scope,
};
use crate::{
    Recorded,
    body::Body,
    command::Command,
    error::{Result, StoreError},
    key::Key,
    locks::{Attempt, Locks, lock_of},
    sent::{Calling, Group},
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
    let handset = command.calling.as_ref().map(Calling::handset);
    locks.extend(handset.map(|handset| lock_of(RecordKind::Handset, Key::from(handset))));
    locks.extend(command.edits.iter().flat_map(|proposal| named::locks(&proposal.edit.action)));
    let organization = Key::from(command.organization);
    if !command.dry_run {
        let ordered: Vec<(&'static str, Key)> = locks.iter().map(|(_, kind, id)| (*kind, *id)).collect();
        dialect::lock(conn, organization, &ordered)?;
    }
    let mut work = Work::begin(conn, command, &locks)?;
    let mut judged = work.judge_all(conn, bodies)?;
    if let Some(fates) = group::fates(command, &judged, &work.planned) {
        work = Work::begin(conn, command, &locks)?;
        judged = work.share_fate(conn, bodies, &fates)?;
    }
    if let Some(refused) = group::not_decided(command, &judged) {
        work = Work::begin(conn, command, &locks)?;
        judged = refused;
    }
    let mut unread = work.keep_unread(conn)?;
    work.refuse_broken_groups(conn, &mut judged, &mut unread)?;
    let forked = work.caller.as_ref().is_some_and(|caller| caller.state.chain.forked());
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
    Ok(Attempt::Done(Recorded { outcomes, unread, changes: answers.changes, ready, forked }, stale))
}

/// What the transaction has read and means to write.
struct Work<'c> {
    organization: Key,
    command: &'c Command,
    /// Whose edit is being judged.
    asking: PersonId,
    /// Whether a handset sent it.
    offline: bool,
    /// The handset whose edits are judged.
    caller: Option<Caller>,
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
    /// What came under the ids of other edits.
    others: Vec<Other>,
    /// How many of these are kept at most, once that has been asked.
    room_for_others: Option<i64>,
    /// The edits whose ids were used before, each with its group, whether what they say was kept before or not.
    reused: Vec<(Option<Key>, Key)>,
    /// Edits that were kept and are in the log now.
    done_waiting: Vec<Key>,
    /// The groups to which edits that wait belong.
    groups: Vec<Group>,
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
    beside: Beside,
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
    /// Whether it ends the retirement of a unit.
    revived: bool,
    /// Whether its handset can do it by itself, so that it is told no more than the version.
    echoes: bool,
}

/// The sites that have a unit in scope before a row and after it.
type Moved = (BTreeSet<SiteId>, BTreeSet<SiteId>);

impl Planned {
    fn new(row: LogRow, body: Arc<Body>, wrote: Wrote, scope: Option<Moved>) -> Self {
        Self {
            row,
            body,
            wrote,
            scope,
            contested: Vec::new(),
            flags: BTreeSet::new(),
            revived: false,
            echoes: false,
        }
    }

    /// The version that its record came to, if its handset can do it by itself.
    fn echoed(&self) -> Option<(Key, i64)> {
        let version = match &self.wrote {
            Wrote::Record(_, stored) => stored.version,
            Wrote::Event(_) => 1,
            _ => return None,
        };
        self.echoes.then_some((self.row.edit_id, version))
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

impl<'c> Work<'c> {
    fn begin(conn: &mut Conn, command: &'c Command, locks: &Locks) -> Result<Self> {
        let known = Known::load(conn, command)?;
        Ok(Self {
            organization: Key::from(command.organization),
            command,
            asking: command.author,
            offline: false,
            caller: Caller::of(conn, command, &known)?,
            locks: locks.clone(),
            more: Locks::new(),
            known,
            units: BTreeMap::new(),
            zones: BTreeMap::new(),
            changes: Versions::new(),
            refolding: 0,
            planned: Vec::new(),
            kept: Vec::new(),
            others: Vec::new(),
            room_for_others: None,
            reused: Vec::new(),
            done_waiting: Vec::new(),
            groups: Vec::new(),
            together: kin::Groups::default(),
            grown: kin::Groups::default(),
        })
    }

    /// Judges every edit, of handsets those first that make what others need; says what became of each, as they came.
    fn judge_all(&mut self, conn: &mut Conn, bodies: &[Arc<Body>]) -> Result<Vec<Judged>> {
        let edits = &self.command.edits;
        let of_handset = edits.iter().any(|proposal| proposal.sent.is_some());
        let order = if of_handset {
            merge::parents_first(&edits.iter().map(named::needs).collect::<Vec<_>>())
        } else {
            (0..edits.len()).collect()
        };
        let mut judged: Vec<(usize, Judged)> = Vec::with_capacity(edits.len());
        for at in order {
            if let (Some(proposal), Some(body)) = (edits.get(at), bodies.get(at)) {
                judged.push((at, self.judge(conn, proposal, body)?));
            }
        }
        judged.sort_by_key(|(at, _)| *at);
        Ok(judged.into_iter().map(|(_, judged)| judged).collect())
    }

    /// Writes everything, the organization's counter last; of a dry run nothing. Says whether units are left stale.
    fn record(&mut self, conn: &mut Conn, folded: Folded) -> Result<bool> {
        if !self.command.dry_run {
            self.keep(conn)?;
            if let Some(caller) = self.caller.take() {
                caller.note(conn, self.command, &self.planned)?;
            }
        }
        if self.command.dry_run || self.planned.is_empty() {
            self.planned.iter_mut().for_each(|planned| planned.row.recorded_at = self.command.now.micros());
            return Ok(false);
        }
        self.write_records(conn)?;
        let placed = folded.placed();
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
                Some((before, after)) => {
                    lines.extend(scope::lines_of_unit(row, before, after, planned.revived))
                }
                None => lines.push(scope::line_of_record(row)),
            }
            rows.push(row.clone());
        }
        inserts::log(conn, &rows)?;
        inserts::events(conn, &self.new_events(&placed)?)?;
        inserts::feed(conn, &lines)?;
        inserts::held(conn, &held)?;
        held::remove(conn, self.organization, &decided)?;
        inserts::outbox(conn, &log::outbox_rows(self.organization, first + count - 1, 0, &told))?;
        self.add_to_fingerprints(conn)?;
        Ok(stale)
    }

    /// The events that it adds, as they were recorded; each stands where the fold has `placed` it in time.
    fn new_events(&self, placed: &BTreeMap<EventId, Instant>) -> Result<Vec<EventRow>> {
        let mut rows = Vec::new();
        for planned in &self.planned {
            if let Wrote::Event(event) = &planned.wrote {
                let at = placed
                    .get(&event.id)
                    .ok_or_else(|| StoreError::corrupt("plan")(&"a place is missing"))?;
                rows.push(EventRow::of(&planned.row, event, *at));
            }
        }
        Ok(rows)
    }

    /// Keeps what is told of the units in one number; the last step, since it covers when a row was recorded.
    fn add_to_fingerprints(&self, conn: &mut Conn) -> Result<()> {
        let (mut records, mut events) = (BTreeMap::new(), Vec::new());
        for planned in &self.planned {
            match &planned.wrote {
                Wrote::Record(Target::Unit(unit), stored) => {
                    drop(records.insert(Key::from(*unit), stored.clone()))
                }
                Wrote::Event(_) => events.push(&planned.row),
                _ => {}
            }
        }
        let records: Vec<(Key, Stored)> = records.into_iter().collect();
        fingerprints::add(conn, self.organization, &records, &events)
    }

    /// Writes what is kept beside the log, and takes out of it what is in the log now.
    fn keep(&mut self, conn: &mut Conn) -> Result<()> {
        let kept = std::mem::take(&mut self.kept).into_iter().map(|kept| (kept.row, kept.texts));
        let (rows, texts): (Vec<InboxRow>, Vec<Vec<TextRow>>) = kept.unzip();
        // What can be read by now takes the place of what could not.
        let unread = |edit: &Key| self.known.beside(edit.id()).is_some_and(InboxRow::is_unread);
        let read = rows.iter().filter(|row| !row.is_unread()).map(|row| row.edit_id).filter(unread);
        inbox::remove(conn, self.organization, &read.collect::<Vec<_>>())?;
        inbox::keep(conn, &rows)?;
        let texts: Vec<TextRow> = texts.into_iter().flatten().collect();
        inserts::private_texts(conn, &texts)?;
        super::other_content::keep(conn, std::mem::take(&mut self.others))?;
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
        if let Some(Calling::Push(push)) = &self.command.calling {
            for group in &self.groups {
                ready.extend(inbox::complete(conn, self.organization, Key::from(push.handset), *group)?);
            }
        }
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
