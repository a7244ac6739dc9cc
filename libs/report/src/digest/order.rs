//! Which due item comes before which.

use std::cmp::{Ordering, Reverse};

use model::LocalDate;

use super::{
    facts::{Facts, Line, SiteFacts, SiteRef},
    words::{Reason, State},
};

/// A line and where it stands.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Placed<'a> {
    pub(crate) site: &'a SiteRef,
    pub(crate) line: &'a Line,
}

/// The lines by what is asked for; those of other states ask for nothing.
#[derive(Debug, Default)]
pub(crate) struct Sorted<'a> {
    pub(crate) overdue: Vec<Placed<'a>>,
    /// Due now, or by the last day of the week.
    pub(crate) this_week: Vec<Placed<'a>>,
    pub(crate) later: Vec<Placed<'a>>,
    pub(crate) unknown: Vec<Placed<'a>>,
    pub(crate) deferred: Vec<Placed<'a>>,
}

/// How two lines of a kind are ordered.
pub(crate) type Order = fn(&Placed<'_>, &Placed<'_>) -> Ordering;

impl<'a> Sorted<'a> {
    pub(crate) fn of(facts: &'a Facts) -> Self {
        let mut sorted = Self::default();
        for SiteFacts { site, lines } in &facts.sites {
            for line in lines {
                let placed = Placed { site, line };
                match line.state {
                    State::Overdue => sorted.overdue.push(placed),
                    State::Due => sorted.this_week.push(placed),
                    State::ComingDue if due_day(line).is_some_and(|day| day <= facts.due_by) => {
                        sorted.this_week.push(placed);
                    }
                    State::ComingDue => sorted.later.push(placed),
                    State::Unknown => sorted.unknown.push(placed),
                    State::Deferred => sorted.deferred.push(placed),
                    State::Ok | State::Suspended | State::NotApplicable => {}
                }
            }
        }
        sorted
    }
}

/// The share of the interval that is used up by the axis of which more is, in ten-thousandths.
pub(crate) fn used(line: &Line) -> i64 {
    let (hours, days) = (line.hours.map(|axis| axis.used), line.days.map(|axis| axis.used));
    hours.max(days).unwrap_or(i64::MIN)
}

/// The day on which a line comes due.
pub(crate) fn due_day(line: &Line) -> Option<LocalDate> {
    line.due_on.or_else(|| line.days.map(|axis| axis.due))
}

/// The most of its interval used up first, then the longest in its state.
pub(crate) fn worst_first(a: &Placed<'_>, b: &Placed<'_>) -> Ordering {
    let key =
        |placed: &Placed<'_>| (Reverse(used(placed.line)), placed.line.since.is_none(), placed.line.since);
    key(a).cmp(&key(b)).then_with(|| by_name(a, b))
}

/// What comes due first, first.
pub(crate) fn soonest_first(a: &Placed<'_>, b: &Placed<'_>) -> Ordering {
    let key = |placed: &Placed<'_>| {
        let day = due_day(placed.line);
        (placed.line.state != State::Due, day.is_none(), day, Reverse(used(placed.line)))
    };
    key(a).cmp(&key(b)).then_with(|| by_name(a, b))
}

/// What may be due first.
pub(crate) fn likeliest_first(a: &Placed<'_>, b: &Placed<'_>) -> Ordering {
    let key = |placed: &Placed<'_>| match placed.line.reason {
        Some(Reason::PossiblyDue) => 0,
        Some(Reason::NoHours) => 1,
        Some(Reason::NoHistory) => 2,
        Some(Reason::Emergency) | None => 3,
    };
    key(a).cmp(&key(b)).then_with(|| by_name(a, b))
}

/// By names, and by ids where those are the same, so that the same facts give the same mail.
pub(crate) fn by_name(a: &Placed<'_>, b: &Placed<'_>) -> Ordering {
    let (unit, other) = (&a.line.unit, &b.line.unit);
    let (task, other_task) = (&a.line.task, &b.line.task);
    let names = a.site.name.cmp(&b.site.name).then_with(|| unit.label.cmp(&other.label));
    let names = names.then_with(|| task.code.cmp(&other_task.code));
    let ids = || a.site.id.cmp(&b.site.id).then_with(|| unit.id.cmp(&other.id));
    names.then_with(ids).then_with(|| task.schedule.cmp(&other_task.schedule))
}
