//! From where each task counts, and where its limits lie on both axes.

use model::{
    Code, EventId, Hours, Instant, LocalDate, Zone,
    schedule::{Anchor as AnchorPolicy, Calendar, Edition, Span, Task},
};

use crate::{
    calendar,
    hours::{Curve, EngineHours, HoursRange},
    input::Policy,
    placed::Placed,
    standing::Standing,
};

/// What one task asks for, until something is recorded that moves it.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    /// The task's place in its edition.
    pub(crate) task: usize,
    pub(crate) anchor: Option<Anchor>,
    pub(crate) hours: HoursRule,
    pub(crate) calendar: Option<CalendarLimit>,
}

/// The event that a task counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Anchor {
    pub(crate) event: EventId,
    /// Whether the work was done then, rather than the unit commissioned.
    pub(crate) completed: bool,
    pub(crate) instant: Instant,
    pub(crate) date: LocalDate,
    pub(crate) hours: EngineHours,
}

/// What a task asks for on the axis of hours.
#[derive(Clone, Copy, Debug)]
pub(crate) enum HoursRule {
    /// Nothing.
    None,
    /// A limit that cannot be placed, for want of known hours.
    Unknown,
    /// A limit.
    Limit(HoursLimit),
}

/// A limit in engine hours; it has bounds where its anchor has.
#[derive(Clone, Copy, Debug)]
pub(crate) struct HoursLimit {
    pub(crate) interval: Hours,
    pub(crate) anchor: HoursRange,
    pub(crate) limit: HoursRange,
    pub(crate) lead: Hours,
    pub(crate) tolerance: Hours,
    /// When counting began, if no reading has been taken since: use is then reckoned from there.
    unread_since: Option<Instant>,
}

/// A limit on the calendar.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CalendarLimit {
    pub(crate) anchor: LocalDate,
    /// The first day of coming due.
    pub(crate) coming: LocalDate,
    pub(crate) limit: LocalDate,
    /// The first day of overdue.
    pub(crate) overdue: LocalDate,
}

/// When the days of a limit on the calendar begin at one place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Days {
    pub(crate) coming: Instant,
    pub(crate) limit: Instant,
    pub(crate) overdue: Instant,
}

/// Which days of a limit on the calendar have begun.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Begun {
    pub(crate) coming: bool,
    pub(crate) limit: bool,
    pub(crate) overdue: bool,
}

impl CalendarLimit {
    pub(crate) fn days(&self, zone: &Zone) -> Days {
        let [coming, limit, overdue] = [self.coming, self.limit, self.overdue].map(|day| zone.midnight(day));
        Days { coming, limit, overdue }
    }

    /// By [`calendar::day`], the day that has begun.
    pub(crate) fn begun(&self, today: LocalDate) -> Begun {
        let [coming, limit, overdue] = [self.coming, self.limit, self.overdue].map(|day| day <= today);
        Begun { coming, limit, overdue }
    }
}

impl Days {
    /// The same without asking the calendar.
    pub(crate) fn begun(&self, at: Instant) -> Begun {
        let has_begun = |day: Instant| day <= at && day < Instant::LAST;
        let [coming, limit, overdue] = [self.coming, self.limit, self.overdue].map(has_begun);
        Begun { coming, limit, overdue }
    }
}

/// What the limits of one unit rest on, whatever the edition.
pub(crate) struct Ground<'a> {
    curve: &'a Curve,
    policy: &'a Policy,
    pub(crate) commissioning: Option<Anchor>,
    /// For each job the service that did it last.
    pub(crate) done: Vec<(&'a Code, Anchor)>,
    standing: &'a Standing<'a>,
}

impl<'a> Ground<'a> {
    pub(crate) fn of(standing: &'a Standing<'a>, curve: &'a Curve, policy: &'a Policy) -> Self {
        let commissioning = standing.commissioning().map(|placed| Anchor::at(placed, false, standing, curve));
        let commissioning = commissioning.or(standing.settled.commissioning);
        Self { curve, policy, commissioning, done: done(standing, curve), standing }
    }

