//! The order in which the edits of one push are judged.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// What an edit makes, and what has to be there before it.
#[derive(Clone, Debug)]
pub struct Needs<K> {
    /// The record that is there once it is accepted.
    pub makes: Option<K>,
    /// The records that it is about or names.
    pub needs: BTreeSet<K>,
}

/// The places of the edits in an order in which whatever makes a record comes before those who need it, as near to the
/// order given as that allows. Those that need each other in a ring keep their order, at the end.
///
/// ```
/// use merge::{Needs, parents_first};
///
/// let edit = |makes, needs: &[&'static str]| Needs { makes, needs: needs.iter().copied().collect() };
/// let edits = [edit(None, &["unit"]), edit(Some("unit"), &["site"]), edit(None, &[]), edit(Some("site"), &[])];
/// assert_eq!(parents_first(&edits), [2, 3, 1, 0]);
/// ```
#[must_use]
pub fn parents_first<K: Ord>(edits: &[Needs<K>]) -> Vec<usize> {
    let mut makers: BTreeMap<&K, Vec<usize>> = BTreeMap::new();
    for (at, edit) in edits.iter().enumerate() {
        edit.makes.iter().for_each(|made| makers.entry(made).or_default().push(at));
    }
    // Of two edits that would make the same record one is a repeat or refused, so that the first is enough.
    let first = |needed: &K| makers.get(needed).and_then(|places| places.first()).copied();
    let mut open: Vec<BTreeSet<usize>> = Vec::with_capacity(edits.len());
    let mut needed_by: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (at, edit) in edits.iter().enumerate() {
        let needs: BTreeSet<usize> =
            edit.needs.iter().filter_map(first).filter(|maker| *maker != at).collect();
        needs.iter().for_each(|maker| needed_by.entry(*maker).or_default().push(at));
        open.push(needs);
    }
    let mut ready: VecDeque<usize> =
        (0..edits.len()).filter(|at| open.get(*at).is_some_and(BTreeSet::is_empty)).collect();
    let mut order = Vec::with_capacity(edits.len());
    while let Some(next) = ready.pop_front() {
        order.push(next);
        for waiting in needed_by.remove(&next).into_iter().flatten() {
            let Some(needs) = open.get_mut(waiting) else { continue };
            if needs.remove(&next) && needs.is_empty() {
                ready.push_back(waiting);
            }
        }
    }
    let placed: BTreeSet<usize> = order.iter().copied().collect();
    order.extend((0..edits.len()).filter(|at| !placed.contains(at)));
    order
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn edits() -> impl Strategy<Value = Vec<Needs<u8>>> {
        let edit = (prop::option::of(0..8_u8), prop::collection::btree_set(0..8_u8, 0..3));
        prop::collection::vec(edit.prop_map(|(makes, needs)| Needs { makes, needs }), 0..12)
    }

    proptest! {
        #[test]
        fn every_edit_once_and_never_before_what_it_needs(edits in edits()) {
            let order = parents_first(&edits);
            let mut sorted = order.clone();
            sorted.sort_unstable();
            prop_assert_eq!(sorted, (0..edits.len()).collect::<Vec<_>>());

            // By hand: what can be reached when everything whose needs are made or not made here at all may go.
            let maker = |needed: u8| edits.iter().position(|edit| edit.makes == Some(needed));
            let mut reachable = BTreeSet::new();
            while let Some(next) = (0..edits.len()).find(|at| {
                let made = |needed: &u8| maker(*needed).is_none_or(|by| by == *at || reachable.contains(&by));
                !reachable.contains(at) && edits[*at].needs.iter().all(made)
            }) {
                reachable.insert(next);
            }
            let place = |at: usize| order.iter().position(|placed| *placed == at).unwrap();
            for at in &reachable {
                for by in edits[*at].needs.iter().filter_map(|needed| maker(*needed)).filter(|by| by != at) {
                    prop_assert!(place(by) < place(*at), "{} before {}", at, by);
                }
            }
            let ring: Vec<usize> = order[reachable.len()..].to_vec();
            prop_assert!(ring.is_sorted() && ring.iter().all(|at| !reachable.contains(at)));
        }
    }

    #[test]
    fn what_needs_nothing_keeps_its_order() {
        let plain = Needs::<u8> { makes: None, needs: BTreeSet::new() };
        assert_eq!(parents_first(&vec![plain; 5]), [0, 1, 2, 3, 4]);
    }
}
