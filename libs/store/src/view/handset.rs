//! Handsets as the service knows them: what they are, and what they last said.

use std::collections::BTreeSet;

use merge::Chain;
use model::{
    HandsetId, Instant, PersonId,
    handset::{HandsetFields, HandsetNumber},
};

/// What is known of a handset beside its record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HandsetState {
    /// Which.
    pub handset: HandsetId,
    /// Its part of every stamp.
    pub number: HandsetNumber,
    /// Which of its edits have come.
    pub chain: Chain,
    /// When it last synced.
    pub last_seen_at: Option<Instant>,
    /// What had to be added to its clock then, in microseconds; negative where that is fast.
    pub offset_micros: Option<i64>,
    /// The start of the handset in which that was measured.
    pub boot: Option<u64>,
    /// How many edits it said that it has still to send.
    pub waiting: u64,
    /// When the oldest of those was made, by its clock.
    pub oldest_waiting_at: Option<Instant>,
    /// When it last had nothing more to send.
    pub emptied_at: Option<Instant>,
    /// Since when it is revoked; kept in its record, and not written from here.
    pub revoked_at: Option<Instant>,
    /// Who has signed in on it; not written from here either.
    pub signed_in: BTreeSet<PersonId>,
}

impl HandsetState {
    /// A handset of which nothing has come yet.
    #[must_use]
    pub fn new(handset: HandsetId, number: HandsetNumber) -> Self {
        Self {
            handset,
            number,
            chain: Chain::default(),
            last_seen_at: None,
            offset_micros: None,
            boot: None,
            waiting: 0,
            oldest_waiting_at: None,
            emptied_at: None,
            revoked_at: None,
            signed_in: BTreeSet::new(),
        }
    }
}

/// A handset as a reader sees it.
#[derive(Clone, Debug)]
pub struct HandsetView {
    /// What its record says.
    pub fields: HandsetFields,
    /// What else is known of it.
    pub state: HandsetState,
}
