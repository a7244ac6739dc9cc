//! Months as exact fractions.

use std::cmp::Ordering;

use model::{Hours, LocalDate};
use serde::{Serialize, Serializer};

use crate::item::Fraction;

/// Months, exactly: whole ones and a part of the next. They serialize with two decimal places.
#[derive(Clone, Copy, Debug)]
pub struct Months {
    whole: i64,
    part: i64,
    /// More than `part`, which is not negative.
    of: i64,
}

impl Months {
    const NONE: Self = Self { whole: 0, part: 0, of: 1 };
    /// A thousand years.
    const FARTHEST: i64 = 12_000;

    /// From one day to a later one, the rest in days of the month that it lies in; none if it is not later.
    pub fn between(from: LocalDate, to: LocalDate) -> Self {
        if to <= from {
            return Self::NONE;
        }
        // No month is longer, so there are at least as many.
        let mut whole = i64::from(to.days_since(from)) / 31;
        while whole < Self::FARTHEST && moved(from, whole + 1) <= to {
            whole += 1;
        }
        let (begin, end) = (moved(from, whole), moved(from, whole + 1));
        let of = i64::from(end.days_since(begin)).max(1);
        Self { whole, part: i64::from(to.days_since(begin)).clamp(0, of - 1), of }
    }

    /// The day so many months after another.
    pub fn after(self, from: LocalDate) -> LocalDate {
        let (begin, end) = (moved(from, self.whole), moved(from, self.whole.saturating_add(1)));
        let days = i128::from(end.days_since(begin)) * i128::from(self.part) / i128::from(self.of);
        begin.plus_days(i32::try_from(days).unwrap_or(0))
    }

    /// Hundredths, rounded half up.
    pub fn hundredths(self) -> i64 {
        let (part, of) = (i128::from(self.part), i128::from(self.of));
        let hundredths = (part * 200 + of) / (2 * of);
        self.whole.saturating_mul(100).saturating_add(i64::try_from(hundredths).unwrap_or(0))
    }

    /// Until `left` is used up, if use goes on as in `months` from `start` on, over and over.
    pub(super) fn until_used(months: &[Hours], start: usize, left: Hours) -> Option<Self> {
        let sum = months.iter().fold(0_i64, |sum, hours| sum.saturating_add(hours.seconds()));
        if left <= Hours::ZERO {
            return Some(Self::NONE);
        }
        if sum <= 0 {
            return None;
        }
        // Of what fills whole rounds the last round is walked, for it may end with months without use.
        let rounds = (left.seconds() - 1) / sum;
        let mut left = left.seconds() - rounds * sum;
        let mut whole = rounds.saturating_mul(i64::try_from(months.len()).ok()?);
        for hours in months.iter().cycle().skip(start) {
            match left.cmp(&hours.seconds()) {
                Ordering::Less => return Some(Self { whole, part: left, of: hours.seconds() }),
                Ordering::Equal => return Some(Self { whole: whole + 1, ..Self::NONE }),
                Ordering::Greater => (left, whole) = (left - hours.seconds(), whole + 1),
            }
        }
        None
    }
}

fn moved(date: LocalDate, months: i64) -> LocalDate {
    date.plus_months(i32::try_from(months.clamp(0, Months::FARTHEST)).unwrap_or(0))
}

/// Until `left` is used up, from each month as the start; sorted.
pub(super) fn replays(months: &[Hours], left: Hours) -> Vec<Months> {
    let starts = 0..months.len();
    let mut all: Vec<Months> = starts.filter_map(|start| Months::until_used(months, start, left)).collect();
    all.sort_unstable();
    all
}

/// The share that comes before `limit`.
pub(super) fn share(replays: &[Months], limit: Months) -> Fraction {
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    let before = replays.iter().filter(|months| **months < limit).count();
    Fraction::of(count(before), count(replays.len()))
}

impl Ord for Months {
    fn cmp(&self, other: &Self) -> Ordering {
        let (a, b) =
            (i128::from(self.part) * i128::from(other.of), i128::from(other.part) * i128::from(self.of));
        self.whole.cmp(&other.whole).then(a.cmp(&b))
    }
}
impl PartialOrd for Months {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl PartialEq for Months {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Months {}

impl Serialize for Months {
    #[allow(clippy::cast_precision_loss, reason = "at most a thousand years in hundredths of a month")]
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(self.hundredths() as f64 / 100.0)
    }
}
