//! Parking: edits that wait for something to come, and groups of edits that are taken together or not at all.

use std::collections::{BTreeMap, BTreeSet};

use model::Instant;

use crate::gate::Reason;

/// How long an edit waits for what it is about, before a person has to look at it.
pub const PARKED_AT_MOST_DAYS: i64 = 30;

/// What a parked edit waits for. `R` names a record, `P` a person, `G` a group.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Waits<R, P, G> {
    /// Records that are not there, or that its author may not see, which looks the same.
    Parents {
        /// The records.
        missing: BTreeSet<R>,
        /// Whose grants may bring them into sight.
        author: P,
    },
    /// A service that knows this format.
    Format(u32),
    /// The other edits of its group.
    Group(G),
}

/// What has come that may end a waiting.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrival<R, P, G> {
    /// A record, or a unit that came to other sites.
    Record(R),
    /// A change of what a person may see.
    Grant(P),
    /// A newer service, which knows formats up to this one.
    Format(u32),
    /// Another edit of a group.
    Member(G),
}

impl<R: Ord, P: Ord, G: Ord> Waits<R, P, G> {
    /// Whether the edit is to be tried again now that something has come. Trying decides; being tried in vain does no
    /// harm.
    ///
    /// ```
    /// use std::collections::BTreeSet;
    /// use merge::{Arrival, Waits};
    ///
    /// let waits: Waits<&str, &str, u8> =
    ///     Waits::Parents { missing: BTreeSet::from(["pump"]), author: "Ann" };
    /// assert!(waits.tried_at(&Arrival::Record("pump")));
    /// assert!(waits.tried_at(&Arrival::Grant("Ann")));
    /// assert!(!waits.tried_at(&Arrival::Grant("Ben")));
    /// ```
    pub fn tried_at(&self, arrival: &Arrival<R, P, G>) -> bool {
        match (self, arrival) {
            (Self::Parents { missing, .. }, Arrival::Record(record)) => missing.contains(record),
            (Self::Parents { author, .. }, Arrival::Grant(person)) => author == person,
            (Self::Format(format), Arrival::Format(known)) => format <= known,
            (Self::Group(group), Arrival::Member(member)) => group == member,
            _ => false,
        }
    }
}

/// Whether an edit that was parked at `since` is held now: [`Reason::ParentMissing`]. One of a newer format waits
/// longer, as nobody can read it, and so does one of a group that is not complete.
pub fn waited_too_long<R, P, G>(waits: &Waits<R, P, G>, since: Instant, now: Instant) -> Option<Reason> {
    let until = since.plus_seconds(PARKED_AT_MOST_DAYS * 24 * 3600);
    (matches!(waits, Waits::Parents { .. }) && now > until).then_some(Reason::ParentMissing)
}

/// What would become of one edit, were it alone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Alone<W> {
    /// It would be applied.
    Applied,
    /// It waits for this.
    Parked(W),
    /// It waits for a person.
    Held(Reason),
    /// It is refused.
    Refused,
}

/// What becomes of all edits of a group.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Together<E, W> {
    /// They are applied, in one transaction.
    Applied,
    /// They wait until the others are there, too.
    Incomplete,
    /// They wait for these.
    Parked(BTreeMap<E, W>),
    /// They wait for a person, whose decision is about all of them.
    Held(Reason),
    /// They are refused since these are.
    Refused(BTreeSet<E>),
}

