//! The feed: which sites a change is told to, and what a handset that may see some of them reads of it.

use std::collections::{BTreeMap, BTreeSet};

/// What a line of the feed tells a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Told {
    /// Something changed that it had in scope before.
    Change,
    /// It gains a unit, with all that belongs to it.
    Enter,
    /// It loses a unit.
    Leave,
}

/// The lines of a row about a unit, from the sites that had the unit in scope before it and that have it after.
///
/// `revived` says that the row ends the unit's retirement. Who came to know the feed meanwhile was not given the unit,
/// so that it enters everywhere.
///
/// ```
/// use std::collections::BTreeSet;
/// use merge::{Told, lines};
///
/// let (before, after) = (BTreeSet::from(["depot", "well"]), BTreeSet::from(["depot", "hall"]));
/// let told = lines(&before, &after, false);
/// assert_eq!(told, [("depot", Told::Change), ("hall", Told::Enter), ("well", Told::Leave)]);
/// ```
#[must_use]
pub fn lines<S: Ord + Copy>(before: &BTreeSet<S>, after: &BTreeSet<S>, revived: bool) -> Vec<(S, Told)> {
    let told = |site: &S| (*site, if before.contains(site) && !revived { Told::Change } else { Told::Enter });
    let left = before.difference(after).map(|site| (*site, Told::Leave));
    after.iter().map(told).chain(left).collect()
}

/// A line of the feed as it is read. `S` names a site, `R` a record or fact.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line<S, R> {
    /// Whom it is told; none for the whole organization.
    pub site: Option<S>,
    /// The unit it is about; none where it is about no unit.
    pub unit: Option<R>,
    /// What changed; where a unit comes or goes, the unit.
    pub record: R,
    /// What is told.
    pub told: Told,
    /// Whether the reader can do this change itself: its own edit, which counts as it was written. Never while the sites
    /// change that it follows.
    pub own: bool,
}

/// What a handset is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Item<R> {
    /// A record as it is now.
    Record(R),
    /// The id and version of a record that the handset's own edit made as it is.
    Echo(R),
    /// A unit with all that belongs to it, as it is now.
    Unit(R),
    /// A unit that it may not see any more: it is dropped with all that belongs to it, which is no retirement.
    Forget(R),
}

/// What a handset is sent for the lines of a page: each record at most once, as it is now.
///
/// `sites` are those whose lines the handset follows, `in_scope` whether it may see a unit *now*, through whichever of
/// its sites, or a record of a site that is about no unit; while its sites change, through whichever of those that it
/// keeps ([`rescoped`]). A unit that left one of them is forgotten only if none is left; one that has gone again already
/// is not sent, since the line by which it left is on a later page. So a handset may be sent an event before the unit,
/// which then follows with all that belongs to it.
///
/// ```
/// use std::collections::BTreeSet;
/// use merge::{Item, Line, Told, page};
///
/// let line = |site, record, told| Line { site: Some(site), unit: Some("pump"), record, told, own: false };
/// let moved = [line("depot", "pump", Told::Leave), line("hall", "pump", Told::Enter), line("hall", "oil", Told::Change)];
/// let of = |sites: &[&'static str]| sites.iter().copied().collect::<BTreeSet<_>>();
/// assert_eq!(page(&of(&["hall"]), &moved, |_| true), [Item::Unit("pump")]);
/// assert_eq!(page(&of(&["depot"]), &moved, |_| false), [Item::Forget("pump")]);
/// assert_eq!(page(&of(&["depot", "hall"]), &moved, |_| true), [Item::Unit("pump")]);
/// assert_eq!(page(&of(&["well"]), &moved, |_| false), []);
/// ```
#[must_use]
pub fn page<S: Ord, R: Ord + Clone>(
    sites: &BTreeSet<S>,
    lines: &[Line<S, R>],
    in_scope: impl Fn(&R) -> bool,
) -> Vec<Item<R>> {
    let followed = |line: &&Line<S, R>| line.site.as_ref().is_none_or(|site| sites.contains(site));
    let mut seen = BTreeMap::new();
    // By record: where it was named first, of which unit it is, and whether all changes of it are own ones.
    let mut records: BTreeMap<R, (usize, Option<R>, bool)> = BTreeMap::new();
    let mut units: BTreeMap<R, (usize, Item<R>)> = BTreeMap::new();
    for (at, line) in lines.iter().enumerate().filter(|(_, line)| followed(line)) {
        let about = line.unit.as_ref().unwrap_or(&line.record);
        let visible = line.site.is_none() || *seen.entry(about).or_insert_with(|| in_scope(about));
        match (line.told, &line.unit, visible) {
            (Told::Change, unit, true) => {
                let known = records.entry(line.record.clone()).or_insert((at, unit.clone(), true));
                known.2 &= line.own;
            }
            (Told::Enter, Some(unit), true) => {
                units.entry(unit.clone()).or_insert((at, Item::Unit(unit.clone())));
            }
            (Told::Leave, Some(unit), false) => {
                units.entry(unit.clone()).or_insert((at, Item::Forget(unit.clone())));
            }
            _ => {}
        }
    }
    // A unit brings all that belongs to it.
    records.retain(|_, (_, unit, _)| unit.as_ref().is_none_or(|unit| !units.contains_key(unit)));
    let records = records
        .into_iter()
        .map(|(record, (at, _, own))| (at, if own { Item::Echo(record) } else { Item::Record(record) }));
    let mut items: Vec<_> = records.chain(units.into_values()).collect();
    items.sort_by_key(|(at, _)| *at);
    items.into_iter().map(|(_, item)| item).collect()
}

