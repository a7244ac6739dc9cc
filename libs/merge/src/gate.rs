//! The gate: which edits of a handset wait for a person, and what is to be noted of the others.

use std::collections::BTreeSet;

use model::{Instant, stamp::Stamp};

use crate::{
    clock::told_at,
    occurred::{Happened, waits_for_person},
};

/// What the gate has to know of an edit. All of it is fixed when the edit first comes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Facts {
    /// The service's clock.
    pub now: Instant,
    /// The stamp as the handset made it.
    pub raw: Stamp,
    /// The stamp that counts: [`effective`](crate::effective).
    pub effective: Stamp,
    /// When that happened which the edit tells; none of an edit of fields, nor of what may lie ahead.
    pub happened: Option<Happened>,
    /// Since when the handset is revoked.
    pub revoked: Option<Instant>,
    /// When the handset last said that it had nothing more to send: what it sends since was written since, whatever its
    /// clock was set to.
    pub emptied: Option<Instant>,
    /// Whether the author ever signed in on the handset. One who did is no stranger: people share handsets.
    pub author_known: bool,
    /// Whether it corrects what somebody else wrote, and the author may not do that, but a coordinator may.
    pub corrects_others: bool,
}

/// Why an edit waits for a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// The handset is revoked: nothing of it counts unseen, and nothing of it is lost.
    HandsetRevoked,
    /// The author never signed in on the handset.
    UnknownAuthor,
    /// It corrects what somebody else wrote.
    CorrectionOfOthers,
    /// It tells what has not happened yet.
    FutureEvent,
    /// What it is about did not come, however long it was waited for.
    ParentMissing,
}

/// What is noted of an edit, whether it counts or waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Flag {
    /// The handset's clock is far ahead: a stamp was cut.
    ClockSuspect,
    /// The author may not see the record any more, but could when it was written.
    LateScope,
    /// There are two copies of the handset.
    Forked,
    /// It was written after the handset was revoked, or may have been.
    AfterRevocation,
    /// Nobody knows how wrong the clock was that told the time.
    TimeDoubtful,
    /// Another record has the id in another system that the edit gives.
    PossibleDuplicate,
}

/// What the gate decides.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Passage {
    /// Why it waits; none if it is open.
    pub held: Option<Reason>,
    /// What is noted: [`Flag::ClockSuspect`], [`Flag::AfterRevocation`] and [`Flag::TimeDoubtful`]. The others are for
    /// whoever knows the scope, the [`Chain`](crate::Chain) and the other records.
    pub flags: BTreeSet<Flag>,
}

/// Judges an edit of a handset before it is merged. Of several reasons the first of [`Reason`] is told.
///
/// ```
/// use merge::{Facts, Flag, Reason, gate};
/// use model::{Instant, stamp::Stamp};
///
/// let at = |text| Instant::parse(text).unwrap();
/// let written = Stamp::service(at("2025-08-01T11:00:00Z"), None);
/// let stamp = Stamp { handset: 7, ..written };
/// let facts = Facts {
///     now: at("2025-08-01T12:00:00Z"),
///     raw: stamp,
///     effective: stamp,
///     happened: None,
///     revoked: None,
///     emptied: None,
///     author_known: true,
///     corrects_others: false,
/// };
/// assert_eq!(gate(&facts).held, None);
///
/// // A handset that was lost at ten: what it sends waits, and what was written after ten is noted.
/// let lost = gate(&Facts { revoked: Some(at("2025-08-01T10:00:00Z")), ..facts });
/// assert_eq!(lost.held, Some(Reason::HandsetRevoked));
/// assert!(lost.flags.contains(&Flag::AfterRevocation));
/// ```
#[must_use]
pub fn gate(facts: &Facts) -> Passage {
    let ahead = facts.happened.is_some_and(|happened| waits_for_person(happened.at, facts.now));
    let reasons = [
        (Reason::HandsetRevoked, facts.revoked.is_some()),
        (Reason::UnknownAuthor, !facts.author_known),
        (Reason::CorrectionOfOthers, facts.corrects_others),
        (Reason::FutureEvent, ahead),
    ];
    let flags = [
        (Flag::ClockSuspect, facts.raw != facts.effective),
        (Flag::AfterRevocation, facts.revoked.is_some_and(|revoked| facts.written() > revoked)),
        (Flag::TimeDoubtful, facts.happened.is_some_and(|happened| happened.doubtful)),
    ];
    let true_ones = |(what, holds): (Flag, bool)| holds.then_some(what);
    Passage {
        held: reasons.into_iter().find(|(_, holds)| *holds).map(|(reason, _)| reason),
        flags: flags.into_iter().filter_map(true_ones).collect(),
    }
}

impl Facts {
    /// When it was written at the earliest: its stamp may tell less than what the handset said before.
    fn written(&self) -> Instant {
        let told = told_at(self.effective);
        self.emptied.map_or(told, |emptied| emptied.max(told))
    }
}

impl Reason {
    /// Every reason, the first that holds coming first.
    pub const ALL: [Self; 5] = [
        Self::HandsetRevoked,
        Self::UnknownAuthor,
        Self::CorrectionOfOthers,
        Self::FutureEvent,
        Self::ParentMissing,
    ];

    /// The reason written as `word`.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reason| reason.as_str() == word)
    }

    /// The reason as it is written.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::HandsetRevoked => "handset_revoked",
            Self::UnknownAuthor => "unknown_author",
            Self::CorrectionOfOthers => "correction_of_others",
            Self::FutureEvent => "future_event",
            Self::ParentMissing => "parent_missing",
        }
    }
}

