//! Edits as handsets send them.

use std::collections::BTreeSet;

use merge::{Base, Flag, Offset, Reason};
use model::{HandsetId, Instant, PersonId, UnitId, stamp::Stamp};
use serde_json::Value;

use crate::command::{Proposal, Written};

/// The handset behind a push.
#[derive(Clone, Debug)]
pub struct Calling {
    /// Which.
    pub handset: HandsetId,
    /// By how much its clock is off, measured by this very push.
    pub offset: Option<Offset>,
    /// Who had signed in on it before its edits came.
    pub signed_in: BTreeSet<PersonId>,
    /// Since when it is revoked.
    pub revoked: Option<Instant>,
    /// When it last said that it had nothing more to send.
    pub emptied: Option<Instant>,
    /// Whether there are two copies of it, so that the numbers of its edits say nothing.
    pub forked: bool,
}

/// An edit that was parked.
#[derive(Clone, Debug)]
pub struct Parked {
    /// The handset that sent it.
    pub handset: HandsetId,
    /// The edit.
    pub proposal: Proposal,
}

/// What an edit has beside its wish when a handset sent it.
#[derive(Clone, Debug)]
pub struct Sent {
    /// Who made it.
    pub author: PersonId,
    /// Its number among the edits of the handset, from 1.
    pub number: i64,
    /// The stamp as the handset made it.
    pub raw: Stamp,
    /// What its author had seen of the fields that it sets.
    pub base: Base,
    /// The start of the handset in which it was made.
    pub boot: Option<u64>,
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
    /// The handset that sent it.
    pub handset: HandsetId,
    /// The unit that it is about, if it is about one.
    pub unit: Option<UnitId>,
    /// The edit, as it has to be written to be decided about.
    pub proposal: Proposal,
    /// Its body, private text joined.
    pub body: Value,
}

/// What is fixed when an edit first comes in, whatever becomes of it then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Received {
    /// The stamp that counts.
    pub effective: Stamp,
    /// When what it tells of happened, put right; none where only the day is known, or where nothing happened.
    pub occurred_at: Option<Instant>,
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
    Held(Reason),
    /// A person has refused it after it waited for one.
    RefusedByPerson,
}

/// Why an edit is parked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ParkedFor {
    /// What it is about, or names, is not there, or may not be seen: the two look the same.
    MissingParent,
}

impl ParkedFor {
    /// The reason as it travels.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::MissingParent => "missing_parent",
        }
    }
}
