//! From where each task counts, and where its limits lie on both axes.

mod calendar;
mod ground;
mod hours;
mod late;
mod points;
mod severe;
mod situation;

use model::{EventId, Hours, Instant, LocalDate, Zone};

pub(crate) use self::ground::{Ground, asking, counts};
pub use self::points::drifts;
use crate::{
    completion::Completion,
    hours::{Curve, EngineHours, HoursRange},
    item::Late,
    judge::Decision,
    placed::Placed,
    standing::Standing,
    trace::TraceEntry,
};

/// What one task asks for, until something is recorded that moves it.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    /// The task's place in its edition.
    pub(crate) task: usize,
    pub(crate) anchor: Option<Anchor>,
    pub(crate) hours: HoursRule,
    pub(crate) calendar: Option<CalendarLimit>,
    /// What its state rests on where no limit decides.
    pub(crate) fixed: Option<Decision>,
    /// Engine hours when the component that it follows was new.
    pub(crate) component_from: Option<Hours>,
    /// How late the work was done last.
    pub(crate) late: Option<Late>,
    /// What the limits rest on beside the anchor.
    pub(crate) notes: Vec<TraceEntry>,
}

/// The event that a task counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Anchor {
    pub(crate) event: EventId,
    pub(crate) counted: Counted,
    /// Whether a part was used that nobody approved.
    pub(crate) substitute: bool,
    /// Whether the hours are those of its own reading.
    pub(crate) read: bool,
    pub(crate) instant: Instant,
    pub(crate) date: LocalDate,
    pub(crate) hours: EngineHours,
}

/// As what an event is counted from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Counted {
    /// The work was done.
    Done,
    /// It was a check, and what was checked is not fit.
    Failed,
    Commissioned,
    /// The component was fitted or rebuilt.
    Fitted,
    /// The task came to apply.
    Applicable,
    /// The edition with the task was adopted.
    Adopted,
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
    /// The upper hours from which it is coming due.
    pub(crate) coming: Hours,
    pub(crate) tolerance: Hours,
    /// When counting began, if no reading has been taken since, and the lower hours then: use is then reckoned from
    /// there.
    unread: Option<(Instant, Hours)>,
}

/// A limit on the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct CalendarLimit {
    pub(crate) anchor: LocalDate,
    /// The first day of coming due.
    pub(crate) coming: LocalDate,
    pub(crate) limit: LocalDate,
    /// The first day of overdue.
    pub(crate) overdue: LocalDate,
    /// It is not overdue before.
    pub(crate) not_before: Option<Instant>,
    /// It is overdue on this day whatever else holds.
    pub(crate) overdue_anyway: Option<LocalDate>,
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
        let overdue = self.not_before.map_or(overdue, |not_before| overdue.max(not_before));
        let overdue = self.overdue_anyway.map_or(overdue, |day| overdue.min(zone.midnight(day)));
        Days { coming, limit, overdue }
    }

    /// By [`crate::calendar::day`], the day that has begun.
    pub(crate) fn begun(&self, today: LocalDate, at: Instant) -> Begun {
        let [coming, limit, overdue] = [self.coming, self.limit, self.overdue].map(|day| day <= today);
        let may_be_overdue = self.not_before.is_none_or(|not_before| has_begun(not_before, at));
        let anyway = self.overdue_anyway.is_some_and(|day| day <= today);
        Begun { coming, limit, overdue: overdue && may_be_overdue || anyway }
    }
}

impl Days {
    /// The same without asking the calendar.
    pub(crate) fn begun(&self, at: Instant) -> Begun {
        let [coming, limit, overdue] = [self.coming, self.limit, self.overdue].map(|day| has_begun(day, at));
        Begun { coming, limit, overdue }
    }
}

fn has_begun(day: Instant, at: Instant) -> bool {
    day <= at && day < Instant::LAST
}

impl Anchor {
    pub(crate) fn at(placed: &Placed<'_>, counted: Counted, standing: &Standing<'_>, curve: &Curve) -> Self {
        let (hours, read) = curve.at_event(placed);
        Self {
            event: placed.id,
            counted,
            substitute: false,
            read,
            instant: placed.instant,
            date: standing.date(placed),
            hours,
        }
    }

    /// Whether the work was done then.
    pub(crate) fn completed(&self) -> bool {
        matches!(self.counted, Counted::Done | Counted::Failed)
    }

    /// Whether what was done before it no longer counts.
    fn begins_anew(&self) -> bool {
        matches!(self.counted, Counted::Fitted | Counted::Applicable)
    }

    /// Its place in canonical order among its like.
    pub(crate) fn key(&self) -> (Instant, EventId) {
        (self.instant, self.event)
    }
}

impl HoursLimit {
    /// The upper hours to judge by at `at`, where they are `upper` by the curve.
    pub(crate) fn upper(&self, curve: &Curve, upper: Hours, at: Instant) -> Hours {
        match self.unread {
            None => upper,
            Some((since, from)) => upper.min(from + curve.most_use(since, at)),
        }
    }

    /// The first instants at which the two bounds that make up [`upper`](Self::upper) reach `hours`; the later
    /// of them is when that does.
    pub(crate) fn upper_reaches(&self, curve: &Curve, hours: Hours) -> [Instant; 2] {
        let by_use = match self.unread {
            Some((since, from)) if hours > from => curve.most_use_reaches(hours - from, since),
            _ => Instant::FIRST,
        };
        [curve.upper_reaches(hours), by_use]
    }

    /// The first instants at which the lower bound reaches the limit, and passes it and the tolerance.
    pub(crate) fn lower_reaches(&self, curve: &Curve) -> [Instant; 2] {
        let passed = self.limit.upper + self.tolerance + Hours::from_seconds(1);
        [curve.lower_reaches(self.limit.lower), curve.lower_reaches(passed)]
    }
}

/// From where limits count: an event, or the point that was planned for it.
#[derive(Clone, Copy, Debug)]
struct Point {
    anchor: Anchor,
    hours: Option<HoursRange>,
    date: LocalDate,
}

impl Point {
    fn of(anchor: Anchor) -> Self {
        Self { anchor, hours: anchor.hours.range, date: anchor.date }
    }
}

/// The last work that counts, and what it is held against.
struct Followed {
    /// From where the limits count now.
    point: Option<Point>,
    /// The last work, and the point before it.
    last: Option<(Completion, Option<Point>)>,
}
