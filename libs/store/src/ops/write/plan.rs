//! What a transaction has decided to write, and the writing of it, the organization's counter last.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use model::{EditId, EventId, Instant, edit::Target, external::EXTERNAL_IDS, person::GrantFields};

use super::super::super::Conn;
use super::super::{
    blobs::{self, AttachmentRow},
    contexts::{self, Versions},
    editions,
    events::EventRow,
    external_ids::{self, ExternalIds},
    fingerprints,
    held::{self, HeldRow},
    imports,
    inbox::{self, InboxRow},
    inserts, kin,
    log::{self, FeedRow, LogRow},
    model_adoptions,
    other_content::{self, Other},
    private_texts::TextRow,
    readiness,
    records::{self, RecordRow, Stored},
    scope,
};
use super::{Kept, Moved, Planned, Work, Wrote, fold::Folded, known::Known, receive::Noted};
use crate::{
    Recorded,
    command::{Command, Outcome},
    error::{Result, StoreError},
    key::Key,
    locks::Attempt,
    sent::{Calling, Group},
};

/// Everything that a command comes to, before its rows have their numbers.
pub(crate) struct Plan {
    organization: Key,
    command: Arc<Command>,
    recorded: Recorded,
    rows: Vec<LogRow>,
    /// What each of the rows does beside the log.
    effects: Vec<Effect>,
    records: Vec<RecordRow>,
    /// The records whose ids in other systems change, with those that they have then.
    external: Vec<ExternalIds>,
    /// The events that it adds, each where the fold has placed it in time.
    events: Vec<EventRow>,
    /// The photos and papers that they name.
    attachments: Vec<AttachmentRow>,
    texts: Vec<TextRow>,
    folded: Folded,
    beside: BesideLog,
    /// What is known of the handset whose edits they are.
    noted: Option<Noted>,
    /// How often each context changes.
    changes: Versions,
    /// The groups of units that it makes or makes larger.
    grown: kin::Groups,
    /// The groups to which edits that wait belong.
    groups: Vec<Group>,
}

/// What a row does beside the log.
struct Effect {
    wrote: Wrote,
    scope: Option<Moved>,
    revived: bool,
}

/// What is kept beside the log, and what is no more.
#[derive(Default)]
struct BesideLog {
    /// Edits that could not be read when they were kept, and can be by now.
    read: Vec<Key>,
    rows: Vec<InboxRow>,
    texts: Vec<TextRow>,
    others: Vec<Other>,
    /// Edits that were kept and are in the log now.
    done_waiting: Vec<Key>,
}

impl Plan {
    pub(super) fn new(
        work: Work<'_>,
        folded: Folded,
        mut outcomes: Vec<Outcome>,
        unread: Vec<Outcome>,
        command: &Arc<Command>,
    ) -> Result<Self> {
        let organization = work.organization;
        let moved: BTreeMap<EventId, Instant> = folded.moved().iter().copied().collect();
        for event in outcomes.iter_mut().filter_map(Outcome::event_mut) {
            event.occurred_at = moved.get(&event.id).copied().unwrap_or(event.occurred_at);
        }
        let forked = work.caller.as_ref().is_some_and(|caller| caller.state.chain.forked());
        let changes = folded.answers().changes.clone();
        let recorded = Recorded { outcomes, unread, changes, ready: BTreeSet::new(), forked };
        let events = events_of(&work.planned, &folded)?;
        let attachments = attachments_of(&work.planned);
        let texts = work.planned.iter().flat_map(|planned| {
            planned.body.sealed.iter().map(|text| TextRow::new(organization, planned.row.edit_id, text))
        });
        let texts = texts.collect();
        let records = records_of(organization, &work.planned)?;
        let external = external_of(organization, &work.planned);
        let beside = BesideLog::new(&work.known, work.kept, work.others, work.done_waiting);
        let noted = work.caller.map(|caller| caller.noted(&work.planned));
        let parts = work.planned.into_iter().map(|planned| {
            let Planned { row, wrote, scope, revived, .. } = planned;
            (row, Effect { wrote, scope, revived })
        });
        let (rows, effects) = parts.unzip();
        Ok(Self {
            organization,
            command: Arc::clone(command),
            recorded,
            rows,
            effects,
            records,
            external,
            events,
            attachments,
            texts,
            folded,
            beside,
            noted,
            changes: work.changes,
            grown: work.grown,
            groups: work.groups,
        })
    }

    /// What would be recorded.
    pub(crate) fn foreseen(self) -> Recorded {
        self.recorded
    }

