//! What a write transaction locks, and what a run of it comes to.

use std::collections::BTreeSet;

use model::edit::RecordKind;

use crate::{Recorded, key::Key};

/// Records to lock, in the order in which everybody locks: organization, handset, site, schedule, unit, person,
/// grant, mail list, recipient, incident, promise, ids in other systems; then by id.
pub(crate) type Locks = BTreeSet<(u8, &'static str, Key)>;

/// A record's place in that order.
pub(crate) fn lock_of(kind: RecordKind, id: Key) -> (u8, &'static str, Key) {
    let rank = match kind {
        RecordKind::Organization => 0,
        RecordKind::Handset => 1,
        RecordKind::Site => 2,
        RecordKind::Schedule | RecordKind::Edition => 3,
        RecordKind::Unit | RecordKind::ServiceEvent => 4,
        RecordKind::Person => 5,
        RecordKind::Grant => 6,
        RecordKind::MailList => 7,
        RecordKind::Recipient => 8,
        RecordKind::Incident => 9,
        RecordKind::Promise => 10,
    };
    (rank, kind.as_str(), id)
}

/// The place of an id that a record of this kind may have in another system.
pub(crate) fn lock_of_external_id(kind: RecordKind, system: &str, id: &str) -> (u8, &'static str, Key) {
    let named = proof::sha256(format!("{}/{system}/{id}", kind.as_str()).as_bytes());
    let first: [u8; 16] = std::array::from_fn(|at| named.as_bytes().get(at).copied().unwrap_or_default());
    (11, "external_id", Key(uuid::Uuid::from_bytes(first)))
}

/// The records of locks, in their order.
pub(crate) fn records(locks: &Locks) -> Vec<(&'static str, Key)> {
    locks.iter().map(|(_, kind, id)| (*kind, *id)).collect()
}

/// What a run of the write transaction came to.
pub(crate) enum Attempt {
    /// Every edit was judged, and what was accepted is written; whether units were left to be folded anew.
    Done(Recorded, bool),
    /// Reading named more records; nothing is written, run it again with these locked.
    Again(Locks),
}
