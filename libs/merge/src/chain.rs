//! The counter of a handset's edits: what its edits have seen of each other, and whether there are two copies of it.

use std::collections::BTreeMap;

use model::EditId;
use serde::{Deserialize, Serialize};

/// Which numbers of a handset's counter have come, and whether two copies of it are about. The default is a handset of
/// which nothing came yet; as JSON it is small, for one column.
///
/// The store of a handset can be copied, or put back from a copy. Both copies then count on from the same number, and
/// neither has seen what the other writes. *Chained* edits, which are taken to have seen all earlier ones of their handset,
/// must not do harm then. So every edit names the one that its handset wrote just before it, and is chained only if every
/// lower number has come with the edit that the next one names. This holds whatever was lost in between: after a restore
/// the number of a lost edit may be taken by one of the other copy, and the service may have forgotten that there are two.
///
/// ```
/// use merge::{Chain, Counted};
/// use model::EditId;
///
/// let edit = |number| EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap();
/// let mut chain = Chain::default();
/// assert_eq!(chain.count(1, edit(11), None, None), Counted::Fresh { chained: true });
/// assert_eq!(chain.count(1, edit(11), None, Some(edit(11))), Counted::Repeat);
/// // Three came before two, whose author it may not have heard of, for all the service knows.
/// assert_eq!(chain.count(3, edit(13), Some(edit(12)), None), Counted::Fresh { chained: false });
/// assert_eq!(chain.count(2, edit(12), Some(edit(11)), None), Counted::Fresh { chained: true });
/// assert_eq!(chain.count(4, edit(14), Some(edit(13)), None), Counted::Fresh { chained: true });
/// // One that followed another edit than number four: there are two of this handset.
/// assert_eq!(chain.count(5, edit(95), Some(edit(94)), None), Counted::Forked);
/// assert_eq!(chain.count(6, edit(16), Some(edit(15)), None), Counted::Forked);
/// assert!(chain.forked());
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chain {
    /// Every number up to this one has come.
    through: u64,
    /// The edit that came with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    last: Option<EditId>,
    /// The numbers that came beyond a gap.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    beyond: BTreeMap<u64, Link>,
    /// Whether one of them did not say which edit it followed, so that nothing after it is chained.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    loose: bool,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    forked: bool,
}

/// An edit, and the one that its handset wrote just before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Link {
    edit: EditId,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    previous: Option<EditId>,
}

/// What the number of an edit says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counted {
    /// It comes with this number for the first time.
    Fresh {
        /// Whether it has seen all that its handset wrote before: [`FieldEdit::chained`](crate::FieldEdit).
        chained: bool,
    },
    /// The same edit came with this number before.
    Repeat,
    /// Another edit came with this number before, or it followed another edit than the one that came: there are two
    /// copies of the handset. The edit is taken like any other, but not as chained; the handset is told to enrol anew.
    Forked,
}

impl Chain {
    /// Counts an edit in: the edits of one push in the order of their numbers, whichever of them has to be judged first.
    ///
    /// `previous` is the edit that its handset wrote just before it; a handset that does not tell has no chained edits
    /// but its first, and has to name its own values like those of others. `earlier` is the edit that came with the same
    /// number before, whatever became of it: a refused edit has used up its number, too. What comes with a cursor that
    /// does not fit, from a handset that has not heard of a restore yet, is taken as not chained all the same, since edits
    /// before it may be lost.
    pub fn count(
        &mut self,
        number: u64,
        edit: EditId,
        previous: Option<EditId>,
        earlier: Option<EditId>,
    ) -> Counted {
        match earlier {
            Some(earlier) if earlier == edit => return Counted::Repeat,
            Some(_) => {
                self.forked = true;
                return Counted::Forked;
            }
            None => {}
        }
        let link = Link { edit, previous };
        let next = self.through.saturating_add(1);
        if number > next {
            self.beyond.insert(number, link);
        }
        if number != next {
            return Counted::Fresh { chained: false };
        }
        let follows = self.follows(link);
        let chained = follows && !self.loose && !self.forked;
        self.go_on(number, edit);
        if follows { Counted::Fresh { chained } } else { Counted::Forked }
    }

