//! The counter of a handset's edits: what its edits have seen of each other, and whether there are two copies of it.

use std::collections::BTreeSet;

use model::EditId;
use serde::{Deserialize, Serialize};

/// Which numbers of a handset's counter have come, and whether two copies of it are about. The default is a handset of
/// which nothing came yet; as JSON it is small, for one column.
///
/// The store of a handset can be copied, or put back from a copy. Both copies then count on from the same number, and
/// neither has seen what the other writes. The service finds out when one number comes with two edits. Until then
/// *chained* edits, which are taken to have seen all earlier ones of their handset, must do no harm: so an edit is
/// chained only if every lower number has come. Whoever sends its edits in the order of their numbers meets the other
/// copy's first edit before anything of its own is taken for chained.
///
/// ```
/// use merge::{Chain, Counted};
/// use model::EditId;
///
/// let edit = |number| EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap();
/// let mut chain = Chain::default();
/// assert_eq!(chain.count(1, edit(11), None), Counted::Fresh { chained: true });
/// assert_eq!(chain.count(1, edit(11), Some(edit(11))), Counted::Repeat);
/// // Three came before two, whose author it may not have heard of, for all the service knows.
/// assert_eq!(chain.count(3, edit(13), None), Counted::Fresh { chained: false });
/// assert_eq!(chain.count(2, edit(12), None), Counted::Fresh { chained: true });
/// assert_eq!(chain.count(4, edit(14), None), Counted::Fresh { chained: true });
/// // A second edit number four: there are two of this handset.
/// assert_eq!(chain.count(4, edit(94), Some(edit(14))), Counted::Forked);
/// assert_eq!(chain.count(5, edit(15), None), Counted::Fresh { chained: false });
/// assert!(chain.forked());
/// ```
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Chain {
    /// Every number up to this one has come.
    through: u64,
    /// The numbers that came beyond a gap.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    beyond: BTreeSet<u64>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    forked: bool,
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
    /// Another edit came with this number before: there are two copies of the handset. The edit is taken like any
    /// other, but not as chained; the handset is told to enrol anew.
    Forked,
}

impl Chain {
    /// Counts an edit in: the edits of one push in the order of their numbers, whichever of them has to be judged first.
    /// What comes with a cursor that does not fit, from a handset that has not heard of a restore yet, is taken as not
    /// chained all the same, since edits before it may be lost. `earlier` is the edit that came with the same number before, whatever became of it: a refused
    /// edit has used up its number, too.
    pub fn count(&mut self, number: u64, edit: EditId, earlier: Option<EditId>) -> Counted {
        match earlier {
            Some(earlier) if earlier == edit => return Counted::Repeat,
            Some(_) => {
                self.forked = true;
                return Counted::Forked;
            }
            None => {}
        }
        let next = self.through.saturating_add(1);
        if number == next {
            self.through = number;
            while self.beyond.remove(&self.through.saturating_add(1)) {
                self.through = self.through.saturating_add(1);
            }
        } else if number > next {
            self.beyond.insert(number);
        }
        Counted::Fresh { chained: number == next && !self.forked }
    }

    /// Whether there are two copies of the handset, as far as is known. There is no way back: it enrols anew.
    #[must_use]
    pub const fn forked(&self) -> bool {
        self.forked
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use proptest::prelude::*;

    use super::*;

    fn id(number: u64) -> EditId {
        EditId::parse(&format!("019a0b5e-7c00-7000-8000-{number:012}")).unwrap()
    }

    /// The number, the edit, and what it counts for.
    type Sent = (u64, u64, Counted);

    /// The service's side: what came, and with which edit.
    #[derive(Default)]
    struct Service {
        chain: Chain,
        numbers: BTreeMap<u64, EditId>,
    }

    impl Service {
        fn take(&mut self, number: u64, edit: u64) -> Counted {
            let counted = self.chain.count(number, id(edit), self.numbers.get(&number).copied());
            self.numbers.entry(number).or_insert(id(edit));
            counted
        }
    }

    #[test]
    fn as_they_come() {
        use Counted::{Forked, Repeat};
        const CHAINED: Counted = Counted::Fresh { chained: true };
        const LOOSE: Counted = Counted::Fresh { chained: false };
        let cases: [(&str, &[Sent]); 6] = [
            ("in order", &[(1, 1, CHAINED), (2, 2, CHAINED), (3, 3, CHAINED)]),
            ("again", &[(1, 1, CHAINED), (2, 2, CHAINED), (1, 1, Repeat), (2, 2, Repeat), (3, 3, CHAINED)]),
            ("a gap that is filled", &[(2, 2, LOOSE), (3, 3, LOOSE), (1, 1, CHAINED), (4, 4, CHAINED)]),
            ("no number is nought", &[(0, 1, LOOSE), (1, 2, CHAINED)]),
            (
                "two copies",
                &[(1, 1, CHAINED), (2, 2, CHAINED), (2, 9, Forked), (3, 3, LOOSE), (3, 8, Forked)],
            ),
            ("the last number", &[(u64::MAX, 1, LOOSE), (1, 2, CHAINED)]),
        ];
        for (name, sent) in cases {
            let mut service = Service::default();
            for (number, edit, expected) in sent {
                assert_eq!(service.take(*number, *edit), *expected, "{name}: {number}");
            }
            let text = serde_json::to_string(&service.chain).unwrap();
            assert_eq!(serde_json::from_str::<Chain>(&text).unwrap(), service.chain, "{name}: {text}");
        }
    }

    proptest! {
        /// Two copies of a handset that had written `shared` edits write on, and send in order, in turns and over again
        /// from anywhere: no edit is chained above one that its copy has not seen.
        #[test]
        fn of_two_copies_no_edit_is_chained_to_the_others(
            shared in 0..4_u64,
            turns in prop::collection::vec((any::<bool>(), 1..4_u64, 0..3_u64), 1..12),
        ) {
            let edit = |copy: bool, number: u64| if number <= shared || !copy { number } else { 1000 + number };
            let mut service = Service::default();
            let mut sent = [0_u64, 0];
            // Whether each chained edit is one of the second copy alone; what was written before the copy is of both.
            let mut chained = Vec::new();
            for (copy, more, again) in turns {
                let through = &mut sent[usize::from(copy)];
                for number in through.saturating_sub(again) + 1..=*through + more {
                    if service.take(number, edit(copy, number)) == (Counted::Fresh { chained: true }) {
                        chained.push((number, copy && number > shared));
                    }
                }
                *through += more;
            }
            let diverged: BTreeSet<bool> =
                chained.iter().filter(|(number, _)| *number > shared).map(|(_, copy)| *copy).collect();
            prop_assert!(diverged.len() <= 1, "{:?}", chained);
            prop_assert_eq!(service.chain.forked(), sent.iter().all(|sent| *sent > shared));
        }

        /// However they are shuffled, in the end all have come, and the next one is chained.
        #[test]
        fn a_gap_closes(order in Just((1..10_u64).collect::<Vec<_>>()).prop_shuffle()) {
            let mut service = Service::default();
            for number in order {
                service.take(number, number);
            }
            prop_assert_eq!(service.take(10, 10), Counted::Fresh { chained: true });
            prop_assert_eq!(service.chain, Chain { through: 10, ..Chain::default() });
        }
    }
}
