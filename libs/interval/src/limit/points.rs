//! From where the next limit counts: the anchor policies, followed over all work that counts.

use model::{
    Code, Hours, LocalDate,
    schedule::{Anchor as AnchorPolicy, Task},
};

use super::{
    Anchor, Followed, Point,
    calendar::DateBy,
    ground::{Ground, counts},
    situation::Asked,
};
use crate::{
    adoption::Rule,
    completion::{Completion, Outcome},
    hours::HoursRange,
};

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

    /// From where limits counted by an earlier edition when the one that asks was adopted.
    pub(super) fn earlier_point(&self, asked: &Asked<'_>, earlier: &Asked<'_>, now: &Point) -> Option<Point> {
        if self.count_alike(asked, earlier) {
            return Some(*now);
        }
        let doings = self.counting_for(earlier);
        let begins = asked.rule.begins;
        let followed = self.followed(earlier, self.base(earlier, begins), &doings, begins);
        // Work that is to be done once has no limits any more.
        followed.point.filter(|point| !(earlier.task.once && point.anchor.completed()))
    }

    /// Whether two editions count from the same work, of all that was done.
    fn count_alike(&self, asked: &Asked<'_>, earlier: &Asked<'_>) -> bool {
        let (one, other) = (asked.task, earlier.task);
        let applies = (&one.needs, &one.not_with) == (&other.needs, &other.not_with);
        let base = |task: &Task| (task.component, task.once, task.duplicates);
        let by_work = |done: &(&Code, Outcome)| {
            counts(asked.rule, one, done.0, done.1) == counts(earlier.rule, other, done.0, done.1)
        };
        !is_planned(one)
            && !is_planned(other)
            && applies
            && base(one) == base(other)
            && (asked.rule.edition_id == earlier.rule.edition_id
                || self.work.outcomes().all(|done| by_work(&done)))
    }

    /// Whether every edition that follows another counts each task from the same work.
    pub(crate) fn editions_count_alike(&self, rules: &[Rule]) -> bool {
        rules.iter().enumerate().all(|(place, rule)| {
            rule.edition.tasks.iter().all(|task| {
                let asked = Asked { rules, place, rule, task, at: rule.from, alone: false };
                asked.earlier().is_none_or(|earlier| self.count_alike(&asked, &earlier))
            })
        })
    }

    /// From where work counts that was planned by the point before.
    fn planned(&self, asked: &Asked<'_>, before: &Point, done: Anchor) -> Point {
        let in_force = self.in_force(asked, &before.anchor);
        let mut point = Point::of(done);
        if let Some((mark, at)) = self.hours_mark_of_edition(asked, before, &in_force).zip(done.hours.range) {
            let tolerance = asked.task.tolerance.hours.unwrap_or(Hours::ZERO).seconds();
            let (planned, interval) = (mark.limit.nominal, mark.interval.seconds());
            if counts_as_planned(asked.task, (at.nominal - planned).seconds(), tolerance, interval) {
                point.hours = Some(HoursRange::exact(planned));
            }
        }
        if let Some(mark) = self.date_mark(asked, before, &in_force, DateBy::Edition, done.instant) {
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
