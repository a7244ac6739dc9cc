use serde::{Serialize, Serializer, ser::SerializeMap};
use utoipa::ToSchema;

use super::MonthDay;
use crate::{
    code::Code,
    entry,
    entry::HoursEntry,
    quantity::Hours,
    read::{Flaw, Object, boolean, small},
    time::LocalDate,
};

/// When a task is due: by hours, by calendar, after a failed check; at least one, and the first that comes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Limits {
    /// Running hours.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>, example = 100)]
    pub hours: Option<Hours>,
    /// Calendar time.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = CalendarMembers)]
    pub calendar: Option<Calendar>,
    /// Soon after a check failed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_failed: Option<OnFailed>,
}

/// When a task is due by the calendar.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Calendar {
    /// So long after the time before.
    Every(Span),
    /// So many months after it, on the last day of the month that is reached.
    ToMonthEnd(i32),
    /// On these days of every year, in order.
    FixedDates(Vec<MonthDay>),
    /// By this day, once.
    By(LocalDate),
}

/// The members of [`Calendar`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct CalendarMembers {
    /// Whole months, to the same day or the last of a shorter month; of `months`, `days`, `fixed_dates` and `by` at
    /// most one.
    #[schema(minimum = 1, maximum = 1200)]
    months: Option<i32>,
    /// Whole days.
    #[schema(minimum = 1, maximum = 36_500)]
    days: Option<i32>,
    /// With `months`: due on the last day of the month that is reached.
    to_month_end: Option<bool>,
    /// Days of every year, `MM-DD`; not 29 February.
    #[schema(value_type = Option<Vec<String>>, min_items = 1, max_items = 24, example = json!(["04-15", "10-15"]))]
    fixed_dates: Option<Vec<String>>,
    /// The day itself; only of a task that is done once.
    #[schema(value_type = Option<String>, format = Date)]
    by: Option<String>,
}

/// Calendar time between two dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Span {
    /// Whole months, to the same day or the last of a shorter month.
    Months(i32),
    /// Whole days.
    Days(i32),
}

/// An interval on one or both axes; at least one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Interval {
    /// Running hours.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>, example = 50)]
    pub hours: Option<Hours>,
    /// Calendar time: `months` or `days`.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub calendar: Option<Span>,
}

/// A check that makes the task due when it fails.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OnFailed {
    /// The job of the check.
    #[schema(value_type = String, example = "oil_analysis", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub job: Code,
    /// How many business days (Monday to Friday) there are then; absent means none.
    #[schema(required = false, minimum = 0, maximum = 365)]
    pub business_days: i32,
}

/// A margin before or after a limit, on each axis; absent where none is stated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct Allowance {
    /// Running hours.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub hours: Option<Hours>,
    /// Days.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 36_500)]
    pub days: Option<i32>,
}

const CALENDARS: [&str; 4] = ["months", "days", "fixed_dates", "by"];

impl Limits {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let hours = o.optional("hours", Hours::read_positive);
        let on_failed = o.object("on_failed", OnFailed::read);
        let calendar = Calendar::read(o);
        let any = ["hours", "on_failed"].iter().chain(&CALENDARS).any(|name| o.has(name));
        if !any {
            return o.fail(
                "",
                Flaw::new("no_limit", "A limit has hours, a time of the calendar or a check that fails."),
            );
        }
        Some(Self { hours, calendar: calendar?, on_failed })
    }
}

impl Calendar {
    /// The time between two points, where it is such a limit.
    pub fn span(&self) -> Option<Span> {
        match self {
            Self::Every(span) => Some(*span),
            Self::ToMonthEnd(months) => Some(Span::Months(*months)),
            Self::FixedDates(_) | Self::By(_) => None,
        }
    }

    /// Nothing at the outside where something is wrong, nothing inside where no calendar was sent.
    #[allow(
        clippy::option_option,
        reason = "the outer one says whether it could be read, as everywhere here"
    )]
    fn read(o: &mut Object<'_>) -> Option<Option<Self>> {
        let span = Span::read(o);
        let to_month_end = o.optional("to_month_end", boolean).unwrap_or(false);
        let fixed = o.values("fixed_dates", 24, MonthDay::read);
        let by = o.optional("by", LocalDate::read).map(Self::By);
        if let Some(second) = CALENDARS.iter().filter(|name| o.has(name)).nth(1) {
            let detail = "A limit has one of months, days, fixed_dates and by.";
            return o.fail(second, Flaw::new("two_calendars", detail));
        }
        if to_month_end && !o.has("months") {
            return o
                .fail("to_month_end", Flaw::new("misplaced", "The end of a month is reached by months."));
        }
        if o.has("fixed_dates") {
            return in_order(fixed?, o).map(|dates| Some(Self::FixedDates(dates)));
        }
        let every = match span {
            Some(Span::Months(months)) if to_month_end => Some(Self::ToMonthEnd(months)),
            span => span.map(Self::Every),
        };
        Some(every.or(by))
    }
}

fn in_order(mut dates: Vec<MonthDay>, o: &mut Object<'_>) -> Option<Vec<MonthDay>> {
    let sent = dates.len();
    dates.sort_unstable();
    dates.dedup();
    if dates.is_empty() {
        return o.fail("fixed_dates", Flaw::new("required", "Name at least one day."));
    }
    if dates.len() < sent {
        return o.fail("fixed_dates", Flaw::new("duplicate_date", "A day is named twice."));
    }
    Some(dates)
}

impl Serialize for Calendar {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let mut map = s.serialize_map(None)?;
        match self {
            Self::Every(Span::Months(months)) => map.serialize_entry("months", months)?,
            Self::Every(Span::Days(days)) => map.serialize_entry("days", days)?,
            Self::ToMonthEnd(months) => {
                map.serialize_entry("months", months)?;
                map.serialize_entry("to_month_end", &true)?;
            }
            Self::FixedDates(dates) => map.serialize_entry("fixed_dates", dates)?,
            Self::By(date) => map.serialize_entry("by", date)?,
        }
        map.end()
    }
}

impl Span {
    /// Months or days, if one was sent; `Calendar` and `Interval` say what is wrong where both were.
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let months = o.optional("months", small(1, 1200)).map(Self::Months);
        let days = o.optional("days", small(1, 36_500)).map(Self::Days);
        months.or(days)
    }

    /// The most days that it can be.
    pub(super) fn days_most(self) -> i64 {
        match self {
            Self::Months(months) => i64::from(months) * 31,
            Self::Days(days) => days.into(),
        }
    }
}

impl Interval {
    pub(crate) fn read(o: &mut Object<'_>) -> Option<Self> {
        let hours = o.optional("hours", Hours::read_positive);
        let calendar = Span::read(o);
        if o.has("months") && o.has("days") {
            return o.fail("days", Flaw::new("two_calendars", "A limit has months or days, not both."));
        }
        if !["hours", "months", "days"].iter().any(|name| o.has(name)) {
            return o.fail("", Flaw::new("no_limit", "A limit has hours, months or days."));
        }
        Some(Self { hours, calendar })
    }
}

impl OnFailed {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let job = o.required("job", Code::read);
        let business_days = o.optional("business_days", small(0, 365)).unwrap_or(0);
        Some(Self { job: job?, business_days })
    }
}

impl Allowance {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self { hours: o.optional("hours", Hours::read), days: o.optional("days", small(0, 36_500)) })
    }

    /// Whether nothing is stated on either axis.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }
}