    /// Whether an edit may be the one after the last, as far as it tells.
    fn follows(&mut self, link: Link) -> bool {
        let Some(last) = self.last else { return true };
        self.loose |= link.previous.is_none();
        let follows = link.previous.is_none_or(|previous| previous == last);
        self.forked |= !follows;
        follows
    }

    /// Adds the edits that came before the gap was closed.
    fn go_on(&mut self, number: u64, edit: EditId) {
        (self.through, self.last) = (number, Some(edit));
        while let Some(link) = self.beyond.remove(&self.through.saturating_add(1)) {
            self.follows(link);
            (self.through, self.last) = (self.through.saturating_add(1), Some(link.edit));
        }
    }

    /// Whether there are two copies of the handset, as far as is known. There is no way back: it enrols anew.
    #[must_use]
    pub const fn forked(&self) -> bool {
        self.forked
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    fn id(number: u64) -> EditId {
        EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap()
    }

    /// The number, the edit, the one before it (0: not told), and what it counts for.
    type Sent = (u64, u64, u64, Counted);

    /// The service's side: what came, and with which edit.
    #[derive(Clone, Default)]
    struct Service {
        chain: Chain,
        numbers: BTreeMap<u64, EditId>,
        /// The chained edits.
        chained: BTreeSet<u64>,
    }

    impl Service {
        fn take(&mut self, number: u64, edit: u64, previous: u64) -> Counted {
            let previous = (previous > 0).then(|| id(previous));
            let counted = self.chain.count(number, id(edit), previous, self.numbers.get(&number).copied());
            self.numbers.entry(number).or_insert(id(edit));
            if counted == (Counted::Fresh { chained: true }) {
                self.chained.insert(edit);
            }
            counted
        }
    }

    #[test]
    fn as_they_come() {
        use Counted::{Forked, Repeat};
        const CHAINED: Counted = Counted::Fresh { chained: true };
        const LOOSE: Counted = Counted::Fresh { chained: false };
        let cases: [(&str, &[Sent]); 11] = [
            ("in order", &[(1, 1, 0, CHAINED), (2, 2, 1, CHAINED), (3, 3, 2, CHAINED)]),
            ("again", &[(1, 1, 0, CHAINED), (2, 2, 1, CHAINED), (1, 1, 0, Repeat), (3, 3, 2, CHAINED)]),
            (
                "a gap that is filled",
                &[(2, 2, 1, LOOSE), (3, 3, 2, LOOSE), (1, 1, 0, CHAINED), (4, 4, 3, CHAINED)],
            ),
            ("no number is nought", &[(0, 1, 0, LOOSE), (1, 2, 0, CHAINED)]),
            ("the first one follows whatever it likes", &[(1, 1, 9, CHAINED), (2, 2, 1, CHAINED)]),
            (
                "not told once, never known again",
                &[(1, 1, 0, CHAINED), (2, 2, 0, LOOSE), (3, 3, 2, LOOSE), (4, 4, 3, LOOSE)],
            ),
            (
                "not told beyond a gap",
                &[(3, 3, 0, LOOSE), (1, 1, 0, CHAINED), (2, 2, 1, CHAINED), (4, 4, 3, LOOSE)],
            ),
            (
                "two copies",
                &[
                    (1, 1, 0, CHAINED),
                    (2, 2, 1, CHAINED),
                    (2, 9, 1, Forked),
                    (3, 3, 2, LOOSE),
                    (3, 8, 9, Forked),
                ],
            ),
            (
                "the other copy's came in place of a lost one",
                &[(1, 91, 0, CHAINED), (2, 2, 1, Forked), (3, 3, 2, LOOSE), (2, 92, 91, Forked)],
            ),
            (
                "the other copy's came in a gap",
                &[(2, 2, 1, LOOSE), (3, 3, 2, LOOSE), (1, 91, 0, CHAINED), (4, 4, 3, LOOSE)],
            ),
            ("the last number", &[(u64::MAX, 1, 0, LOOSE), (1, 2, 0, CHAINED)]),
        ];
        for (name, sent) in cases {
            let mut service = Service::default();
            for (number, edit, previous, expected) in sent {
                assert_eq!(service.take(*number, *edit, *previous), *expected, "{name}: {number}");
            }
            let text = serde_json::to_string(&service.chain).unwrap();
            assert_eq!(serde_json::from_str::<Chain>(&text).unwrap(), service.chain, "{name}: {text}");
        }
    }

    /// What happens to the service of a handset with two copies.
    #[derive(Clone, Debug)]
    enum Step {
        /// One of the copies sends its edit of this number.
        Send(bool, u64),
        /// The service is saved.
        Save,
        /// It is put back to what was saved.
        Restore,
    }

    fn step() -> impl Strategy<Value = Step> {
        prop_oneof![
            12 => (any::<bool>(), 1..7_u64).prop_map(|(copy, number)| Step::Send(copy, number)),
            1 => Just(Step::Save),
            1 => Just(Step::Restore),
        ]
    }

    proptest! {
        /// Two copies of a handset that had written `shared` edits send theirs in whatever order, over again, and to a
        /// service that is put back in between: no two edits are chained of which one was not seen by the other's copy.
        #[test]
        fn of_two_copies_no_edit_is_chained_to_the_others(
            shared in 0..4_u64,
            steps in prop::collection::vec(step(), 1..40),
        ) {
            let edit = |copy: bool, number: u64| if number <= shared || !copy { number } else { 1000 + number };
            let (mut service, mut saved) = (Service::default(), Service::default());
            for step in steps {
                match step {
                    Step::Send(copy, number) => {
                        service.take(number, edit(copy, number), edit(copy, number - 1));
                    }
                    Step::Save => saved = service.clone(),
                    Step::Restore => service = saved.clone(),
                }
            }
            // What was written before the copy is of both.
            let of_one = service.chained.iter().filter(|edit| **edit % 1000 > shared);
            let copies: BTreeSet<bool> = of_one.map(|edit| *edit > 1000).collect();
            prop_assert!(copies.len() <= 1, "{:?}", service.chained);
        }

        /// In order, nothing is taken for two copies of a handset of which there is one, and of two that have both come
        /// beyond what they share all is known.
        #[test]
        fn two_copies_are_found_out(
            shared in 0..4_u64,
            turns in prop::collection::vec((any::<bool>(), 1..4_u64, 0..3_u64), 1..12),
        ) {
            let edit = |copy: bool, number: u64| if number <= shared || !copy { number } else { 1000 + number };
            let mut service = Service::default();
            let mut sent = [0_u64, 0];
            for (copy, more, again) in turns {
                let through = &mut sent[usize::from(copy)];
                for number in through.saturating_sub(again) + 1..=*through + more {
                    service.take(number, edit(copy, number), edit(copy, number - 1));
                }
                *through += more;
            }
            prop_assert_eq!(service.chain.forked(), sent.iter().all(|sent| *sent > shared));
        }

        /// However they are shuffled, in the end all have come, and the next one is chained.
        #[test]
        fn a_gap_closes(order in Just((1..10_u64).collect::<Vec<_>>()).prop_shuffle()) {
            let mut service = Service::default();
            for number in order {
                service.take(number, number, number - 1);
            }
            prop_assert_eq!(service.take(10, 10, 9), Counted::Fresh { chained: true });
            prop_assert_eq!(service.chain, Chain { through: 10, last: Some(id(10)), ..Chain::default() });
        }
    }
}
