//! The one transaction that writes.
//!
//! Lock what the edits write, target or name; read; judge each edit; fold each unit once: that is the [`Plan`]. Then write
//! it, and as the last step take the organization's counter and add to log, feed and outbox. A dry run is the same up to the
//! plan, and writes nothing. The plan may be made in another transaction before, as long as none of its locks was taken by
//! another write meanwhile.

mod answer;
mod broken;
mod correct;
mod external_ids;
mod fold;
mod for_model;
mod group;
mod judge;
mod known;
mod named;
mod other_content;
mod outages;
mod plan;
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
    PersonId, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{ModelAdoption, ServiceEvent},
};

pub(crate) use self::plan::Plan;
use self::{fold::Touched, judge::Judged, known::Known, receive::Caller, sent::Beside};
use super::super::{Conn, dialect};
use super::{
    contexts::Versions, inbox::InboxRow, kin, log::LogRow, other_content::Other, private_texts::TextRow,
    records::Stored,
};
use crate::{
    body::Body,
    command::Command,
    error::Result,
    key::Key,
    locks::{self, Attempt, Locks, lock_of},
    sent::{Calling, Group},
    view::EditionView,
};

/// Runs the whole transaction with `extra` locked beside what the edits name.
pub(crate) fn write(
    conn: &mut Conn,
    command: &Arc<Command>,
    bodies: &[Arc<Body>],
    extra: &Locks,
) -> Result<Attempt> {
    let locks = locks(command, extra);
    if !command.dry_run {
        dialect::lock(conn, Key::from(command.organization), &locks::records(&locks))?;
    }
    match plan(conn, command, bodies, &locks)? {
        Planning::Again(locks) => Ok(Attempt::Again(locks)),
        Planning::Ready(plan) if command.dry_run => Ok(Attempt::Done(plan.foreseen(), false)),
        Planning::Ready(plan) => plan.write(conn),
    }
}

/// What the edits of a command write, target or name, and `extra`.
pub(crate) fn locks(command: &Command, extra: &Locks) -> Locks {
    let mut locks = extra.clone();
    let handset = command.calling.as_ref().map(Calling::handset);
    locks.extend(handset.map(|handset| lock_of(RecordKind::Handset, Key::from(handset))));
    locks.extend(command.edits.iter().flat_map(|proposal| named::locks(&proposal.edit.action)));
    locks
}

/// What reading and judging come to.
pub(crate) enum Planning {
    /// All that will be written.
    Ready(Box<Plan>),
    /// Reading named more records: once more, with these locked.
    Again(Locks),
}

/// Reads, judges and folds under these locks; nothing is written.
pub(crate) fn plan(
    conn: &mut Conn,
    command: &Arc<Command>,
    bodies: &[Arc<Body>],
    locks: &Locks,
) -> Result<Planning> {
    let mut work = Work::begin(conn, command, locks)?;
    let mut judged = work.judge_all(conn, bodies)?;
    if let Some(fates) = group::fates(command, &judged, &work.planned) {
        work = Work::begin(conn, command, locks)?;
        judged = work.share_fate(conn, bodies, &fates)?;
    }
    if let Some(refused) = group::none_of_them(command, &judged) {
        work = Work::begin(conn, command, locks)?;
        judged = refused;
    }
    let mut unread = work.keep_unread(conn)?;
    work.refuse_broken_groups(conn, &mut judged, &mut unread)?;
    work.touch_kin(conn)?;
    if !work.more.is_empty() {
        work.more.extend(work.locks);
        return Ok(Planning::Again(work.more));
    }
    let folded = work.fold_units(conn)?;
    work.planned.iter_mut().for_each(|planned| planned.row.recorded_at = command.now.micros());
    let outcomes = answer::outcomes(conn, work.organization, judged, &work.planned, folded.answers())?;
    Ok(Planning::Ready(Box::new(Plan::new(work, folded, outcomes, unread, command)?)))
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
}
