//! Edits as handsets send them.

use std::collections::BTreeSet;

use merge::{Base, Flag, Reason};
use model::{EditId, HandsetId, Instant, PersonId, UnitId, stamp::Stamp};
use serde_json::Value;

use crate::{
    command::{Proposal, Written},
    view::Mark,
};

/// The handset whose edits a command has.
#[derive(Clone, Debug)]
pub enum Calling {
    /// It calls: it sends edits, and tells of itself.
    Push(Push),
    /// Edits of it that were parked are tried again.
    Again {
        /// Which handset.
        handset: HandsetId,
        /// Of a group of so many edits, which are taken together or not at all.
        together: Option<usize>,
    },
}

impl Calling {
    /// Which handset.
    pub(crate) fn handset(&self) -> HandsetId {
        match self {
            Self::Push(push) => push.handset,
            Self::Again { handset, .. } => *handset,
        }
    }
}

/// What a handset tells of itself when it calls.
#[derive(Clone, Debug)]
pub struct Push {
    /// Which handset.
    pub handset: HandsetId,
    /// Who is signed in on it.
    pub person: PersonId,
    /// What its clock says.
    pub clock: Instant,
    /// Which of its starts this is.
    pub boot: Option<u64>,
    /// How many edits it has of which it does not know what became of them, those of this call included.
    pub waiting: usize,
    /// How many edits came with this call, those included that are not even kept.
    pub sent: usize,
    /// When the oldest of them was made.
    pub oldest_waiting_at: Option<Instant>,
    /// The row of the log that its cursor names: where that is gone the log was restored, and nothing of it is chained.
    pub mark: Option<Mark>,
    /// Edits that cannot be read.
    pub unread: Vec<Unread>,
}

/// An edit that cannot be read: of a newer format, which may be read some day, or broken.
#[derive(Clone, Debug)]
pub struct Unread {
    /// Its id.
    pub id: EditId,
    /// Who made it.
    pub author: PersonId,
    /// Its number among the edits of the handset.
    pub number: i64,
    /// The edit with the number before it, as far as the handset tells.
    pub previous: Option<EditId>,
    /// The stamp as the handset made it.
    pub raw: Stamp,
    /// Its format.
    pub format: i64,
    /// The name of the group that it belongs to, as far as that can be told.
    pub group: Option<uuid::Uuid>,
    /// All of it, as it came.
    pub text: String,
}

/// Some edits that are taken together or not at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Group {
    /// Its name, among those of its handset.
    pub id: uuid::Uuid,
    /// How many edits it has.
    pub size: usize,
}

/// An edit that was parked.
#[derive(Clone, Debug)]
pub struct Parked {
    /// The handset that sent it.
    pub handset: HandsetId,
    /// The edit.
    pub edit: ParkedEdit,
}

/// An edit that was parked, as far as it is known.
#[derive(Clone, Debug)]
pub enum ParkedEdit {
    /// One that could be read.
    Read(Proposal),
    /// One of a format that was too new then, as it came.
    Unread {
        /// Who made it.
        author: PersonId,
        /// All of it.
        text: String,
    },
}

/// What an edit has beside its wish when a handset sent it.
#[derive(Clone, Debug)]
pub struct Sent {
    /// The handset that it was made on.
    pub handset: HandsetId,
    /// Who made it.
    pub author: PersonId,
    /// Its number among the edits of the handset, from 1.
    pub number: i64,
    /// The edit with the number before it, as far as the handset tells.
    pub previous: Option<EditId>,
    /// The stamp as the handset made it.
    pub raw: Stamp,
    /// What its author had seen of the fields that it sets.
    pub base: Base,
    /// The start of the handset in which it was made.
    pub boot: Option<u64>,
    /// Whether it was sent as the service writes it, so that the handset knows what is recorded.
    pub exact: bool,
    /// The group that it belongs to.
    pub group: Option<Group>,
    /// What was fixed when it first came in, if it came before.
    pub received: Option<Received>,
    /// What the author of the command decides about it, if it was held.
    pub decision: Option<Decision>,
}

/// What a person decides about an edit that was held.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Decision {
    /// It counts from now on.
    Release,
    /// It never counts, for this reason.
    Refuse(String),
}

/// An edit that waits for a person.
#[derive(Clone, Debug)]
pub struct Held {
    /// The number of its row.
    pub seq: i64,
    /// When it came in.
    pub recorded_at: Instant,
    /// Why it waits.
    pub reason: Reason,
    /// What is noted of it, for whoever decides.
    pub flags: BTreeSet<Flag>,
    /// Who made it.
    pub author: PersonId,
    /// The handset that sent it.
    pub handset: HandsetId,
    /// The unit that it is about, if it is about one.
    pub unit: Option<UnitId>,
    /// The edits with which it is decided about, if it came in a group.
    pub group: Option<Group>,
    /// The edit, as it has to be written to be decided about.
    pub proposal: Proposal,
    /// Its body, private text joined.
    pub body: Value,
    /// What somebody has decided about it.
    pub decided: Option<Decided>,
}

/// What somebody has decided about an edit that was held.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Decided {
    /// What.
    pub decision: Decision,
    /// Who.
    pub author: PersonId,
    /// When.
    pub at: Instant,
}

/// What is fixed when an edit first comes in, whatever becomes of it then.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Received {
    /// When it came.
    pub at: Instant,
    /// The stamp that counts.
    pub effective: Stamp,
    /// When what it tells of happened, put right; none where only the day is known, or where nothing happened.
    pub occurred_at: Option<Instant>,
    /// Whether it has seen whatever its handset wrote before.
    pub chained: bool,
    /// What its handset and coordinators should know.
    pub flags: BTreeSet<Flag>,
}

/// What becomes only of edits that a handset sent.
#[derive(Clone, Debug)]
pub enum Fate {
    /// It was recorded.
    Taken {
        /// What it wrote.
        written: Written,
        /// The fields that are contested by it.
        contested: Vec<String>,
        /// What its handset and coordinators should know.
        flags: BTreeSet<Flag>,
    },
    /// It waits for what it names.
    Parked(ParkedFor),
    /// It waits for a person.
    Held {
        /// Why.
        reason: Reason,
        /// What its handset and coordinators should know.
        flags: BTreeSet<Flag>,
    },
    /// It had waited for a person, who released it.
    Released {
        /// What it wrote.
        written: Written,
        /// What its handset and coordinators should know.
        flags: BTreeSet<Flag>,
    },
    /// A person has refused it after it waited for one.
    RefusedByPerson {
        /// What its handset and coordinators should know.
        flags: BTreeSet<Flag>,
    },
}

/// Why an edit is parked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParkedFor {
    /// What it is about, or names, is not there, or may not be seen: the two look the same.
    MissingParent,
    /// The other edits of its group have not all come.
    GroupIncomplete,
    /// It has a format that this service does not know.
    NewerFormat,
}

impl ParkedFor {
    /// The reason as it travels.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::MissingParent => "missing_parent",
            Self::GroupIncomplete => "group_incomplete",
            Self::NewerFormat => "newer_format",
        }
    }
}
