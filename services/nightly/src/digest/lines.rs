//! One due item as a line of a digest.

use interval::{Action, DueItem, DueState, Grade, Reason, UnitState};
use model::{Instant, Label, Zone};
use report::digest::{self as told, DaysAxis, Deferred, HoursAxis, Line, Next, State, TaskRef, UnitRef};
use store::view::DueRow;

/// The state in the words of a digest.
pub(crate) fn state(state: DueState) -> State {
    match state {
        DueState::Ok => State::Ok,
        DueState::ComingDue => State::ComingDue,
        DueState::Due => State::Due,
        DueState::Overdue => State::Overdue,
        DueState::Deferred => State::Deferred,
        DueState::Suspended => State::Suspended,
        DueState::NotApplicable => State::NotApplicable,
        DueState::Unknown => State::Unknown,
    }
}

fn reason(reason: Reason) -> told::Reason {
    match reason {
        Reason::NoHistory => told::Reason::NoHistory,
        Reason::NoHours => told::Reason::NoHours,
        Reason::PossiblyDue => told::Reason::PossiblyDue,
        Reason::Emergency => told::Reason::Emergency,
    }
}

fn grade(grade: Grade) -> told::Grade {
    match grade {
        Grade::A => told::Grade::A,
        Grade::B => told::Grade::B,
        Grade::C => told::Grade::C,
        Grade::D => told::Grade::D,
    }
}

fn next(action: Option<Action>) -> Next {
    match action {
        Some(Action::BaselineService) => Next::BaselineService,
        Some(Action::ReadMeter) => Next::ReadMeter,
        Some(Action::RecordFinding) => Next::RecordFinding,
        None => Next::DoTheWork,
    }
}

/// A line from what a list says of an item, for items that are too many to be worked out one by one.
pub(crate) fn plain(row: &DueRow, unit: UnitRef, task: TaskRef, zone: &Zone) -> Line {
    let due_on = (row.place.due_at < Instant::LAST).then(|| zone.date(row.place.due_at));
    let is_past = matches!(row.state, DueState::Overdue | DueState::Due);
    Line {
        unit,
        task,
        state: state(row.state),
        reason: row.reason.map(reason),
        hours: None,
        days: None,
        due_on,
        since: due_on.filter(|_| is_past),
        deferred: None,
        grade: told::Grade::D,
        next: next(match row.reason {
            Some(Reason::NoHistory) => Some(Action::BaselineService),
            Some(Reason::NoHours | Reason::PossiblyDue) => Some(Action::ReadMeter),
            _ => None,
        }),
    }
}

/// The same with all that the unit's fold says of the item at `at`.
pub(crate) fn worked_out(line: Line, item: &DueItem, unit: &UnitState, at: Instant, zone: &Zone) -> Line {
    let lower_now = unit.hours_at(at).range.map(|range| range.lower);
    let hours = item.hours.zip(lower_now).map(|(axis, lower)| HoursAxis {
        late_low: lower - axis.limit_upper_hours,
        late_high: -axis.left_hours,
        used: axis.used_fraction.ten_thousandths(),
    });
    let days = item.calendar.map(|axis| DaysAxis {
        due: axis.limit_date,
        late: -axis.left_days,
        used: axis.used_fraction.ten_thousandths(),
    });
    let deferred = item
        .deferral
        .map(|deferral| Deferred { until_date: deferral.until_date, until_hours: deferral.until_hours });
    Line {
        task: TaskRef { title: item.title.clone(), ..line.task },
        reason: item.reason.map(reason),
        hours,
        days,
        due_on: item.due_at.map(|due| zone.date(due)).or(line.due_on),
        since: since(item, unit, at).map(|since| zone.date(since)),
        deferred,
        grade: grade(item.grade),
        next: next(item.action),
        ..line
    }
}

/// Since when an item is in its state, as far as that follows from its limits.
pub(crate) fn since(item: &DueItem, unit: &UnitState, at: Instant) -> Option<Instant> {
    let due_at = item.due_at.filter(|due| *due <= at)?;
    let of_item = unit
        .steps_from(due_at)
        .into_iter()
        .find(|steps| steps.key.schedule == item.schedule_id && steps.key.task == item.task)?;
    of_item.steps.iter().rev().find(|step| step.from <= at && step.state == item.state).map(|step| step.from)
}

/// A code as a title, where nobody has given one.
pub(crate) fn titled(code: &model::Code) -> Option<Label> {
    Label::parse(&code.as_str().replace('_', " ")).ok()
}