/// What becomes of a group of `size` edits of which those in `alone` are there: all are applied, or none is.
///
/// Whatever is worst for one of them happens to all; a group with more edits than it says is refused whole.
///
/// ```
/// use merge::{Alone, Together, together};
///
/// let two = |second: Alone<&'static str>| [(1, Alone::Applied), (2, second)].into();
/// assert_eq!(together(2, &two(Alone::Applied)), Together::Applied);
/// assert_eq!(together(3, &two(Alone::Applied)), Together::Incomplete);
/// assert_eq!(together(2, &two(Alone::Parked("pump"))), Together::Parked([(2, "pump")].into()));
/// ```
pub fn together<E: Ord + Copy, W: Clone>(size: usize, alone: &BTreeMap<E, Alone<W>>) -> Together<E, W> {
    if alone.len() > size {
        return Together::Refused(alone.keys().copied().collect());
    }
    let refused: BTreeSet<E> =
        of(alone, |one| matches!(one, Alone::Refused).then_some(())).into_keys().collect();
    if !refused.is_empty() {
        return Together::Refused(refused);
    }
    if alone.len() < size {
        return Together::Incomplete;
    }
    let parked = of(alone, |one| if let Alone::Parked(waits) = one { Some(waits.clone()) } else { None });
    if !parked.is_empty() {
        return Together::Parked(parked);
    }
    let held = of(alone, |one| if let Alone::Held(reason) = one { Some(*reason) } else { None });
    held.into_values().min().map_or(Together::Applied, Together::Held)
}

