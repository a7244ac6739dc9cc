//! A handset: a replica, a queue of edits that nobody has acknowledged, and the edits that were, kept in case the
//! service loses them.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Base, FieldEdit, HybridClock, Record};
use model::{EditId, Instant, edit::RecordKind, stamp::Stamp};
use serde_json::Map;
use uuid::Uuid;

use crate::wire::{
    Action, Change, Cursor, Edit, Number, Outcome, Person, Ref, Request, Response, Sent, Status, event_body,
};

/// Where an edit of the handset is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// To be sent.
    Queued,
    /// Acknowledged, and waiting for what it is about.
    Parked,
    /// Acknowledged, part of the record from this version on.
    Applied(u64),
    /// Acknowledged; a person decides, or has decided against it.
    Aside,
}

/// One copy of a handset. Copying the store of a handset copies this.
#[derive(Clone, Debug)]
pub struct Handset {
    pub copy: usize,
    /// The numbers it was enrolled under, the last one holds.
    pub numbers: Vec<Number>,
    pub person: Person,
    /// How far its clock is off, in seconds.
    pub skew: i64,
    pub boot: u64,
    pub clock: HybridClock,
    last: Stamp,
    /// The number of its last edit.
    pub counter: u64,
    /// Its edits in order, with where they are.
    pub edits: BTreeMap<At, (Edit, Place)>,
    pub known: BTreeMap<Ref, Sent>,
    pub cursor: Option<Cursor>,
    /// While it fills afresh: what has not come again so far.
    stale: Option<BTreeSet<Ref>>,
    /// Whether it was told that there are two of it.
    pub forked: bool,
    /// Whether nobody knew it.
    pub unknown: bool,
    pub more: bool,
    nonce: u64,
    /// The request that it waits for an answer to, and the number that this went under.
    waits_for: Option<(u64, Number)>,
    /// Whether its edits leave out of their base what it wrote itself.
    pub lean: bool,
    /// Whether parked edits are to be offered again.
    offer_parked: bool,
    /// The parked edit that was offered last: those after it are next, so that all have their turn.
    offered: Option<At>,
    /// How often all parked edits have been offered.
    pub rounds: u64,
}

/// An edit's place in the queue: which of the handset's numbers it was written under, and its own.
type At = (usize, u64);

impl Handset {
    pub fn new(copy: usize, number: Number, person: Person) -> Self {
        Self {
            copy,
            numbers: vec![number],
            person,
            skew: 0,
            boot: 1,
            clock: HybridClock::of(number),
            last: Stamp { clock: 0, handset: number },
            counter: 0,
            edits: BTreeMap::new(),
            known: BTreeMap::new(),
            cursor: None,
            stale: None,
            forked: false,
            unknown: false,
            more: true,
            nonce: 0,
            waits_for: None,
            lean: false,
            offer_parked: false,
            offered: None,
            rounds: 0,
        }
    }

    pub fn number(&self) -> Number {
        self.numbers.last().copied().unwrap()
    }

    pub fn now(&self, now: Instant) -> Instant {
        now.plus_seconds(self.skew)
    }

    /// It starts again, with what it has on its disk.
    pub fn reboot(&mut self) {
        self.boot += 1;
        self.waits_for = None;
        self.clock = HybridClock::resumed(self.last);
    }

    /// It is told that there are two of it, and is enrolled under a new number.
    pub fn enrol_anew(&mut self, number: Number) {
        self.numbers.push(number);
        self.last.handset = number;
        self.clock = HybridClock::resumed(self.last);
        self.counter = 0;
        self.forked = false;
        self.waits_for = None;
    }

    /// A record as its user sees it: what is known with the handset's own edits.
    pub fn view(&self, of: Ref) -> Record {
        let (mut record, version) = match self.known.get(&of) {
            Some(Sent::Record { record, version, .. }) => (record.clone(), *version),
            _ => (Record::default(), 0),
        };
        for (edit, place) in self.edits.values().filter(|(edit, _)| edit.of() == of) {
            let there = match place {
                Place::Queued | Place::Parked => false,
                Place::Applied(with) => *with <= version,
                Place::Aside => true,
            };
            if !there && let Some(edit) = as_field_edit(edit) {
                record = merge::apply(record, &edit, |asked| asked != edit.edit).record;
            }
        }
        record
    }

