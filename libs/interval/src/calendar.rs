//! Days and months, kept within what the calendar has whatever was asked for.

use model::{Instant, LocalDate, Zone, schedule::Span};

/// The day that has begun by `at`. Once begun it stays so, also where clocks go back over midnight.
pub(crate) fn day(at: Instant, zone: &Zone) -> LocalDate {
    let date = zone.date(at);
    let next = date.plus_days(1);
    let begins = zone.midnight(next);
    if begins <= at && begins < Instant::LAST { next } else { date }
}

/// The first day of the month that `date` lies in.
pub(crate) fn first_of_month(date: LocalDate) -> LocalDate {
    let day = date.to_string().get(8..).and_then(|day| day.parse::<i32>().ok());
    date.plus_days(1 - day.unwrap_or(1))
}

/// `date` moved by whole days.
pub(crate) fn shifted(date: LocalDate, days: i64) -> LocalDate {
    // Farther than any date that can be entered from any other, and well within what the calendar takes.
    const FARTHEST: i64 = 500_000;
    date.plus_days(i32::try_from(days.clamp(-FARTHEST, FARTHEST)).unwrap_or(0))
}

/// `date` moved by `times` an interval, always counted from `date` itself.
pub(crate) fn after(date: LocalDate, interval: Span, times: i64) -> LocalDate {
    const FARTHEST: i64 = 12_000;
    match interval {
        Span::Days(days) => shifted(date, i64::from(days).saturating_mul(times)),
        Span::Months(months) => {
            let months = i64::from(months).saturating_mul(times).clamp(-FARTHEST, FARTHEST);
            date.plus_months(i32::try_from(months).unwrap_or(0))
        }
    }
}

/// The point of the grid `origin` + k intervals that comes next after work on `done`: the first for which more
/// than half of the days from the point before it are still to go.
pub(crate) fn next_on_grid(origin: LocalDate, interval: Span, done: LocalDate) -> LocalDate {
    let days = i64::from(done.days_since(origin));
    let per_interval = match interval {
        Span::Days(days) => i64::from(days),
        // The guess must not lie beyond the point, whichever way the grid runs from its origin.
        Span::Months(months) => i64::from(months).saturating_mul(if days < 0 { 28 } else { 31 }),
    };
    let mut k = days.div_euclid(per_interval.max(1)) - 1;
    let mut before = after(origin, interval, k);
    // Over the 230 years that dates can span the guess is off by at most a tenth of 2,760 months.
    for _ in 0..400 {
        k += 1;
        let point = after(origin, interval, k);
        if 2 * i64::from(point.days_since(done)) > i64::from(point.days_since(before)) {
            return point;
        }
        before = point;
    }
    before
}

#[cfg(test)]
mod tests {
    use super::*;

    fn date(text: &str) -> LocalDate {
        LocalDate::parse(text).unwrap()
    }

    #[test]
    fn the_next_point_lies_more_than_half_an_interval_away() {
        let cases = [
            ("2025-01-31", Span::Months(1), "2025-02-13", "2025-02-28"),
            ("2025-01-31", Span::Months(1), "2025-02-14", "2025-03-31"),
            ("2025-01-31", Span::Months(1), "2025-02-28", "2025-03-31"),
            ("2025-01-01", Span::Days(10), "2025-01-16", "2025-01-31"),
            ("2025-01-01", Span::Days(10), "2025-01-15", "2025-01-21"),
            ("2025-01-01", Span::Months(6), "2024-12-01", "2025-07-01"),
            ("1970-01-31", Span::Months(1), "2199-12-31", "2200-01-31"),
            ("2199-01-01", Span::Months(1), "1970-01-01", "1970-02-01"),
        ];
        for (origin, interval, done, expected) in cases {
            assert_eq!(
                next_on_grid(date(origin), interval, date(done)),
                date_beyond(expected),
                "{origin} {interval:?} {done}"
            );
        }
    }

    /// Dates after 2199 are no input but may be an answer.
    fn date_beyond(text: &str) -> LocalDate {
        match LocalDate::parse(text) {
            Ok(date) => date,
            Err(_) => date("2199-01-31").plus_months(12),
        }
    }
}