fn of<E: Ord + Copy, W, T>(
    alone: &BTreeMap<E, Alone<W>>,
    what: impl Fn(&Alone<W>) -> Option<T>,
) -> BTreeMap<E, T> {
    alone.iter().filter_map(|(edit, one)| what(one).map(|what| (*edit, what))).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    type Wait = Waits<u8, char, u8>;

    fn parents(missing: &[u8]) -> Wait {
        Waits::Parents { missing: missing.iter().copied().collect(), author: 'a' }
    }

    #[test]
    fn what_ends_which_waiting() {
        let arrivals = [
            Arrival::Record(1),
            Arrival::Record(2),
            Arrival::Grant('a'),
            Arrival::Grant('b'),
            Arrival::Format(2),
        ];
        let arrivals =
            arrivals.into_iter().chain([Arrival::Format(3), Arrival::Member(1), Arrival::Member(2)]);
        let cases: [(Wait, [bool; 8]); 4] = [
            (parents(&[1]), [true, false, true, false, false, false, false, false]),
            (parents(&[1, 2]), [true, true, true, false, false, false, false, false]),
            (Waits::Format(3), [false, false, false, false, false, true, false, false]),
            (Waits::Group(2), [false, false, false, false, false, false, false, true]),
        ];
        for (waits, expected) in cases {
            let found: Vec<bool> = arrivals.clone().map(|arrival| waits.tried_at(&arrival)).collect();
            assert_eq!(found, expected, "{waits:?}");
        }
    }

    #[test]
    fn thirty_days_are_enough() {
        let since = Instant::from_micros(0);
        let day = |days: i64| since.plus_seconds(days * 24 * 3600);
        let held = Some(Reason::ParentMissing);
        let cases: [(Wait, Instant, Option<Reason>); 5] = [
            (parents(&[1]), day(1), None),
            (parents(&[1]), day(30), None),
            (parents(&[1]), day(30).plus_seconds(1), held),
            (Waits::Format(2), day(99), None),
            (Waits::Group(1), day(99), None),
        ];
        for (waits, now, expected) in cases {
            assert_eq!(waited_too_long(&waits, since, now), expected, "{waits:?} {now:?}");
        }
    }

    /// Every group of up to four edits, whatever becomes of each alone, against the rule read off one by one.
    #[test]
    fn the_worst_for_one_is_for_all() {
        let each = [
            Alone::Applied,
            Alone::Parked(parents(&[1])),
            Alone::Held(Reason::UnknownAuthor),
            Alone::Held(Reason::HandsetRevoked),
            Alone::Refused,
        ];
        for count in 0..=4_u32 {
            for which in 0..5_usize.pow(count) {
                let members: Vec<_> =
                    (0..count).map(|at| each[which / 5_usize.pow(at) % 5].clone()).collect();
                for size in 1..=5 {
                    let alone = members.iter().cloned().enumerate().collect();
                    judge(size, &members, together(size, &alone));
                }
            }
        }
    }

    fn judge(size: usize, members: &[Alone<Wait>], found: Together<usize, Wait>) {
        let any = |what: &Alone<Wait>| members.contains(what);
        let at =
            |what: &Alone<Wait>| (0..members.len()).filter(|at| members[*at] == *what).collect::<Vec<_>>();
        let waits = Alone::Parked(parents(&[1]));
        let right = match &found {
            Together::Refused(edits) if members.len() > size => edits.len() == members.len(),
            Together::Refused(edits) => edits.iter().copied().eq(at(&Alone::Refused)) && !edits.is_empty(),
            Together::Incomplete => members.len() < size && !any(&Alone::Refused),
            Together::Parked(edits) => members.len() == size && edits.keys().copied().eq(at(&waits)),
            Together::Held(reason) => {
                members.len() == size
                    && any(&Alone::Held(*reason))
                    && !any(&Alone::Refused)
                    && !any(&waits)
                    && (*reason == Reason::HandsetRevoked || !any(&Alone::Held(Reason::HandsetRevoked)))
            }
            Together::Applied => members.len() == size && members.iter().all(|one| *one == Alone::Applied),
        };
        assert!(right, "{size} {members:?} {found:?}");
    }

    /// A service with nothing but records that need records, in which what waits is tried when something comes.
    #[derive(Default)]
    struct Service {
        there: BTreeSet<u8>,
        parked: Vec<(u8, BTreeSet<u8>, Wait)>,
    }

    impl Service {
        fn take(&mut self, makes: u8, needs: BTreeSet<u8>) {
            let missing: BTreeSet<u8> = needs.difference(&self.there).copied().collect();
            if !missing.is_empty() {
                self.parked.push((makes, needs, Waits::Parents { missing, author: 'a' }));
                return;
            }
            self.there.insert(makes);
            let tried = |parked: &mut (u8, BTreeSet<u8>, Wait)| parked.2.tried_at(&Arrival::Record(makes));
            let tried: Vec<_> = self.parked.extract_if(.., tried).collect();
            tried.into_iter().for_each(|(makes, needs, _)| self.take(makes, needs));
        }
    }

    /// Four records of which each may need any of the others, rings included, in every order of arrival.
    #[test]
    fn all_needs_of_four_in_all_orders() {
        let others = |one: u8| (0..4_u8).filter(move |other| *other != one).enumerate();
        for history in 0_u32..1 << 12 {
            let needs = |one: u8| -> BTreeSet<u8> {
                let needed = others(one).filter(|(bit, _)| history >> (3 * usize::from(one) + bit) & 1 == 1);
                needed.map(|(_, other)| other).collect()
            };
            let mut there = BTreeSet::new();
            while let Some(next) = (0..4).find(|one| !there.contains(one) && needs(*one).is_subset(&there)) {
                there.insert(next);
            }
            for order in 0..24_usize {
                let mut left: Vec<u8> = (0..4).collect();
                let mut service = Service::default();
                for place in [order / 6, order / 2 % 3, order % 2, 0] {
                    let makes = left.remove(place);
                    service.take(makes, needs(makes));
                }
                assert_eq!(service.there, there, "{history:b} {order}");
                assert_eq!(service.parked.len(), 4 - there.len(), "{history:b} {order}");
            }
        }
    }

    proptest! {
        /// In whatever order they come, those are there whose needs are there, and the others still wait.
        #[test]
        fn the_order_of_arrival_does_not_matter(
            needs in prop::collection::vec(prop::collection::btree_set(0..8_u8, 0..3), 8),
            order in Just((0..8_u8).collect::<Vec<_>>()).prop_shuffle(),
            lost in prop::option::of(0..8_u8),
        ) {
            let mut service = Service::default();
            for makes in order.iter().filter(|makes| Some(**makes) != lost) {
                service.take(*makes, needs[usize::from(*makes)].clone());
            }
            let mut expected = BTreeSet::new();
            while let Some(next) = (0..8_u8).find(|one| {
                let needs = &needs[usize::from(*one)];
                Some(*one) != lost && !expected.contains(one) && needs.is_subset(&expected)
            }) {
                expected.insert(next);
            }
            prop_assert_eq!(service.there.len() + service.parked.len(), 8 - usize::from(lost.is_some()));
            prop_assert_eq!(service.there, expected);
        }
    }
}
