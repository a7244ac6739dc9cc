//! Edits: what somebody wants recorded, whichever way it comes in.

use serde::{Serialize, Serializer};
use serde_json::{Map, Value};

use crate::id::{
    EditId, EditionId, EventId, GrantId, HandsetId, IncidentId, MailListId, OrganizationId, PersonId,
    PromiseId, RecipientId, ScheduleId, SiteId, UnitId,
};

/// The newest format of edits and rows that this version knows.
///
/// What a format cannot say is written in the next one, so that who knows only the older keeps it whole until it knows the
/// newer, and does not refuse it. `tests/vectors/edits.json` has edits of each, as they were first written.
pub const FORMAT: i32 = 2;

/// The format from which on events name photos and papers.
pub const FORMAT_OF_ATTACHMENTS: i32 = 2;

/// A kind of record with fields of its own, or a kind of fact.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum RecordKind {
    /// The organization itself; fields.
    Organization,
    /// A site; fields.
    Site,
    /// A schedule; fields.
    Schedule,
    /// An edition of a schedule; a fact.
    Edition,
    /// A unit; fields.
    Unit,
    /// A service event; a fact.
    ServiceEvent,
    /// A person; fields.
    Person,
    /// A grant; fields.
    Grant,
    /// A handset; fields.
    Handset,
    /// A mail list; fields.
    MailList,
    /// A recipient of a mail list; fields.
    Recipient,
    /// An incident; fields.
    Incident,
    /// A promise of a spare; fields.
    Promise,
}

/// The words for [`RecordKind`].
pub const RECORD_KINDS: &[(&str, RecordKind)] = &[
    ("organization", RecordKind::Organization),
    ("site", RecordKind::Site),
    ("schedule", RecordKind::Schedule),
    ("edition", RecordKind::Edition),
    ("unit", RecordKind::Unit),
    ("service_event", RecordKind::ServiceEvent),
    ("person", RecordKind::Person),
    ("grant", RecordKind::Grant),
    ("handset", RecordKind::Handset),
    ("mail_list", RecordKind::MailList),
    ("recipient", RecordKind::Recipient),
    ("incident", RecordKind::Incident),
    ("promise", RecordKind::Promise),
];

impl RecordKind {
    /// The kind as it is written.
    pub fn as_str(self) -> &'static str {
        RECORD_KINDS.iter().find(|(_, kind)| *kind == self).map_or("", |(name, _)| *name)
    }

    /// The kind written as `name`.
    pub fn parse(name: &str) -> Option<Self> {
        RECORD_KINDS.iter().find(|(word, _)| *word == name).map(|(_, kind)| *kind)
    }
}

impl Serialize for RecordKind {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.as_str())
    }
}

/// The way an edit came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    /// A request for one thing.
    Rest,
    /// A handset's queue.
    Sync,
    /// A file.
    Import,
    /// The service itself.
    Service,
}

impl Channel {
    /// The channel as the log names it.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Rest => "rest",
            Self::Sync => "sync",
            Self::Import => "import",
            Self::Service => "service",
        }
    }
}

/// Something that somebody wants recorded.
#[derive(Clone)]
pub struct Edit {
    /// Its permanent id; a repeat is recognised by it.
    pub id: EditId,
    /// What it wants.
    pub action: Action,
}

/// What an edit wants.
#[derive(Clone)]
pub enum Action {
    /// A new record with these fields.
    Create {
        /// Which record.
        target: Target,
        /// Its fields, read and written back; private text still in the clear.
        fields: Map<String, Value>,
    },
    /// Fields of an existing record set, or removed where null.
    Set {
        /// Which record.
        target: Target,
        /// The fields, read and written back; private text still in the clear.
        fields: Map<String, Value>,
    },
    /// A fact added: a service event.
    Event(Box<crate::event::ServiceEvent>),
    /// A fact added: an adoption for all units of a model, a service event of no one unit.
    ModelAdoption(Box<crate::event::ModelAdoption>),
    /// A fact added: an edition of a schedule.
    Edition {
        /// The edition's id.
        id: EditionId,
        /// The schedule it is an edition of.
        schedule: ScheduleId,
        /// The edition.
        edition: Box<crate::schedule::Edition>,
    },
}

/// A record with fields, by kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Target {
    /// The organization itself.
    Organization(OrganizationId),
    /// A site.
    Site(SiteId),
    /// A schedule.
    Schedule(ScheduleId),
    /// A unit.
    Unit(UnitId),
    /// A person.
    Person(PersonId),
    /// A grant.
    Grant(GrantId),
    /// A handset.
    Handset(HandsetId),
    /// A mail list.
    MailList(MailListId),
    /// A recipient of a mail list.
    Recipient(RecipientId),
    /// An incident.
    Incident(IncidentId),
    /// A promise of a spare.
    Promise(PromiseId),
}

impl Target {
    /// The kind of record.
    pub fn kind(self) -> RecordKind {
        match self {
            Self::Organization(_) => RecordKind::Organization,
            Self::Site(_) => RecordKind::Site,
            Self::Schedule(_) => RecordKind::Schedule,
            Self::Unit(_) => RecordKind::Unit,
            Self::Person(_) => RecordKind::Person,
            Self::Grant(_) => RecordKind::Grant,
            Self::Handset(_) => RecordKind::Handset,
            Self::MailList(_) => RecordKind::MailList,
            Self::Recipient(_) => RecordKind::Recipient,
            Self::Incident(_) => RecordKind::Incident,
            Self::Promise(_) => RecordKind::Promise,
        }
    }

    /// Its id without the kind.
    pub fn uuid(self) -> uuid::Uuid {
        match self {
            Self::Organization(id) => id.uuid(),
            Self::Site(id) => id.uuid(),
            Self::Schedule(id) => id.uuid(),
            Self::Unit(id) => id.uuid(),
            Self::Person(id) => id.uuid(),
            Self::Grant(id) => id.uuid(),
            Self::Handset(id) => id.uuid(),
            Self::MailList(id) => id.uuid(),
            Self::Recipient(id) => id.uuid(),
            Self::Incident(id) => id.uuid(),
            Self::Promise(id) => id.uuid(),
        }
    }
}

impl Action {
    /// The kind of thing it writes.
    pub fn kind(&self) -> RecordKind {
        match self {
            Self::Create { target, .. } | Self::Set { target, .. } => target.kind(),
            Self::Event(_) | Self::ModelAdoption(_) => RecordKind::ServiceEvent,
            Self::Edition { .. } => RecordKind::Edition,
        }
    }

    /// The id of the thing it writes, without the kind.
    pub fn uuid(&self) -> uuid::Uuid {
        match self {
            Self::Create { target, .. } | Self::Set { target, .. } => target.uuid(),
            Self::Event(event) => event.id.uuid(),
            Self::ModelAdoption(adoption) => adoption.id.uuid(),
            Self::Edition { id, .. } => id.uuid(),
        }
    }

    /// The oldest format that can say what it says.
    pub fn format(&self) -> i32 {
        match self {
            Self::Event(event) if !event.attachments.is_empty() => FORMAT_OF_ATTACHMENTS,
            _ => 1,
        }
    }

    /// The service event it adds, if it adds one.
    pub fn event_id(&self) -> Option<EventId> {
        match self {
            Self::Event(event) => Some(event.id),
            Self::ModelAdoption(adoption) => Some(adoption.id),
            _ => None,
        }
    }
}