    /// One plan for each task of the edition, in order of code.
    pub(crate) fn plans(&self, edition: &Edition) -> Vec<Plan> {
        let tasks = edition.tasks.iter().zip(self.completions(edition)).enumerate();
        let mut plans: Vec<Plan> =
            tasks.map(|(at, (task, done))| self.plan(edition, at, task, done)).collect();
        plans.sort_unstable_by_key(|plan| edition.tasks.get(plan.task).map(|task| &task.task));
        plans
    }

    /// For each task of the edition the last service that counts for it.
    fn completions(&self, edition: &Edition) -> Vec<Option<Anchor>> {
        let mut completions: Vec<Option<Anchor>> = vec![None; edition.tasks.len()];
        for (job, anchor) in &self.done {
            let counting = edition.counts_as(job);
            let tasks = edition.tasks.iter().zip(&mut completions);
            for (_, last) in tasks.filter(|(task, _)| counting.contains(&&task.job)) {
                if last.is_none_or(|last| (last.instant, last.event) < (anchor.instant, anchor.event)) {
                    *last = Some(*anchor);
                }
            }
        }
        completions
    }

    fn plan(&self, edition: &Edition, at: usize, task: &Task, completion: Option<Anchor>) -> Plan {
        let anchor = completion.or(self.commissioning);
        let Some(anchor) = anchor else {
            return Plan { task: at, anchor: None, hours: HoursRule::None, calendar: None };
        };
        let limits = task.first.as_ref().filter(|_| !anchor.completed).unwrap_or(&task.limits);
        Plan {
            task: at,
            anchor: Some(anchor),
            hours: limits.hours.map_or(HoursRule::None, |interval| self.hours(task, &anchor, interval)),
            calendar: limits
                .calendar
                .as_ref()
                .and_then(Calendar::span)
                .map(|interval| self.calendar(edition, task, &anchor, interval)),
        }
    }

    fn hours(&self, task: &Task, anchor: &Anchor, interval: Hours) -> HoursRule {
        let Some(from) = anchor.hours.range else { return HoursRule::Unknown };
        let limit = if anchor.completed && task.anchor == AnchorPolicy::Grid {
            let point = next_on_grid(self.origin(), interval, from.nominal);
            HoursRange { lower: point, nominal: point, upper: point }
        } else {
            HoursRange {
                lower: from.lower + interval,
                nominal: from.nominal + interval,
                upper: from.upper + interval,
            }
        };
        HoursRule::Limit(HoursLimit {
            interval,
            anchor: from,
            limit,
            lead: task.lead.hours.unwrap_or_else(|| Hours::from_seconds(self.lead_of(interval.seconds()))),
            tolerance: task.tolerance.hours.unwrap_or(Hours::ZERO),
            unread_since: self
                .curve
                .newest_reading()
                .is_none_or(|newest| newest < anchor.instant)
                .then_some(anchor.instant),
        })
    }

    /// Engine hours at the commissioning where they are known, otherwise nought.
    fn origin(&self) -> Hours {
        let commissioned = self.commissioning.and_then(|commissioning| commissioning.hours.range);
        commissioned.filter(|range| range.lower == range.upper).map_or(Hours::ZERO, |range| range.nominal)
    }

    fn calendar(&self, edition: &Edition, task: &Task, anchor: &Anchor, interval: Span) -> CalendarLimit {
        let limit = if anchor.completed && task.anchor == AnchorPolicy::Grid {
            let commissioned = self.commissioning.map(|commissioning| commissioning.date);
            let origin =
                commissioned.unwrap_or_else(|| self.first_done(edition, task).unwrap_or(anchor.date));
            calendar::next_on_grid(origin, interval, anchor.date)
        } else {
            calendar::after(anchor.date, interval, 1)
        };
        let days = i64::from(limit.days_since(anchor.date));
        let lead = task.lead.days.map_or_else(|| self.lead_of(days), i64::from);
        let tolerance = task.tolerance.days.map_or(0, i64::from);
        CalendarLimit {
            anchor: anchor.date,
            coming: calendar::shifted(limit, -lead),
            limit,
            overdue: calendar::shifted(limit, tolerance + 1),
        }
    }

