//! How late work was done, and whether that was justified.

use model::{
    Hours, Instant, LocalDate,
    schedule::{Anchor as AnchorPolicy, Calendar, Span},
};

use super::{
    Anchor, Point,
    calendar::DateBy,
    ground::Ground,
    situation::{Asked, CalendarOf, InForce},
};
use crate::{
    calendar,
    completion::Completion,
    item::{Justified, Late},
    trace::TraceEntry,
};

/// The limits past which work was done.
struct Had {
    /// The likeliest limit in hours.
    hours: Option<Hours>,
    date: Option<LocalDate>,
}

impl Ground<'_> {
    /// How far past the limits of then the work was done last, by the edition of then.
    pub(super) fn late(&self, asked: &Asked<'_>, done: &Completion, before: &Point) -> Option<Late> {
        let done = &done.anchor;
        let asked = asked.held_at(done.instant)?;
        if asked.task.once && before.anchor.completed() {
            return None;
        }
        let in_force = self.in_force(&asked, &before.anchor);
        let hours = self.hours_mark(&asked, before, &in_force).map(|mark| mark.limit.nominal);
        let date = if self.is_surely_in_time(&asked, before, &in_force, done) {
            None
        } else {
            self.date_mark(&asked, before, &in_force, DateBy::Grace, done.instant).map(|mark| mark.date)
        };
        // Nobody was late for work before it was asked for.
        let begins = asked.rule.begins;
        let asked_hours = self.curve.at(begins).range.map_or(Hours::ZERO, |range| range.nominal);
        let asked_date = self.standing.stays.at(begins).zone.date(begins);
        let late_hours = hours.zip(done.hours.range).map(|(limit, at)| at.nominal - limit.max(asked_hours));
        let late_hours = late_hours.filter(|late| *late > Hours::ZERO);
        let late_days = date.map(|date| done.date.days_since(date.max(asked_date))).filter(|late| *late > 0);
        if late_hours.is_none() && late_days.is_none() {
            return None;
        }
        let had =
            Had { hours: hours.filter(|_| late_hours.is_some()), date: date.filter(|_| late_days.is_some()) };
        Some(Late {
            hours: late_hours,
            days: late_days,
            justified_by: self.justified(&asked, done, before, &had),
        })
    }

    /// Whether the work was done so soon that no calendar needs to be asked.
    fn is_surely_in_time(
        &self,
        asked: &Asked<'_>,
        before: &Point,
        in_force: &InForce<'_>,
        done: &Anchor,
    ) -> bool {
        const DAY_SECONDS: i64 = 86_400;
        let least = match in_force.calendar {
            Some(CalendarOf::Task(Calendar::Every(Span::Months(months)))) => 28 * i64::from(*months),
            Some(CalendarOf::Task(Calendar::Every(Span::Days(days)))) => (*days).into(),
            _ => return false,
        };
        let task = asked.task;
        let is_plain = task.anchor == AnchorPolicy::Actual && task.severe.is_none();
        // Two days of two places differ by less than two days from the time between them.
        let most = done.instant.seconds_since(before.anchor.instant) / DAY_SECONDS + 2;
        is_plain && task.substitute_factor.is_none() && asked.place == 0 && most < least
    }

    fn justified(&self, asked: &Asked<'_>, done: &Anchor, before: &Point, had: &Had) -> Option<Justified> {
        let reached = |at: Instant| {
            let hours = had.hours.zip(self.curve.at(at).range);
            let today = calendar::day(at, &self.standing.stays.at(at).zone);
            hours.is_some_and(|(limit, at)| at.nominal >= limit) || had.date.is_some_and(|date| date <= today)
        };
        let emergencies = self.curve.runs.emergencies().iter();
        let mut before_done =
            emergencies.filter(|(from, until)| *from <= done.instant && before.anchor.instant < *until);
        if asked.task.may_wait_in_emergency
            && before_done.any(|(from, until)| !reached(*from) && reached(done.instant.min(*until)))
        {
            return Some(Justified::Emergency);
        }
        let mut deferrals =
            self.conditions.deferrals.iter().filter(|deferral| {
                deferral.schedule == asked.rule.schedule && deferral.task == asked.task.task
            });
        let held = deferrals.any(|deferral| {
            let upper = done.hours.range.map_or(Hours::ZERO, |range| range.upper);
            deferral.decided > before.anchor.instant
                && deferral.from <= done.instant
                && deferral.until_hours.is_none_or(|until| upper <= until)
                && deferral.until_date.is_none_or(|until| done.date <= until)
        });
        held.then_some(Justified::Deferral)
    }

    /// Whether the work was done before its time.
    pub(super) fn too_early(
        &self,
        asked: &Asked<'_>,
        done: &Completion,
        before: &Point,
    ) -> Option<TraceEntry> {
        let earliest = asked.task.earliest?;
        let done = &done.anchor;
        let hours = earliest.hours.zip(before.hours).zip(done.hours.range);
        let hours_open = hours.is_some_and(|((earliest, from), at)| at.nominal >= from.nominal + earliest);
        let days_open = earliest
            .days
            .is_some_and(|earliest| i64::from(done.date.days_since(before.date)) >= earliest.into());
        (!hours_open && !days_open).then_some(TraceEntry::CompletionTooEarly { event_id: done.event })
    }
}