    /// Writes it.
    pub(crate) fn write(mut self, conn: &mut Conn) -> Result<Attempt> {
        std::mem::take(&mut self.beside).write(conn, self.organization)?;
        if let Some(noted) = self.noted.take() {
            noted.write(conn, &self.command)?;
        }
        if let Some(slice) = &self.command.slice {
            imports::note(conn, &slice.lease, &(slice.note)(&self.recorded.outcomes))?;
        }
        let stale = if self.rows.is_empty() { false } else { self.record(conn)? };
        self.recorded.ready = self.ready(conn)?;
        Ok(Attempt::Done(self.recorded, stale))
    }

    /// Adds to the log and to what follows from it, the organization's counter last. Says whether units are left stale.
    fn record(&mut self, conn: &mut Conn) -> Result<bool> {
        self.write_records(conn)?;
        let (told, folded_with) = std::mem::take(&mut self.folded).write(conn, self.organization)?;
        kin::put(conn, self.organization, &self.grown)?;
        inserts::private_texts(conn, &self.texts)?;
        let count = i64::try_from(self.rows.len()).unwrap_or(i64::MAX);
        let (first, recorded_at) = log::take_numbers(conn, self.organization, count, self.command.now)?;
        contexts::count(conn, self.organization, &self.changes)?;
        let overtaken = contexts::overtaken(conn, self.organization, &folded_with)?;
        let stale = overtaken || !self.changes.is_empty() && contexts::settle(conn, self.organization)?;
        self.number(first, recorded_at)?;
        inserts::log(conn, &self.rows)?;
        inserts::events(conn, &self.events)?;
        inserts::attachments(conn, &self.attachments)?;
        blobs::name(conn, &self.attachments)?;
        inserts::feed(conn, &self.lines())?;
        self.write_decisions(conn)?;
        inserts::outbox(conn, &log::outbox_rows(self.organization, first + count - 1, 0, &told))?;
        self.add_to_fingerprints(conn)?;
        Ok(stale)
    }

    /// Gives the rows their numbers and all of it the time at which it is recorded.
    fn number(&mut self, first: i64, recorded_at: i64) -> Result<()> {
        for (row, seq) in self.rows.iter_mut().zip(first..) {
            (row.seq, row.recorded_at) = (seq, recorded_at);
            row.leaf_hash = row.leaf()?.as_bytes().to_vec();
        }
        self.events.iter_mut().for_each(|event| event.recorded_at = recorded_at);
        let new: BTreeSet<EventId> = self.rows.iter().map(|row| row.record_id.id()).collect();
        for outcome in &mut self.recorded.outcomes {
            if let Some(event) = outcome.event_mut().filter(|event| new.contains(&event.id)) {
                event.recorded_at = Instant::from_micros(recorded_at);
            }
        }
        Ok(())
    }

    /// The lines of the feed; what waits for a person or was refused by one has none.
    fn lines(&self) -> Vec<FeedRow> {
        let mut lines = Vec::new();
        for (row, Effect { wrote, scope, revived }) in self.rows.iter().zip(&self.effects) {
            match scope {
                _ if matches!(wrote, Wrote::Held(_) | Wrote::Refusal) => {}
                Some((before, after)) => lines.extend(scope::lines_of_unit(row, before, after, *revived)),
                None => lines.push(scope::line_of_record(row)),
            }
        }
        lines
    }

    /// Notes what waits for a person now, and what does no more.
    fn write_decisions(&self, conn: &mut Conn) -> Result<()> {
        let (mut held, mut decided) = (Vec::new(), Vec::new());
        for (row, effect) in self.rows.iter().zip(&self.effects) {
            match effect.wrote {
                Wrote::Held(_) => held.push(HeldRow::of(row)),
                Wrote::Refusal => decided.push(row.edit_id),
                _ if row.row_kind == log::RELEASED => decided.push(row.edit_id),
                _ => {}
            }
        }
        inserts::held(conn, &held)?;
        held::remove(conn, self.organization, &decided)
    }

    /// Keeps what is told of the units in one number; the last step, since it covers when a row was recorded.
    fn add_to_fingerprints(&self, conn: &mut Conn) -> Result<()> {
        let (mut records, mut events) = (BTreeMap::new(), Vec::new());
        for (row, effect) in self.rows.iter().zip(&self.effects) {
            match &effect.wrote {
                Wrote::Record(Target::Unit(unit), stored) => {
                    drop(records.insert(Key::from(*unit), stored.clone()))
                }
                Wrote::Event(_) => events.push(row),
                _ => {}
            }
        }
        let records: Vec<(Key, Stored)> = records.into_iter().collect();
        fingerprints::add(conn, self.organization, &records, &events)
    }

