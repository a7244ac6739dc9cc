//! From where the next limit counts: the anchor policies, followed over all work that counts.

use model::{
    Hours, LocalDate,
    schedule::{Anchor as AnchorPolicy, Task},
};

use super::{Anchor, Followed, Point, ground::Ground, situation::Asked};
use crate::{completion::Completion, hours::HoursRange};

impl Ground<'_> {
    /// Follows the work from `base` on, each axis for itself.
    pub(super) fn follow(&self, asked: &Asked<'_>, base: Option<Anchor>, work: &[Completion]) -> Followed {
        let mut followed = Followed { point: base.map(Point::of), last: None };
        for done in work {
            let before = followed.point;
            followed.point = Some(match before {
                Some(before) if is_planned(asked.task) => self.planned(asked, &before, done.anchor),
                _ => Point::of(done.anchor),
            });
            followed.last = Some((*done, before));
        }
        followed
    }

    /// From where work counts that was planned by the point before.
    fn planned(&self, asked: &Asked<'_>, before: &Point, done: Anchor) -> Point {
        let in_force = self.in_force(asked, &before.anchor);
        let mut point = Point::of(done);
        if let Some((mark, at)) = self.hours_mark(asked, before, &in_force).zip(done.hours.range) {
            let tolerance = asked.task.tolerance.hours.unwrap_or(Hours::ZERO).seconds();
            let (planned, interval) = (mark.limit.nominal, mark.interval.seconds());
            if counts_as_planned(asked.task, (at.nominal - planned).seconds(), tolerance, interval) {
                point.hours = Some(HoursRange::exact(planned));
            }
        }
        if let Some(mark) = self.date_mark(asked, before, &in_force, done.instant) {
            let tolerance = asked.task.tolerance.days.map_or(0, i64::from);
            let late = i64::from(done.date.days_since(mark.date));
            if counts_as_planned(asked.task, late, tolerance, mark.days) {
                point.date = mark.date;
            }
        }
        point
    }
}

pub(super) fn is_planned(task: &Task) -> bool {
    matches!(task.anchor, AnchorPolicy::Planned | AnchorPolicy::PlannedWithin)
}

/// Whether work so late, or early where less than nought, counts as done at its planned point.
fn counts_as_planned(task: &Task, late: i64, tolerance: i64, interval: i64) -> bool {
    match task.anchor {
        AnchorPolicy::Planned => (0..=tolerance).contains(&late),
        AnchorPolicy::PlannedWithin => {
            let percent = i128::from(task.within_percent.unwrap_or(0));
            100 * i128::from(late).abs() <= percent * i128::from(interval)
        }
        AnchorPolicy::Actual | AnchorPolicy::Grid => false,
    }
}

/// The first three intervals in a row that together take more than `most_percent` of three times the interval: where a
/// limit may be stretched each time, it must not drift (3.25 intervals, 325, in older rules for safety systems).
pub fn drifts(done: &[LocalDate], interval_days: i32, most_percent: i64) -> Option<[LocalDate; 4]> {
    done.windows(4).find_map(|four| {
        let [first, second, third, last] = four else { return None };
        let days = i64::from(last.days_since(*first));
        let most = most_percent.saturating_mul(interval_days.into());
        (days.saturating_mul(100) > most).then_some([*first, *second, *third, *last])
    })
}
