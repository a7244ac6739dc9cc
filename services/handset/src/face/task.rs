//! A task of a schedule in few words: how it stands, and what it takes.

use device::{DeviceItem, NotUnderstood};
use interval::{DueItem, DueState, Reason};
use model::schedule::{Part, Setting};

use super::{
    describe,
    page::{Page, Tone},
};

/// What is to be done about it, the most pressing first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Pressing {
    /// Its limit is reached.
    Due,
    /// It can be done on this visit.
    Open,
    /// Nobody knows.
    Unknown,
    /// There is nothing to do yet.
    NotYet,
    /// It is not for this unit.
    Never,
}

impl Pressing {
    pub(super) fn of(item: &DeviceItem) -> Self {
        match item.due.item.state {
            DueState::Overdue | DueState::Due => Self::Due,
            DueState::ComingDue | DueState::Deferred => Self::Open,
            DueState::Unknown => Self::Unknown,
            DueState::Ok | DueState::Suspended => Self::NotYet,
            DueState::NotApplicable => Self::Never,
        }
    }

    /// A mark and a tone; the words say the same.
    pub(super) fn shown(self) -> (&'static str, Tone) {
        match self {
            Self::Due => ("!", Tone::Alarm),
            Self::Open => ("-", Tone::Warning),
            Self::Unknown => ("?", Tone::Warning),
            Self::NotYet | Self::Never => ("-", Tone::Plain),
        }
    }
}

/// What sorts tasks: overdue before due, and so on; then by the date.
pub(super) fn order(item: &DeviceItem) -> (Pressing, bool, Option<i64>) {
    let of = &item.due.item;
    (Pressing::of(item), of.state != DueState::Overdue, of.due_at.map(|at| at.micros()))
}

/// How it stands: the word for it, and how much is left.
pub(super) fn standing(item: &DeviceItem) -> String {
    let of = &item.due.item;
    match of.state {
        DueState::Overdue => with("OVERDUE", over(of)),
        DueState::Due => with("DUE", over(of)),
        DueState::ComingDue => with("coming due", left(of)),
        DueState::Deferred => with("put off", put_off(of)),
        DueState::Ok => left(of).unwrap_or_else(|| "ok".to_owned()),
        DueState::Suspended => "rests while in storage".to_owned(),
        DueState::NotApplicable => "not for this unit".to_owned(),
        DueState::Unknown => not_known(item),
    }
}

/// Why it is not known, and what to enter.
fn not_known(item: &DeviceItem) -> String {
    match (item.not_understood, item.due.item.reason) {
        (Some(NotUnderstood::Unreadable), _) => "a record cannot be read here. Update this program.",
        (Some(NotUnderstood::NewerLimit), _) => "its limit is of a newer kind. Update this program.",
        (None, Some(Reason::NoHours)) => "no hours known. Enter: reading",
        (None, Some(Reason::PossiblyDue)) => "may be due: the last reading is old. Enter: reading",
        (None, _) => "never recorded. Do it, and enter: service",
    }
    .to_owned()
}

/// Where the next limit lies, as it is read off meter and calendar.
pub(super) fn limit(of: &DueItem) -> Option<String> {
    let hours = of.hours.map(|axis| match axis.limit_meter_hours {
        Some(meter) => format!("{meter} h on the meter"),
        None => format!("{} engine hours", axis.limit_hours),
    });
    let date = of.calendar.map(|axis| axis.limit_date.to_string());
    either(hours, date)
}

fn left(of: &DueItem) -> Option<String> {
    let hours = of.hours.map(|axis| format!("{} h", axis.left_hours));
    let days = of.calendar.map(|axis| days(axis.left_days));
    either(hours, days).map(|left| format!("{left} left"))
}

/// How far past its limit, by each axis on which it is.
fn over(of: &DueItem) -> Option<String> {
    let hours = of.hours.map(|axis| -axis.left_hours).filter(|over| over.seconds() > 0);
    let days_over = of.calendar.map(|axis| -axis.left_days).filter(|over| *over > 0);
    let over = [hours.map(|hours| format!("{hours} h")), days_over.map(days)];
    let over = over.into_iter().flatten().collect::<Vec<_>>().join(", ");
    (!over.is_empty()).then(|| format!("{over} over"))
}

fn put_off(of: &DueItem) -> Option<String> {
    let Some(deferral) = of.deferral else { return Some("an emergency".to_owned()) };
    let until = either(
        deferral.until_hours.map(|hours| format!("{hours} engine hours")),
        deferral.until_date.map(|date| date.to_string()),
    );
    until.map(|until| format!("until {until}"))
}

fn either(one: Option<String>, other: Option<String>) -> Option<String> {
    match (one, other) {
        (Some(one), Some(other)) => Some(format!("{one} or {other}")),
        (one, other) => one.or(other),
    }
}

fn days(days: i32) -> String {
    if days == 1 { "1 day".to_owned() } else { format!("{days} days") }
}

fn with(word: &str, more: Option<String>) -> String {
    more.map_or_else(|| word.to_owned(), |more| format!("{word}: {more}"))
}

/// What to bring, and what to set.
pub(super) fn put(page: &mut Page, parts: &[Part], settings: &[Setting]) {
    for part in parts {
        page.item("-", Tone::Plain, &format!("bring {} {} {}", part.quantity, part.unit, part.part));
    }
    for setting in settings {
        page.item("-", Tone::Plain, &format!("set {}", set(setting)));
    }
}

fn set(setting: &Setting) -> String {
    match setting {
        Setting::Value { setting, value, unit } => {
            format!("{}: {value} {unit}", describe::words(setting.as_str()))
        }
        Setting::Grade { setting, grade, from_celsius, to_celsius } => {
            format!("{}: {grade}, at {from_celsius} to {to_celsius} °C", describe::words(setting.as_str()))
        }
    }
}