/// What a handset is sent of a unit when the sites change that it follows: `had` until now, `has` from now on.
///
/// `of_unit` are the unit's sites now. None where there is nothing to be sent: what the handset has through a site that
/// it keeps need not be sent again. What it had through another one it may have lost meanwhile.
///
/// Before this is asked of all units, the handset reads the feed up to some row by the lines of `had`, and in scope is
/// what it sees through the sites that it keeps: a unit that went to a gained site is forgotten, since nothing would tell
/// that it left that one, too, and comes again here. Afterwards it goes on from that row by the lines of both, in scope by
/// `has`, up to the last row there was when all units had been asked about, since units move meanwhile. Of a retired unit
/// that would be sent it is told to forget it: it may have it as it was before. If the sites change again before the end
/// of that, it fills afresh.
///
/// ```
/// use std::collections::BTreeSet;
/// use merge::{Item, rescoped};
///
/// let of = |sites: &[&'static str]| sites.iter().copied().collect::<BTreeSet<_>>();
/// let (had, has) = (of(&["depot", "well"]), of(&["depot", "hall"]));
/// assert_eq!(rescoped("pump", &of(&["hall"]), &had, &has), Some(Item::Unit("pump")));
/// assert_eq!(rescoped("pump", &of(&["well"]), &had, &has), Some(Item::Forget("pump")));
/// assert_eq!(rescoped("pump", &of(&["depot", "hall"]), &had, &has), None);
/// ```
#[must_use]
pub fn rescoped<S: Ord, R>(
    unit: R,
    of_unit: &BTreeSet<S>,
    had: &BTreeSet<S>,
    has: &BTreeSet<S>,
) -> Option<Item<R>> {
    let kept = of_unit.iter().any(|site| had.contains(site) && has.contains(site));
    match (of_unit.is_disjoint(had), of_unit.is_disjoint(has)) {
        (_, false) if !kept => Some(Item::Unit(unit)),
        (false, true) => Some(Item::Forget(unit)),
        (true, true) | (_, false) => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    type Sites = BTreeSet<u8>;

    const UNIT: u16 = 100;

    /// Sites before and after, whether the row revives, and whom it is told.
    type Row = (&'static [u8], &'static [u8], bool, &'static [(u8, Told)]);
    /// Lines, whether their unit is in scope now, and what they come to.
    type Page = (&'static str, Vec<Line<u8, u16>>, bool, &'static [Item<u16>]);

    fn line(site: u8, record: u16, told: Told, own: bool) -> Line<u8, u16> {
        Line { site: Some(site), unit: Some(UNIT), record, told, own }
    }

    #[test]
    fn whom_a_row_is_told() {
        use Told::{Change, Enter, Leave};
        let cases: [Row; 6] = [
            (&[], &[1, 2], false, &[(1, Enter), (2, Enter)]),
            (&[1], &[1], false, &[(1, Change)]),
            (&[1], &[2], false, &[(2, Enter), (1, Leave)]),
            (&[1, 2], &[2, 3], false, &[(2, Change), (3, Enter), (1, Leave)]),
            (&[1, 2], &[2, 3], true, &[(2, Enter), (3, Enter), (1, Leave)]),
            (&[1], &[], false, &[(1, Leave)]),
        ];
        for (before, after, revived, expected) in cases {
            let of = |sites: &[u8]| sites.iter().copied().collect::<Sites>();
            assert_eq!(lines(&of(before), &of(after), revived), expected, "{before:?} {after:?} {revived}");
        }
    }

    #[test]
    fn what_a_page_comes_to() {
        use Told::{Change, Enter, Leave};
        let of_all = Line { site: None, unit: None, record: 7, told: Change, own: false };
        let cases: [Page; 9] = [
            ("nothing", vec![], true, &[]),
            ("a change", vec![line(1, 5, Change, false)], true, &[Item::Record(5)]),
            ("of nobody's site", vec![line(9, 5, Change, false)], true, &[]),
            ("of the organization", vec![of_all], false, &[Item::Record(7)]),
            ("own", vec![line(1, 5, Change, true), line(2, 5, Change, true)], true, &[Item::Echo(5)]),
            (
                "own, and of others",
                vec![line(1, 5, Change, true), line(1, 6, Change, true), line(1, 5, Change, false)],
                true,
                &[Item::Record(5), Item::Echo(6)],
            ),
            (
                "came with all that belongs to it",
                vec![line(1, 5, Change, false), line(2, UNIT, Enter, false), line(1, 5, Change, true)],
                true,
                &[Item::Unit(UNIT)],
            ),
            ("gone again", vec![line(1, UNIT, Enter, false), line(1, 5, Change, false)], false, &[]),
            (
                "came and went",
                vec![line(1, UNIT, Enter, false), line(1, UNIT, Leave, false), line(2, UNIT, Leave, false)],
                false,
                &[Item::Forget(UNIT)],
            ),
        ];
        for (name, lines, in_scope, expected) in cases {
            assert_eq!(page(&Sites::from([1, 2]), &lines, |_| in_scope), expected, "{name}");
        }
    }

    /// One unit with the sites it has row by row, and the version of it and its events that each row makes.
    #[derive(Debug)]
    struct Story {
        sites: Vec<Sites>,
    }

    impl Story {
        /// The lines of the rows from `from` on, up to and without `to`.
        fn lines(&self, from: usize, to: usize) -> Vec<Line<u8, u16>> {
            let none = Sites::new();
            let before = |row: usize| row.checked_sub(1).map_or(&none, |row| &self.sites[row]);
            let of_row = |row: usize| {
                let record = u16::try_from(row).unwrap();
                lines(before(row), &self.sites[row], false).into_iter().map(move |(site, told)| {
                    let record = if told == Told::Change { record } else { UNIT };
                    line(site, record, told, false)
                })
            };
            (from..to).flat_map(of_row).collect()
        }

        /// What a handset is sent that follows some sites, and sees what is at the sites that count.
        fn read(&self, follow: &Sites, count: &Sites, has: &mut Known, lines: &[Line<u8, u16>], now: usize) {
            page(follow, lines, |_| !self.sites[now].is_disjoint(count))
                .into_iter()
                .for_each(|item| take(has, item, now));
        }
    }

    /// What a handset has of the unit: the rows whose records it was sent, or none where it has not the unit.
    type Known = Option<BTreeSet<u16>>;

    fn rows(now: usize) -> BTreeSet<u16> {
        (0..=u16::try_from(now).unwrap()).collect()
    }

    fn take(has: &mut Known, item: Item<u16>, now: usize) {
        match item {
            Item::Unit(_) => *has = Some(rows(now)),
            Item::Forget(_) => *has = None,
            // One that it was not sent the unit of: that follows, with all that belongs to it.
            Item::Record(row) => has.iter_mut().for_each(|has| has.extend([row])),
            Item::Echo(row) => panic!("{row} is echoed to a handset that wrote nothing"),
        }
    }

    /// What a handset has in the end whose sites change, from the row `begins` on: by then it has read all. It reads the
    /// lines of `had` when the unit has got to `moved` and then to `head`, asks at `asked`, and follows the lines of
    /// both up to `until`.
    fn changed_over(
        story: &Story,
        had: &Sites,
        has: &Sites,
        [begins, moved, head, asked, until]: [usize; 5],
    ) -> Known {
        let kept: Sites = had & has;
        let mut known = (!story.sites[begins].is_disjoint(had)).then(|| rows(begins));
        story.read(had, &kept, &mut known, &story.lines(begins + 1, moved + 1), moved);
        story.read(had, &kept, &mut known, &story.lines(moved + 1, head + 1), head);
        if let Some(item) = rescoped(UNIT, &story.sites[asked], had, has) {
            take(&mut known, item, asked);
        }
        let end = story.sites.len() - 1;
        story.read(&(had | has), has, &mut known, &story.lines(head + 1, until + 1), until);
        story.read(has, has, &mut known, &story.lines(until + 1, end + 1), end);
        known
    }

    #[test]
    fn a_unit_that_went_to_a_gained_site_and_left_it_is_not_kept() {
        let of = |sites: &[u8]| sites.iter().copied().collect::<Sites>();
        let story = Story { sites: vec![of(&[1]), of(&[2]), of(&[3])] };
        assert_eq!(changed_over(&story, &of(&[1]), &of(&[1, 2]), [0, 1, 2, 2, 2]), None);
    }

    fn sites() -> impl Strategy<Value = Sites> {
        prop::collection::btree_set(0..4_u8, 1..3)
    }

    proptest! {
        /// Wherever the pages end, and however far the unit has got when each is read: in the end a handset has the unit
        /// with all its rows if it may see it, and else nothing of it.
        #[test]
        fn in_the_end_a_handset_has_what_it_may_see(
            story in prop::collection::vec(sites(), 1..12).prop_map(|sites| Story { sites }),
            handset in sites(),
            pages in prop::collection::vec((1..4_usize, 0..4_usize), 12),
        ) {
            let count = story.sites.len();
            let (mut read, mut now, mut has) = (0, 0, None);
            for (size, ahead) in pages {
                let to = count.min(read + size);
                if read < to {
                    now = (count - 1).min(to - 1 + ahead).max(now);
                    story.read(&handset, &handset, &mut has, &story.lines(read, to), now);
                }
                read = to;
            }
            let visible = !story.sites[count - 1].is_disjoint(&handset);
            prop_assert_eq!(has, visible.then(|| rows(count - 1)));
        }

        /// However a unit moves while the sites of a handset change: in the end it has what it may see.
        #[test]
        fn in_the_end_a_handset_whose_sites_change_has_what_it_may_see(
            story in prop::collection::vec(sites(), 1..12).prop_map(|sites| Story { sites }),
            had in sites(),
            has in sites(),
            mut steps in prop::array::uniform5(0..12_usize),
        ) {
            let end = story.sites.len() - 1;
            steps.sort_unstable();
            let known = changed_over(&story, &had, &has, steps.map(|row| row.min(end)));
            prop_assert_eq!(known, (!story.sites[end].is_disjoint(&has)).then(|| rows(end)));
        }

        /// Told or rescoped, a handset ends with the units that it may see.
        #[test]
        fn new_sites_bring_their_units_and_lost_ones_take_them(
            units in prop::collection::vec(sites(), 0..6), had in sites(), has in sites(),
        ) {
            for of_unit in units {
                let before = !of_unit.is_disjoint(&had);
                let after = match rescoped(UNIT, &of_unit, &had, &has) {
                    None => before,
                    Some(item) => item == Item::Unit(UNIT),
                };
                prop_assert_eq!(after, !of_unit.is_disjoint(&has));
            }
        }

        #[test]
        fn no_record_is_sent_twice(
            lines in prop::collection::vec((0..3_u8, 0..4_u16, 0..3_usize, any::<bool>()), 0..12),
            visible in any::<bool>(),
        ) {
            let told = [Told::Change, Told::Enter, Told::Leave];
            let lines: Vec<_> = lines.into_iter().map(|(site, record, which, own)| {
                line(site, if which == 0 { record } else { UNIT }, told[which], own)
            }).collect();
            let items = page(&Sites::from([0, 1]), &lines, |_| visible);
            let names: Vec<u16> = items.iter().map(|item| match item {
                Item::Record(r) | Item::Echo(r) | Item::Unit(r) | Item::Forget(r) => *r,
            }).collect();
            prop_assert_eq!(names.iter().collect::<BTreeSet<_>>().len(), names.len());
            prop_assert!(visible || items.iter().all(|item| matches!(item, Item::Forget(_))));
        }
    }
}
