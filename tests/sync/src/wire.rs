//! What handsets and the service say to each other.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Base, Item, Record};
use model::{EditId, Instant, edit::RecordKind, stamp::Stamp};
use proof::Hash;
use serde_json::{Map, Value, json};
use uuid::Uuid;

/// The name of a record or fact.
pub type Ref = (RecordKind, Uuid);
/// A place where units stand.
pub type Site = Uuid;
/// Somebody who writes and reads.
pub type Person = u32;
/// A handset's number.
pub type Number = u32;

/// What somebody wants.
#[derive(Clone, Debug)]
pub struct Edit {
    pub id: EditId,
    pub format: u32,
    pub number: u64,
    /// The edit that its handset wrote just before it.
    pub previous: Option<EditId>,
    pub stamp: Stamp,
    pub author: Person,
    pub boot: u64,
    /// The group it belongs to, and how many edits that has.
    pub group: Option<(Uuid, usize)>,
    pub action: Action,
}

#[derive(Clone, Debug)]
pub enum Action {
    /// A new unit with these fields.
    Create { of: Ref, fields: Map<String, Value> },
    /// Fields of a record set.
    Set { of: Ref, fields: Map<String, Value>, base: Base },
    /// A fact about a unit.
    Event { unit: Uuid, what: What, occurred: Instant },
}

#[derive(Clone, Debug)]
pub enum What {
    /// A reading of the meter.
    Reading(u32),
    /// The unit stands at a site from then on.
    Placement(Site),
    /// An entry was wrong.
    Void(Uuid),
}

impl Edit {
    /// What it writes.
    pub fn of(&self) -> Ref {
        match &self.action {
            Action::Create { of, .. } | Action::Set { of, .. } => *of,
            Action::Event { .. } => (RecordKind::ServiceEvent, self.id.uuid()),
        }
    }

    /// The unit it is about.
    pub fn unit(&self) -> Option<Uuid> {
        match &self.action {
            Action::Create { of, .. } | Action::Set { of, .. } => (of.0 == RecordKind::Unit).then_some(of.1),
            Action::Event { unit, .. } => Some(*unit),
        }
    }

    /// The hash by which a repeat is recognised.
    pub fn hash(&self) -> Hash {
        let (kind, id) = self.of();
        let body = match &self.action {
            Action::Create { fields, .. } | Action::Set { fields, .. } => json!(fields),
            Action::Event { unit, what, occurred } => event_body(*unit, what, *occurred),
        };
        proof::content_hash(kind, id, &proof::canonical(&body).unwrap())
    }
}

/// A fact as it is told.
pub fn event_body(unit: Uuid, what: &What, at: Instant) -> Value {
    let what = match what {
        What::Reading(hours) => json!({"reading": hours}),
        What::Placement(site) => json!({"placement": site.to_string()}),
        What::Void(event) => json!({"void": event.to_string()}),
    };
    json!({"unit": unit.to_string(), "what": what, "at": at.micros()})
}

/// A record or fact as the service sends it.
#[derive(Clone, Debug, PartialEq)]
pub enum Sent {
    Record { record: Record, version: u64, values: Map<String, Value>, contested: BTreeSet<String> },
    Fact { unit: Uuid, body: Value },
}

impl Sent {
    /// What the fingerprint covers of it.
    pub fn hash(&self, (kind, id): Ref) -> Hash {
        let body = match self {
            Self::Record { record, version, values, contested } => {
                json!({"record": record, "version": version, "values": values, "contested": contested})
            }
            Self::Fact { body, .. } => body.clone(),
        };
        proof::content_hash(kind, id, &proof::canonical(&body).unwrap())
    }
}

/// A change, as a page has it.
#[derive(Clone, Debug)]
pub enum Change {
    /// A record or fact as it is now; none where it is gone.
    Is(Ref, Sent),
    /// Own edits of a record that were accepted, each with the version it came to.
    Echo(Ref, Vec<(EditId, u64)>),
    /// A unit with all its events.
    Unit(Uuid, Sent, BTreeMap<Ref, Sent>),
    /// A unit or a site that is out of scope.
    Forget(Ref),
}

/// A place in the log that a reader has been told of: it fits while the log has that row.
pub type Mark = Option<(u64, Hash)>;

/// Where a reader is. Handsets hand it back and look at nothing of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Cursor {
    /// The sites that the reader's replica was made for.
    pub sites: BTreeSet<Site>,
    /// The sites it is made for next, while it changes over.
    pub next: Option<BTreeSet<Site>>,
    /// Sites whose lines are followed, too, up to a row.
    pub also: Option<(BTreeSet<Site>, u64)>,
    pub mode: Mode,
    /// The last row that the reader's page or push had to do with.
    pub mark: Mark,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Mode {
    /// Units are read by id, those after this one next; then the log from `head` on.
    Fill { after: Option<Uuid>, head: u64 },
    /// The log was read up to this row.
    Delta { position: u64 },
    /// Units are compared with the old sites by id; then the log from `head` on.
    Rescope { after: Option<Uuid>, head: u64 },
}

#[derive(Clone, Debug)]
pub struct Request {
    /// Which request of its handset it is: an answer to another one is not read.
    pub nonce: u64,
    pub copy: usize,
    pub handset: Number,
    pub person: Person,
    pub clock: Instant,
    pub boot: u64,
    pub cursor: Option<Cursor>,
    pub waiting: usize,
    pub edits: Vec<Edit>,
    pub pull: bool,
}

#[derive(Clone, Debug)]
pub struct Response {
    pub nonce: u64,
    pub copy: usize,
    pub results: Vec<(EditId, Outcome)>,
    pub changes: Vec<Change>,
    pub cursor: Option<Cursor>,
    pub more: bool,
    pub status: Status,
    pub forked: bool,
    pub clock: Stamp,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    Ok,
    /// Fill afresh, and offer acknowledged edits again.
    Restored,
    /// Fill afresh.
    ScopeChanged,
    /// Nobody knows the handset; nothing was taken.
    Unknown,
    /// The handset is revoked: it may only send.
    Revoked,
}

/// What became of an edit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Now or before; the record's version with it.
    Applied(u64),
    Parked,
    Held,
    Refused,
}

/// What a planned item of a page names.
pub type Planned = Item<Ref>;
