//! How fast hours grow while nobody reads the meter.

use model::{Hours, Instant};

use crate::input::Policy;

const WEEK_SECONDS: i64 = 7 * 86_400;
/// How far back use is looked at.
const WEEKS: i64 = 52;
/// The same in seconds.
pub(crate) const LOOKED_BACK_SECONDS: i64 = WEEKS * WEEK_SECONDS;

/// Use as hours per week; at most the clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Rate {
    weekly_seconds: i64,
}

impl Rate {
    pub(crate) fn of_weekly(hours: Hours) -> Self {
        Self { weekly_seconds: hours.seconds().clamp(0, WEEK_SECONDS) }
    }

    /// The 95th percentile and the median, by nearest rank, of weekly use in the 52 whole weeks before the newest
    /// reading, as far as there are readings. The former is never below the policy's least.
    ///
    /// `hours` are the engine hours at an instant between the first and the newest reading.
    pub(crate) fn upper_and_middle(
        readings: Option<(Instant, Instant)>,
        hours: impl Fn(Instant) -> Hours,
        policy: &Policy,
    ) -> (Self, Self) {
        let mut weeks: Vec<Hours> = Vec::new();
        if let Some((first, newest)) = readings {
            weeks = weekly(first, newest, hours);
        }
        // A hundredth of an hour per day is 7 × 36 seconds per week.
        let least = Hours::from_seconds(policy.least_rate_hundredths_per_day.saturating_mul(7 * 36));
        let upper = nearest_rank(&weeks, 95).max(least);
        (Self::of_weekly(upper), Self::of_weekly(nearest_rank(&weeks, 50)))
    }

    /// The median of weekly use in the 52 whole weeks before `newest`, as far back as `first`.
    pub(crate) fn middle(first: Instant, newest: Instant, hours: impl Fn(Instant) -> Hours) -> Self {
        Self::of_weekly(nearest_rank(&weekly(first, newest, hours), 50))
    }

    /// Whether nothing is used, however long.
    pub(crate) fn is_still(self) -> bool {
        self.weekly_seconds == 0
    }

    /// The use in a time, in full seconds: a limit is then reached no sooner than by exact arithmetic.
    pub(crate) fn use_in(self, seconds: i64) -> Hours {
        Hours::from_seconds(self.weekly_seconds.saturating_mul(seconds.max(0)) / WEEK_SECONDS)
    }

    /// The first instant, whole seconds after `from`, by which [`use_in`](Self::use_in) comes to `hours`.
    pub(crate) fn reaches(self, hours: Hours, from: Instant) -> Instant {
        if hours <= Hours::ZERO {
            return from;
        }
        if self.weekly_seconds == 0 {
            return Instant::LAST;
        }
        let needed = hours.seconds().saturating_mul(WEEK_SECONDS);
        from.plus_seconds(needed / self.weekly_seconds + i64::from(needed % self.weekly_seconds != 0))
    }
}

/// Use in the whole weeks before `newest` and after `first`, at most 52, sorted.
fn weekly(first: Instant, newest: Instant, hours: impl Fn(Instant) -> Hours) -> Vec<Hours> {
    let whole = (newest.seconds_since(first) / WEEK_SECONDS).min(WEEKS);
    let mut later = hours(newest);
    let week = |week: i64| {
        let earlier = hours(newest.plus_seconds(-week * WEEK_SECONDS));
        std::mem::replace(&mut later, earlier) - earlier
    };
    let mut weeks: Vec<Hours> = (1..=whole).map(week).collect();
    weeks.sort_unstable();
    weeks
}

/// The smallest value that at least `percent` of the sorted values do not exceed; nought of none.
fn nearest_rank(sorted: &[Hours], percent: usize) -> Hours {
    let rank = (sorted.len() * percent).div_ceil(100);
    rank.checked_sub(1).and_then(|at| sorted.get(at)).copied().unwrap_or(Hours::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reaches_is_the_first_instant_of_use_in() {
        for weekly in [60, 700, 12_600, 22_680, WEEK_SECONDS] {
            let rate = Rate { weekly_seconds: weekly };
            for hours in [1, 2, 359, 3600, 100 * 3600].map(Hours::from_seconds) {
                let seconds = rate.reaches(hours, Instant::FIRST).seconds_since(Instant::FIRST);
                assert!(
                    rate.use_in(seconds) >= hours && rate.use_in(seconds - 1) < hours,
                    "{weekly} {hours}"
                );
            }
        }
    }

    #[test]
    fn nearest_rank_of_few_and_many() {
        let hours = |n: i64| (1..=n).map(|h| Hours::from_seconds(h * 3600)).collect::<Vec<_>>();
        for (n, percent, expected) in
            [(0, 95, 0), (1, 50, 1), (10, 95, 10), (10, 50, 5), (52, 95, 50), (52, 50, 26)]
        {
            assert_eq!(nearest_rank(&hours(n), percent).seconds(), expected * 3600, "{percent} % of {n}");
        }
    }
}
