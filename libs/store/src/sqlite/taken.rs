//! Which locks writes have taken, and in which group of them last, so that a plan that was made before its turn to write is
//! known to be still good: what it rests on changes under its locks, or is looked at once more when it is written, as on
//! PostgreSQL.
//!
//! One thread writes, and keeps this in its memory. Should another process write to the file, all plans are made again that may
//! not have seen it: of its locks nothing is known here.

use std::{cell::RefCell, collections::HashMap};

use crate::{key::Key, locks::Locks};

/// So many locks are remembered at most. Then all are forgotten, and plans that are older are made again.
const MOST: usize = 100_000;

thread_local! {
    static TAKEN: RefCell<Taken> = RefCell::default();
}

/// A number of a group of writes; later ones have higher numbers.
pub(super) type Group = u64;

#[derive(Default)]
struct Taken {
    group: Group,
    /// Of groups up to this one nothing is remembered.
    forgotten: Group,
    /// The file's version as it was when this group began.
    version: Option<i64>,
    /// Before this group another process wrote.
    outside: Group,
    last: HashMap<(Key, &'static str, Key), Group>,
}

/// Begins a group of writes on this thread; gives its number. The file's `version` changes when another connection has
/// written to it; without one that is taken for granted.
pub(super) fn begin_group(version: Option<i64>) -> Group {
    TAKEN.with_borrow_mut(|taken| {
        taken.group += 1;
        if version.is_none() || version != taken.version {
            (taken.version, taken.outside) = (version, taken.group);
        }
        if taken.last.len() > MOST {
            taken.last.clear();
            taken.forgotten = taken.group - 1;
        }
        taken.group
    })
}

/// Forgets the file's version, which says something only to the connection that told it.
pub(super) fn reconnected() {
    TAKEN.with_borrow_mut(|taken| taken.version = None);
}

/// Notes that the running write has taken these locks. It counts though the write may come to nothing.
pub(super) fn note(organization: Key, records: &[(&'static str, Key)]) {
    TAKEN.with_borrow_mut(|taken| {
        let group = taken.group;
        taken.last.extend(records.iter().map(|(kind, id)| ((organization, *kind, *id), group)));
    });
}

/// Whether nothing has taken any of these locks in a group after this one.
pub(super) fn are_free(organization: Key, locks: &Locks, since: Group) -> bool {
    TAKEN.with_borrow(|taken| {
        let is_free = |(_, kind, id): &(u8, &'static str, Key)| {
            taken.last.get(&(organization, *kind, *id)).is_none_or(|last| *last <= since)
        };
        since >= taken.forgotten.max(taken.outside) && locks.iter().all(is_free)
    })
}

#[cfg(test)]
mod tests {
    use model::edit::RecordKind;

    use super::*;
    use crate::locks::{lock_of, records};

    fn unit(n: u8) -> Locks {
        Locks::from([lock_of(RecordKind::Unit, Key(uuid::Uuid::from_bytes([n; 16])))])
    }

    fn take(organization: Key, locks: &Locks) -> Group {
        let group = begin_group(Some(1));
        note(organization, &records(locks));
        group
    }

    #[test]
    fn a_plan_is_good_until_one_of_its_locks_is_taken() {
        let (town, other) = (Key::NIL, Key(uuid::Uuid::from_bytes([9; 16])));
        let first = take(town, &unit(1));
        let both: Locks = unit(1).into_iter().chain(unit(2)).collect();
        assert!(are_free(town, &both, first), "what was written before it was begun");
        let second = take(town, &unit(2));
        assert!(!are_free(town, &both, first), "one of its locks was taken");
        assert!(are_free(town, &unit(1), first), "a lock of others");
        assert!(are_free(other, &both, first), "the same lock of another organization");
        assert!(are_free(town, &both, second), "a plan begun after that");
        note(town, &records(&unit(1)));
        assert!(!are_free(town, &unit(1), first), "by a write before it in its own group");
    }

    #[test]
    fn when_all_is_forgotten_older_plans_are_no_good() {
        let first = take(Key::NIL, &unit(1));
        for n in 0..=MOST {
            note(Key::NIL, &[("unit", Key(uuid::Uuid::from_u128(n as u128)))]);
        }
        let second = begin_group(Some(1));
        assert!(second > first && !are_free(Key::NIL, &unit(2), first - 1), "nobody knows");
        assert!(are_free(Key::NIL, &unit(1), second - 1), "one that saw all that is forgotten");
    }

    #[test]
    fn what_others_write_spoils_every_plan_that_may_not_have_seen_it() {
        let first = take(Key::NIL, &unit(1));
        assert!(are_free(Key::NIL, &unit(2), first));
        for version in [Some(2), None, None] {
            let seen = begin_group(version);
            assert!(!are_free(Key::NIL, &unit(2), seen - 1), "{version:?}");
            assert!(are_free(Key::NIL, &unit(2), seen), "{version:?}");
        }
        let before = take(Key::NIL, &unit(1));
        reconnected();
        begin_group(Some(1));
        assert!(!are_free(Key::NIL, &unit(2), before), "by a connection that counts by itself");
    }
}