impl Flag {
    /// Every flag.
    pub const ALL: [Self; 6] = [
        Self::ClockSuspect,
        Self::LateScope,
        Self::Forked,
        Self::AfterRevocation,
        Self::TimeDoubtful,
        Self::PossibleDuplicate,
    ];

    /// The flag written as `word`.
    #[must_use]
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|flag| flag.as_str() == word)
    }

    /// The flag as it is written.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::ClockSuspect => "clock_suspect",
            Self::LateScope => "late_scope",
            Self::Forked => "forked",
            Self::AfterRevocation => "after_revocation",
            Self::TimeDoubtful => "time_doubtful",
            Self::PossibleDuplicate => "possible_duplicate",
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::effective;

    const NOON: i64 = 1_754_049_600_000_000;

    fn at(minutes: i64) -> Instant {
        Instant::from_micros(NOON).plus_seconds(60 * minutes)
    }

    /// An edit written at eleven that the service gets at noon.
    fn plain() -> Facts {
        let raw = Stamp { handset: 7, ..Stamp::service(at(-60), None) };
        Facts {
            now: at(0),
            raw,
            effective: raw,
            happened: None,
            revoked: None,
            emptied: None,
            author_known: true,
            corrects_others: false,
        }
    }

    #[test]
    fn every_reason_and_flag() {
        use Flag::{AfterRevocation, ClockSuspect, TimeDoubtful};
        use Reason::{CorrectionOfOthers, FutureEvent, HandsetRevoked, UnknownAuthor};
        let happened = |minutes, doubtful| Some(Happened { at: at(minutes), doubtful });
        let revoked = |minutes| Facts { revoked: Some(at(minutes)), ..plain() };
        let cut = Stamp { handset: 7, ..Stamp::service(at(5), None) };
        let cases: [(&str, Facts, Option<Reason>, &[Flag]); 12] = [
            ("plain", plain(), None, &[]),
            ("just now", Facts { happened: happened(10, false), ..plain() }, None, &[]),
            ("ahead", Facts { happened: happened(11, false), ..plain() }, Some(FutureEvent), &[]),
            ("doubtful", Facts { happened: happened(-90, true), ..plain() }, None, &[TimeDoubtful]),
            ("cut", Facts { effective: cut, ..plain() }, None, &[ClockSuspect]),
            ("stranger", Facts { author_known: false, ..plain() }, Some(UnknownAuthor), &[]),
            ("others", Facts { corrects_others: true, ..plain() }, Some(CorrectionOfOthers), &[]),
            ("before it was lost", revoked(-30), Some(HandsetRevoked), &[]),
            ("at that moment", revoked(-60), Some(HandsetRevoked), &[]),
            ("after it was lost", revoked(-61), Some(HandsetRevoked), &[AfterRevocation]),
            // Eleven by its clock, but at half past eleven it had nothing to send.
            (
                "set back",
                Facts { emptied: Some(at(-30)), ..revoked(-40) },
                Some(HandsetRevoked),
                &[AfterRevocation],
            ),
            (
                "all at once",
                Facts {
                    happened: happened(99, true),
                    author_known: false,
                    corrects_others: true,
                    effective: cut,
                    ..revoked(-90)
                },
                Some(HandsetRevoked),
                &[ClockSuspect, AfterRevocation, TimeDoubtful],
            ),
        ];
        for (name, facts, held, flags) in cases {
            let flags = flags.iter().copied().collect();
            assert_eq!(gate(&facts), Passage { held, flags }, "{name}");
        }
    }

    fn facts() -> impl Strategy<Value = Facts> {
        let minutes = -2_000..2_000_i64;
        let some = prop::option::of(minutes.clone());
        (minutes.clone(), some.clone(), some.clone(), some, any::<[bool; 3]>()).prop_map(
            |(written, happened, revoked, emptied, [known, others, doubtful])| {
                let raw = Stamp { handset: 7, ..Stamp::service(at(written), None) };
                Facts {
                    now: at(0),
                    raw,
                    effective: effective(raw, at(0)),
                    happened: happened.map(|minutes| Happened { at: at(minutes), doubtful }),
                    revoked: revoked.map(at),
                    emptied: emptied.map(at),
                    author_known: known,
                    corrects_others: others,
                }
            },
        )
    }

    proptest! {
        #[test]
        fn of_a_revoked_handset_all_is_held_and_of_others_nothing_is_after_it(facts in facts()) {
            let found = gate(&facts);
            prop_assert_eq!(facts.revoked.is_some(), found.held == Some(Reason::HandsetRevoked));
            prop_assert!(facts.revoked.is_some() || !found.flags.contains(&Flag::AfterRevocation));
        }

        /// A clock can be set back, but not behind what the handset has said to the service.
        #[test]
        fn setting_the_clock_back_does_not_help_after_the_queue_was_empty(facts in facts(), back in 0..5_000_i64) {
            let flag = Flag::AfterRevocation;
            let told_after = facts.emptied > facts.revoked && facts.revoked.is_some();
            let raw = Stamp { handset: 7, ..Stamp::service(at(-back), None) };
            let set_back = Facts { raw, effective: raw, ..facts };
            prop_assert!(!told_after || gate(&set_back).flags.contains(&flag));
        }
    }
}