    /// The units that its user sees, those included that were just made.
    pub fn units(&self) -> Vec<Uuid> {
        let known = self.known.keys().copied();
        let own = self.edits.values().filter(|(_, place)| *place != Place::Aside).map(|(edit, _)| edit.of());
        let all: BTreeSet<Ref> = known.chain(own).collect();
        all.into_iter().filter(|(kind, _)| *kind == RecordKind::Unit).map(|(_, id)| id).collect()
    }

    /// Writes an edit, with what its user has seen.
    pub fn write(&mut self, id: EditId, now: Instant, group: Option<(Uuid, usize)>, action: Action) -> Edit {
        self.last = self.clock.tick(self.now(now)).unwrap();
        self.counter += 1;
        let (number, stamp) = (self.counter, self.last);
        let at = (self.numbers.len() - 1, number);
        let previous = self.edits.get(&(at.0, number - 1)).map(|(edit, _)| edit.id);
        let (author, boot) = (self.person, self.boot);
        let edit = Edit { id, format: 1, number, previous, stamp, author, boot, group, action };
        self.edits.insert(at, (edit.clone(), Place::Queued));
        edit
    }

    /// What its user has seen of some fields, and as much of that as the handset tells.
    pub fn base(&self, of: Ref, fields: &Map<String, serde_json::Value>) -> (Base, Base) {
        let seen = self.view(of).seen();
        let all = if fields.get(merge::RETIRED).is_some_and(|value| !value.is_null()) {
            seen
        } else {
            seen.only(fields)
        };
        if !self.lean {
            return (all.clone(), all);
        }
        let others = |versions: &BTreeSet<merge::Version>| {
            versions.iter().filter(|version| version.raw.handset != self.number()).copied().collect()
        };
        let told = all.iter().map(|(field, versions)| (field.to_owned(), others(versions))).collect();
        (all, told)
    }

    fn place(&mut self, id: EditId) -> Option<&mut (Edit, Place)> {
        self.edits.values_mut().find(|(edit, _)| edit.id == id)
    }

    /// Whether it waits for an answer.
    pub fn waits(&self) -> bool {
        self.waits_for.is_some()
    }

    pub fn queued(&self) -> usize {
        self.edits.values().filter(|(_, place)| *place == Place::Queued).count()
    }

    /// The next request: edits in order, all of one number.
    pub fn request(&mut self, now: Instant, at_most: usize, pull: bool) -> Request {
        self.nonce += 1;
        let of = |wanted: Place| {
            self.edits
                .iter()
                .filter(move |(_, (_, place))| *place == wanted)
                .map(|(at, (edit, _))| (*at, edit))
        };
        let parked: Vec<_> = of(Place::Parked).filter(|(at, _)| Some(*at) > self.offered).collect();
        let queue =
            if self.offer_parked && !parked.is_empty() { parked } else { of(Place::Queued).collect() };
        let under = queue.first().map_or(self.numbers.len() - 1, |((under, _), _)| *under);
        let edits = queue.iter().filter(|((of, _), _)| *of == under).map(|(_, edit)| (*edit).clone());
        let edits: Vec<Edit> = edits.take(at_most).collect();
        let waiting = self.queued() + of(Place::Parked).count();
        self.waits_for = Some((self.nonce, self.numbers[under]));
        Request {
            nonce: self.nonce,
            copy: self.copy,
            handset: self.numbers[under],
            person: self.person,
            clock: self.now(now),
            boot: self.boot,
            cursor: self.cursor.clone(),
            waiting,
            edits,
            pull,
        }
    }

