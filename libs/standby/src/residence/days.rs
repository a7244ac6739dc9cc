//! Sets of days.

use model::LocalDate;

/// A day as a number.
pub(super) fn number(date: LocalDate) -> i32 {
    date.days_since(LocalDate::FIRST)
}

/// Half-open ranges of days: disjoint, in order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Days(Vec<(i32, i32)>);

impl Days {
    /// All days of the ranges, which may overlap and be empty.
    pub(super) fn of(mut ranges: Vec<(i32, i32)>) -> Self {
        ranges.retain(|(from, until)| from < until);
        ranges.sort_unstable();
        let mut merged: Vec<(i32, i32)> = Vec::new();
        for (from, until) in ranges {
            match merged.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(until),
                _ => merged.push((from, until)),
            }
        }
        Self(merged)
    }

    pub(super) fn ranges(self) -> Vec<(i32, i32)> {
        self.0
    }

    /// These days without the others.
    pub(super) fn without(&self, others: &Self) -> Self {
        let mut left = Vec::new();
        for (from, until) in &self.0 {
            let mut next = *from;
            for (begins, ends) in others.0.iter().filter(|other| other.1 > *from && other.0 < *until) {
                left.push((next, *begins));
                next = *ends;
            }
            left.push((next, *until));
        }
        Self::of(left)
    }

    /// How many of them lie between two days.
    pub(super) fn between(&self, from: i32, until: i32) -> i32 {
        self.0.iter().map(|(begins, ends)| (until.min(*ends) - from.max(*begins)).max(0)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_counted_once() {
        let days = Days::of(vec![(10, 20), (0, 5), (15, 30), (5, 6), (40, 40)]);
        assert_eq!(days, Days(vec![(0, 6), (10, 30)]));
        let rest = days.without(&Days::of(vec![(-3, 2), (12, 14), (29, 50)]));
        assert_eq!(rest, Days(vec![(2, 6), (10, 12), (14, 29)]));
        assert_eq!((rest.between(3, 15), rest.between(100, 200), rest.between(6, 10)), (6, 0, 0));
        assert_eq!(rest.without(&Days::default()), rest);
        assert_eq!(rest.without(&Days::of(vec![(0, 100)])), Days::default());
    }
}