    /// Parked edits that name something that this transaction brings, or whose author it gives grants.
    fn ready(&self, conn: &mut Conn) -> Result<BTreeSet<EditId>> {
        let mut ready = BTreeSet::new();
        let mut come = Vec::new();
        for (row, effect) in self.rows.iter().zip(&self.effects) {
            match &effect.wrote {
                Wrote::Record(Target::Grant(_), stored) => {
                    let fields = records::fields(&stored.record, GrantFields::read)?;
                    if let Some(person) = fields.person_id {
                        ready.extend(inbox::of_author(conn, self.organization, person)?);
                    }
                }
                Wrote::Record(_, stored) if stored.version > 1 => {}
                Wrote::Record(..) | Wrote::Event(_) | Wrote::Edition(_) => come.push(row.record_id),
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
        let mut added = Vec::new();
        for (row, effect) in self.rows.iter().zip(&self.effects) {
            match &effect.wrote {
                Wrote::Edition(view) => added.push((view, row.body.as_str())),
                Wrote::ModelAdoption(adoption) => {
                    model_adoptions::add(conn, self.organization, adoption, &row.body)?;
                }
                Wrote::Record(..) | Wrote::Event(_) | Wrote::Held(_) | Wrote::Refusal => {}
            }
        }
        editions::add(conn, self.organization, &added)?;
        inserts::records(conn, &self.records)?;
        readiness::sites_wait(conn, &self.records)?;
        external_ids::put(conn, self.organization, &self.external)
    }
}

/// Each record as it is after the last of the rows about it.
fn records_of(organization: Key, planned: &[Planned]) -> Result<Vec<RecordRow>> {
    let mut last: BTreeMap<Target, &Stored> = BTreeMap::new();
    for planned in planned {
        if let Wrote::Record(target, stored) = &planned.wrote {
            last.insert(*target, stored);
        }
    }
    last.into_iter().map(|(target, stored)| RecordRow::new(organization, target, stored)).collect()
}

/// The records whose ids in other systems change, as they are after the last of the rows about them.
fn external_of(organization: Key, planned: &[Planned]) -> Vec<ExternalIds> {
    let mut last: BTreeMap<Target, ExternalIds> = BTreeMap::new();
    for planned in planned.iter().filter(|planned| planned.body.value.get(EXTERNAL_IDS).is_some()) {
        if let Wrote::Record(target, stored) = &planned.wrote {
            let is_new = stored.version == 1 || last.get(target).is_some_and(|ids| ids.is_new);
            last.insert(*target, ExternalIds::new(organization, *target, stored, is_new));
        }
    }
    last.into_values().collect()
}

/// The events that the rows add, each where the fold has placed it in time.
fn events_of(planned: &[Planned], folded: &Folded) -> Result<Vec<EventRow>> {
    let placed = &folded.answers().placed;
    let mut rows = Vec::new();
    for planned in planned {
        if let Wrote::Event(event) = &planned.wrote {
            let missing = || StoreError::corrupt("plan")(&"a place is missing");
            rows.push(EventRow::of(&planned.row, event, *placed.get(&event.id).ok_or_else(missing)?));
        }
    }
    Ok(rows)
}

/// The photos and papers that the events name.
fn attachments_of(planned: &[Planned]) -> Vec<AttachmentRow> {
    let named = planned.iter().map(|planned| match &planned.wrote {
        Wrote::Event(event) => blobs::attachments_of(&planned.row, event),
        _ => Vec::new(),
    });
    named.flatten().collect()
}

impl BesideLog {
    fn new(known: &Known, kept: Vec<Kept>, others: Vec<Other>, done_waiting: Vec<Key>) -> Self {
        let kept = kept.into_iter().map(|kept| (kept.row, kept.texts));
        let (rows, texts): (Vec<InboxRow>, Vec<Vec<TextRow>>) = kept.unzip();
        let unread = |edit: &Key| known.beside(edit.id()).is_some_and(InboxRow::is_unread);
        let read = rows.iter().filter(|row| !row.is_unread()).map(|row| row.edit_id).filter(unread);
        let read = read.collect();
        Self { read, rows, texts: texts.into_iter().flatten().collect(), others, done_waiting }
    }

    fn write(self, conn: &mut Conn, organization: Key) -> Result<()> {
        // What can be read by now takes the place of what could not.
        inbox::remove(conn, organization, &self.read)?;
        inbox::keep(conn, &self.rows)?;
        inserts::private_texts(conn, &self.texts)?;
        other_content::keep(conn, self.others)?;
        inbox::remove(conn, organization, &self.done_waiting)
    }
}