    fn lead_of(&self, interval: i64) -> i64 {
        interval.saturating_mul(self.policy.lead_percent) / 100
    }

    /// The day on which the task was done first.
    fn first_done(&self, edition: &Edition, task: &Task) -> Option<LocalDate> {
        let counts = |job: &Code| edition.counts_as(job).contains(&&task.job);
        let begun = self.standing.settled.begun.iter().filter(|begun| counts(&begun.job));
        let settled = begun.map(|begun| (begun.instant, begun.date)).min();
        let first =
            self.standing.services().find(|placed| placed.jobs().iter().any(|done| counts(&done.job)));
        let first = first.map(|placed| (placed.instant, self.standing.date(placed)));
        settled.into_iter().chain(first).min().map(|(_, date)| date)
    }
}

/// For each job the service that did it last.
fn done<'a>(standing: &'a Standing<'_>, curve: &Curve) -> Vec<(&'a Code, Anchor)> {
    let mut done: Vec<(&'a Code, Anchor)> = Vec::new();
    let mut anchor = None;
    for placed in standing.services().rev() {
        for job in placed.jobs().iter().map(|done| &done.job) {
            if !done.iter().any(|(known, _)| *known == job) {
                let anchor = anchor.get_or_insert_with(|| Anchor::at(placed, true, standing, curve));
                done.push((job, *anchor));
            }
        }
        anchor = None;
    }
    for settled in &standing.settled.done {
        for job in &settled.jobs {
            if !done.iter().any(|(known, _)| *known == job) {
                done.push((job, settled.anchor));
            }
        }
    }
    done
}

impl Anchor {
    fn at(placed: &Placed<'_>, completed: bool, standing: &Standing<'_>, curve: &Curve) -> Self {
        Self {
            event: placed.id,
            completed,
            instant: placed.instant,
            date: standing.date(placed),
            hours: curve.at_event(placed),
        }
    }
}

impl HoursLimit {
    /// The upper hours to judge by at `at`, where they are `upper` by the curve.
    pub(crate) fn upper(&self, curve: &Curve, upper: Hours, at: Instant) -> Hours {
        match self.unread_since {
            None => upper,
            Some(since) => upper.min(self.anchor.lower + curve.most_use(since, at)),
        }
    }

    /// The first instants at which the two bounds that make up [`upper`](Self::upper) reach `hours`; the later
    /// of them is when that does.
    pub(crate) fn upper_reaches(&self, curve: &Curve, hours: Hours) -> [Instant; 2] {
        let by_use = match self.unread_since {
            Some(since) if hours > self.anchor.lower => {
                curve.most_use_reaches(hours - self.anchor.lower, since)
            }
            _ => Instant::FIRST,
        };
        [curve.upper_reaches(hours), by_use]
    }
}

impl HoursLimit {
    /// The first instants at which the lower bound reaches the limit, and passes it and the tolerance.
    pub(crate) fn lower_reaches(&self, curve: &Curve) -> [Instant; 2] {
        let passed = self.limit.upper + self.tolerance + Hours::from_seconds(1);
        [curve.lower_reaches(self.limit.lower), curve.lower_reaches(passed)]
    }
}

/// The first point of the grid `origin` + k × `interval` that lies beyond `done` plus half an interval.
fn next_on_grid(origin: Hours, interval: Hours, done: Hours) -> Hours {
    let step = interval.seconds().max(1);
    let reach = (done - origin).seconds().saturating_mul(2).saturating_add(step);
    let k = reach.div_euclid(step.saturating_mul(2)).saturating_add(1);
    origin + Hours::from_seconds(k.saturating_mul(step))
}