    /// Reads an answer, unless it is to a request that was given up.
    pub fn read(&mut self, response: Response) -> Result<(), String> {
        let Some((_, under)) = self.waits_for.take_if(|(nonce, _)| *nonce == response.nonce) else {
            return Ok(());
        };
        self.unknown = response.status == Status::Unknown;
        if self.unknown {
            return Ok(());
        }
        self.clock.hear(response.clock);
        self.last.clock = self.last.clock.max(response.clock.clock);
        self.forked |= response.forked && under == self.number();
        for (id, outcome) in response.results {
            let (at, (_, place)) = self
                .edits
                .iter_mut()
                .find(|(_, (edit, _))| edit.id == id)
                .ok_or("an answer about an edit that was not sent")?;
            if *place == Place::Parked {
                self.offered = self.offered.max(Some(*at));
            }
            *place = match outcome {
                Outcome::Applied(version) => Place::Applied(version),
                Outcome::Parked => Place::Parked,
                Outcome::Held | Outcome::Refused => Place::Aside,
            };
        }
        let left =
            |(at, (_, place)): (&At, &(Edit, Place))| *place == Place::Parked && Some(*at) > self.offered;
        if !self.edits.iter().any(left) {
            self.offered = None;
            self.rounds += 1;
        }
        self.offer_parked = !self.offer_parked;
        self.more = response.more;
        match response.status {
            Status::Restored => {
                self.offer_again();
                return Ok(());
            }
            Status::ScopeChanged => self.fill_afresh(),
            Status::Ok | Status::Unknown | Status::Revoked => {}
        }
        for change in response.changes {
            if !self.apply(change) {
                // Somebody else counts as this handset: there are two of it.
                self.forked = true;
                self.offer_again();
                return Ok(());
            }
        }
        self.cursor = response.cursor;
        if !response.more && self.cursor.is_some() && response.status == Status::Ok {
            for gone in self.stale.take().unwrap_or_default() {
                self.known.remove(&gone);
            }
        }
        Ok(())
    }

    fn fill_afresh(&mut self) {
        self.cursor = None;
        self.more = true;
        self.stale = Some(self.known.keys().copied().collect());
    }

    /// The service has lost rows: all that it acknowledged is offered again.
    fn offer_again(&mut self) {
        self.fill_afresh();
        self.edits.values_mut().for_each(|(_, place)| *place = Place::Queued);
    }

    fn keep(&mut self, of: Ref, sent: Sent) {
        if let Some(stale) = &mut self.stale {
            stale.remove(&of);
        }
        self.known.insert(of, sent);
    }

    /// Takes over a change; says whether it could.
    fn apply(&mut self, change: Change) -> bool {
        match change {
            Change::Is(of, sent) => self.keep(of, sent),
            Change::Unit(unit, sent, events) => {
                self.known.retain(|_, known| !matches!(known, Sent::Fact { unit: of, .. } if *of == unit));
                self.keep((RecordKind::Unit, unit), sent);
                events.into_iter().for_each(|(of, sent)| self.keep(of, sent));
            }
            Change::Forget(of) => {
                self.known.remove(&of);
                self.known.retain(|_, known| !matches!(known, Sent::Fact { unit, .. } if *unit == of.1));
            }
            Change::Echo(of, edits) => return self.echo(of, &edits),
        }
        true
    }

    /// Does to the replica what the service did with the handset's own edits.
    fn echo(&mut self, of: Ref, edits: &[(EditId, u64)]) -> bool {
        if self.stale.as_mut().is_some_and(|stale| stale.remove(&of)) {
            self.known.remove(&of);
        }
        for (id, version) in edits {
            let Some((edit, _)) = self.place(*id).cloned() else { return false };
            let known = match self.known.get(&of) {
                Some(Sent::Record { version, .. }) => *version,
                Some(Sent::Fact { .. }) => 1,
                None => 0,
            };
            // What it was not sent, since it was retired or elsewhere when that was read, comes whole when it comes.
            if known + 1 != *version {
                continue;
            }
            let sent = match (&edit.action, self.known.remove(&of)) {
                (Action::Event { unit, what, occurred }, _) => {
                    Sent::Fact { unit: *unit, body: event_body(*unit, what, *occurred) }
                }
                (_, Some(Sent::Record { record, version, .. })) => with(record, version, &edit),
                (..) => with(Record::default(), 0, &edit),
            };
            self.keep(of, sent);
        }
        true
    }
}

fn with(record: Record, version: u64, edit: &Edit) -> Sent {
    let Some(edit) = as_field_edit(edit) else { panic!("{edit:?} sets no fields") };
    let record = merge::apply(record, &edit, |asked| asked != edit.edit).record;
    let values = record.values();
    let contested = record.contested().into_iter().map(str::to_owned).collect();
    Sent::Record { record, version: version + 1, values, contested }
}

fn as_field_edit(edit: &Edit) -> Option<FieldEdit> {
    let (fields, base) = match &edit.action {
        Action::Create { fields, .. } => (fields, Base::default()),
        Action::Set { fields, base, .. } => (fields, base.clone()),
        Action::Event { .. } => return None,
    };
    Some(FieldEdit {
        edit: edit.id,
        effective: edit.stamp,
        raw: edit.stamp,
        fields: fields.clone(),
        base,
        chained: true,
    })
}
