//! Where a limit on the calendar lies.

use model::{
    Instant, LocalDate,
    event::JobDone,
    schedule::{Anchor as AnchorPolicy, Calendar, MonthDay, OnFailed, SevereMode, Span, StorageRule, Task},
};

use super::{
    Anchor, CalendarLimit, Point,
    ground::{Ground, counts},
    hours::had_before,
    severe,
    situation::{Asked, CalendarOf, InForce},
};
use crate::{
    calendar::{self, Reached},
    completion::{Failed, Outcome},
    trace::TraceEntry,
};

/// A limit and what it is made of.
#[derive(Clone, Copy)]
pub(super) struct DateMark {
    pub(super) date: LocalDate,
    /// Days of the interval, without those that storage adds.
    pub(super) days: i64,
    /// Days that storage adds.
    stored: i64,
}

/// By what a limit is told.
#[derive(Clone, Copy)]
pub(super) enum DateBy {
    /// The edition in force, whatever was planned by an earlier one.
    Edition,
    /// Both, with the grace that the adoption of the later one gives.
    Grace,
}

impl Ground<'_> {
    /// The limit that follows from a point, if there is one, as it stands at `at`.
    pub(super) fn date_mark(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        in_force: &InForce<'_>,
        by: DateBy,
        at: Instant,
    ) -> Option<DateMark> {
        let date = match by {
            DateBy::Grace => self.date_with_grace(asked, from, in_force),
            DateBy::Edition => self.date_of_edition(asked, from, in_force),
        }?;
        let days = i64::from(date.days_since(from.date));
        let is_interval = in_force.calendar.is_some_and(|calendar| calendar.is_interval());
        let stored = if is_interval { self.days_stored(asked.task, from, at) } else { 0 };
        Some(DateMark { date: calendar::shifted(date, stored), days, stored })
    }

    fn date_with_grace(&self, asked: &Asked<'_>, from: &Point, in_force: &InForce<'_>) -> Option<LocalDate> {
        let date = self.date_of_edition(asked, from, in_force)?;
        let earlier = asked.earlier().filter(|_| in_force.is_of_edition.1 && had_before(asked, from));
        let Some(earlier) = earlier else { return Some(date) };
        let Some(old) = self.earlier_point(asked, &earlier, from) else { return Some(date) };
        let before = self.date_with_grace(&earlier, &old, &self.in_force(&earlier, &old.anchor));
        let Some(before) = before.filter(|before| date < *before) else { return Some(date) };
        let begins = asked.rule.begins;
        let adopted = self.standing.stays.at(begins).zone.date(begins);
        let grace = calendar::shifted(adopted, self.input.policy.grace_days);
        Some(before.min(date.max(grace)))
    }

    fn date_of_edition(&self, asked: &Asked<'_>, from: &Point, in_force: &InForce<'_>) -> Option<LocalDate> {
        let every = |span| self.after_interval(asked, from, span, Reached::Day);
        Some(match in_force.calendar? {
            CalendarOf::Unit(span) => every(span),
            CalendarOf::Task(Calendar::Every(span)) => every(*span),
            CalendarOf::Task(Calendar::ToMonthEnd(months)) => {
                self.after_interval(asked, from, Span::Months(*months), Reached::MonthEnd)
            }
            CalendarOf::Task(Calendar::FixedDates(days)) => next_fixed(days, asked.task, from),
            CalendarOf::Task(Calendar::By(date)) => *date,
        })
    }

    fn after_interval(&self, asked: &Asked<'_>, from: &Point, span: Span, reached: Reached) -> LocalDate {
        let task = asked.task;
        if from.anchor.completed() && task.anchor == AnchorPolicy::Grid {
            let commissioned = self.commissioning.map(|commissioning| commissioning.date);
            let origin = commissioned.unwrap_or_else(|| self.first_done(asked).unwrap_or(from.date));
            return calendar::next_on_grid(origin, span, reached, from.date);
        }
        let factor = task.substitute_factor.filter(|_| from.anchor.substitute);
        let severe = asked.severe(&from.anchor).filter(|_| !self.conditions.severe.is_empty());
        let shorter = severe.and_then(|severe| Some((severe.mode, severe.limits.calendar?)));
        if factor.is_none() && shorter.is_none() {
            return reached.by(calendar::after(from.date, span, 1));
        }
        let days = |span: Span, reached: Reached| {
            let days = i64::from(reached.by(calendar::after(from.date, span, 1)).days_since(from.date));
            factor.map_or(days, |factor| days.saturating_mul(factor.hundredths()) / 100)
        };
        let interval = days(span, reached);
        match shorter
            .map(|(mode, span)| (mode, days(span, Reached::Day)))
            .filter(|(_, shorter)| *shorter < interval)
        {
            Some((SevereMode::Strict, shorter)) if self.is_severe(asked, from) => {
                calendar::shifted(from.date, shorter)
            }
            Some((SevereMode::Weighted, shorter)) => {
                let counted = severe::reaching(0, interval, shorter, self.severe_days(asked, from));
                calendar::shifted(from.date, counted)
            }
            _ => calendar::shifted(from.date, interval),
        }
    }

    /// The spans of days, counted from the day after the point, at whose first instant the unit was under severe
    /// conditions.
    fn severe_days(&self, asked: &Asked<'_>, from: &Point) -> Vec<(i64, i64)> {
        // The first day whose midnight is not before an instant.
        let day = |at: Instant| {
            let zone = &self.standing.stays.at(at).zone;
            let today = zone.date(at);
            let day = if zone.midnight(today) < at { today.plus_days(1) } else { today };
            i64::from(day.days_since(from.date)) - 1
        };
        let end = |until: Instant| if until == Instant::LAST { i64::MAX } else { day(until) };
        self.severe_since(asked, from).map(|span| (day(span.from), end(span.until))).collect()
    }

    /// Days in storage since the anchor that are over by `at`, where the calendar stands still in storage.
    fn days_stored(&self, task: &Task, from: &Point, at: Instant) -> i64 {
        if task.storage != StorageRule::Pauses {
            return 0;
        }
        let since = from.anchor.date;
        let over = self.conditions.storage.iter().filter(|stored| stored.span.until <= at);
        let days = over.filter_map(|stored| {
            let out = stored.until_date?;
            Some(i64::from(out.days_since(stored.from_date.max(since))).max(0))
        });
        days.sum()
    }

    /// The limit from a point on, or after a check that failed, whichever comes first.
    pub(super) fn calendar_limit(
        &self,
        asked: &Asked<'_>,
        from: &Point,
        in_force: &InForce<'_>,
        notes: &mut Vec<TraceEntry>,
    ) -> Option<CalendarLimit> {
        let mark = self.date_mark(asked, from, in_force, DateBy::Grace, asked.at)?;
        if asked.place > 0
            && let Some(own) = self.date_of_edition(asked, from, in_force)
            && calendar::shifted(own, mark.stored) != mark.date
        {
            notes.push(TraceEntry::AdoptionGraceDays { limit_date: own });
        }
        if mark.stored > 0 {
            notes.push(TraceEntry::StorageNotCounted { days: mark.stored });
        }
        let task = asked.task;
        let is_fixed = matches!(in_force.calendar, Some(CalendarOf::Task(Calendar::FixedDates(_))));
        let usual = || {
            let days = i64::from(mark.date.days_since(from.date));
            if is_fixed { 0 } else { self.lead_of(days) }
        };
        let coming = match task.earliest.and_then(|earliest| earliest.days) {
            Some(earliest) => calendar::shifted(from.date, i64::from(earliest)),
            None => {
                let lead = task.lead.days.map_or_else(usual, i64::from);
                calendar::shifted(mark.date, lead.saturating_neg())
            }
        };
        let tolerance = task.tolerance.days.map_or(0, i64::from);
        Some(CalendarLimit {
            anchor: from.date,
            coming,
            limit: mark.date,
            overdue: calendar::shifted(mark.date, tolerance.saturating_add(1)),
            not_before: None,
            overdue_anyway: None,
        })
    }

    /// The check that failed first, as is known at `at`, of those after which the task was not done. A second that fails
    /// puts nothing off.
    pub(super) fn failure(&self, after: &OnFailed, anchor: Option<&Anchor>, at: Instant) -> Option<Failed> {
        let done_since = |failed: &Failed| {
            let work = anchor.filter(|anchor| anchor.completed() || anchor.begins_anew());
            work.is_some_and(|work| work.key() >= failed.anchor.key() && work.date >= failed.on)
        };
        self.work.failed(&after.job, at).into_iter().find(|failed| !done_since(failed))
    }

    pub(super) fn limit_after(&self, failure: &Failed, business_days: i32) -> CalendarLimit {
        let mut limit = failure.on;
        let mut left = business_days;
        while left > 0 {
            limit = limit.plus_days(1);
            left -= i32::from(limit.is_business_day());
        }
        let not_before = || {
            self.curve
                .runs
                .first_start_after(failure.known.max(failure.anchor.instant))
                .unwrap_or(Instant::LAST)
        };
        CalendarLimit {
            anchor: failure.on,
            coming: failure.on,
            limit,
            overdue: limit.plus_days(1),
            not_before: (!failure.running).then(not_before),
            overdue_anyway: None,
        }
    }

    /// The day on which the task was done first.
    fn first_done(&self, asked: &Asked<'_>) -> Option<LocalDate> {
        let begun = self.standing.settled.begun.iter();
        let begun = begun.filter(|begun| counts(asked.rule, asked.task, &begun.job, begun.outcome));
        let settled = begun.map(|begun| (begun.instant, begun.date)).min();
        let counts = |done: &JobDone| {
            let outcome = Outcome::of(done, self.standing.ignition);
            outcome.is_some_and(|outcome| counts(asked.rule, asked.task, &done.job, outcome))
        };
        let first = self.standing.services().find(|placed| placed.jobs().iter().any(counts));
        let first = first.map(|placed| (placed.instant, self.standing.date(placed)));
        settled.into_iter().chain(first).min().map(|(_, date)| date)
    }
}

/// The first fixed day whose window opens after the work, or that comes after anything else that is counted from.
fn next_fixed(days: &[MonthDay], task: &Task, from: &Point) -> LocalDate {
    let lead = if from.anchor.completed() { task.lead.days.map_or(0, i64::from) } else { 0 };
    let after = |day: &LocalDate| calendar::shifted(*day, lead.saturating_neg()) > from.date;
    // A window may open more than a year ahead, and a day that is too late for the calendar is never reached.
    let years = from.date.year()..=from.date.year().saturating_add(110);
    let dates = years.flat_map(|year| days.iter().filter_map(move |day| day.in_year(year)));
    dates.into_iter().find(after).unwrap_or_else(|| calendar::shifted(from.date, i64::from(i32::MAX)))
}
