//! What a write transaction locks, and what a run of it comes to.

use std::collections::BTreeSet;

use model::{EditId, edit::RecordKind};

use crate::{command::Outcome, key::Key, view::ItemChange};

/// Records to lock, in the order in which everybody locks: organization, site, schedule, unit, person, grant;
/// then by id.
pub(crate) type Locks = BTreeSet<(u8, &'static str, Key)>;

/// A record's place in that order.
pub(crate) fn lock_of(kind: RecordKind, id: Key) -> (u8, &'static str, Key) {
    let rank = match kind {
        RecordKind::Organization => 0,
        RecordKind::Site => 1,
        RecordKind::Schedule | RecordKind::Edition => 2,
        RecordKind::Unit | RecordKind::ServiceEvent => 3,
        RecordKind::Person => 4,
        RecordKind::Grant => 5,
    };
    (rank, kind.as_str(), id)
}

/// What a run of the write transaction came to.
pub(crate) enum Attempt {
    /// Every edit was judged, and what was accepted is written.
    Done {
        /// What became of each.
        outcomes: Vec<Outcome>,
        /// Whether units were left to be folded anew.
        stale: bool,
        /// Due items that become other than they were.
        changes: Vec<ItemChange>,
        /// Parked edits that name something that has come.
        ready: BTreeSet<EditId>,
    },
    /// Reading named more records; nothing is written, run it again with these locked.
    Again(Locks),
}
