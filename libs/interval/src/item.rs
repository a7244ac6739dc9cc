//! What is answered about one task on one unit.

use model::{Code, EditionId, EventId, Hours, Instant, Label, LocalDate, ScheduleId, schedule::Pack};
use serde::{Serialize, Serializer};
use utoipa::ToSchema;

use crate::words::{Action, Axis, DueState, Grade, Reason};

/// Which task of which schedule.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ItemKey {
    /// The schedule.
    pub schedule: ScheduleId,
    /// The task's code, the same across editions.
    pub task: Code,
}

/// The computed state of one task on one unit.
///
/// What the task asks for, its parts, settings and cautions, is found in its edition.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DueItem {
    /// The schedule that asks for it.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The edition in force.
    #[schema(value_type = String, format = "uuid")]
    pub edition_id: EditionId,
    /// The policy pack that names the edition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pack: Option<Pack>,
    /// The task's code.
    #[schema(value_type = String, example = "oil_change")]
    pub task: Code,
    /// The job whose completion counts for it.
    #[schema(value_type = String, example = "oil_change")]
    pub job: Code,
    /// What the technician reads.
    #[schema(value_type = String, example = "Change the engine oil")]
    pub title: Label,
    /// The state.
    pub state: DueState,
    /// Why the state is unknown or deferred.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<Reason>,
    /// What is to be done next, beside the work itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action: Option<Action>,
    /// The axis of which more is used up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub governing: Option<Axis>,
    /// The limit in running hours, if there is one and hours are known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours: Option<HoursAxis>,
    /// The limit by date, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calendar: Option<CalendarAxis>,
    /// Hours of the component that it follows.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 14.5)]
    pub component_hours: Option<Hours>,
    /// The first instant at which it is due, or possibly due, by its limits, if nothing new is recorded; may be past.
    /// Absent if there is no such instant.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub due_at: Option<Instant>,
    /// The deferral that lets it wait, while it holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deferral: Option<DeferralInForce>,
    /// Whether the unit came out of storage with it due, so that it is to be done before the unit is used.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub recommission_gate: bool,
    /// Whether it came to be due during an emergency that is over.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub waited_for_emergency: bool,
    /// How late it was done the last time, if it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub late: Option<Late>,
    /// The service that did it last, if what was checked was not fit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    pub failed_event_id: Option<EventId>,
    /// How well the hours are known that it rests on; `A` where it rests on dates alone.
    pub grade: Grade,
}

/// A deferral while it holds. What is left and how much is overdue are counted from the limit all the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DeferralInForce {
    /// The event that says so.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// Up to which engine hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 255.0)]
    pub until_hours: Option<Hours>,
    /// The last day.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub until_date: Option<LocalDate>,
    /// Hours left until then, from the upper hours now.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 5.0)]
    pub left_hours: Option<Hours>,
}

/// How far past its limits a task was done, by the likeliest values and without any tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Late {
    /// Running hours.
    #[serde(rename = "late_hours", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 56.4)]
    pub hours: Option<Hours>,
    /// Days.
    #[serde(rename = "late_days", skip_serializing_if = "Option::is_none")]
    pub days: Option<i32>,
    /// What made that right.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub justified_by: Option<Justified>,
}

/// What makes it right that work was late.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Justified {
    /// It came to be due during an emergency.
    Emergency,
    /// Somebody with authority had let it wait.
    Deferral,
}

/// A task's limit in engine hours.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct HoursAxis {
    /// The interval in use.
    #[schema(value_type = f64, example = 100.0)]
    pub interval_hours: Hours,
    /// Engine hours that it counts from, the likeliest value.
    #[schema(value_type = f64, example = 140.0)]
    pub anchor_hours: Hours,
    /// Engine hours at which it is due, the likeliest value.
    #[schema(value_type = f64, example = 240.0)]
    pub limit_hours: Hours,
    /// The least that the limit can be; `due` goes by this.
    #[schema(value_type = f64, example = 240.0)]
    pub limit_lower_hours: Hours,
    /// The most that the limit can be; `overdue` goes by this.
    #[schema(value_type = f64, example = 240.0)]
    pub limit_upper_hours: Hours,
    /// What the meter now fitted shows at the limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 240.0)]
    pub limit_meter_hours: Option<Hours>,
    /// Engine hours now, the likeliest value.
    #[schema(value_type = f64, example = 212.4)]
    pub now_hours: Hours,
    /// Run since the anchor, the likeliest value.
    #[schema(value_type = f64, example = 72.4)]
    pub used_hours: Hours,
    /// Left at least, from the upper hours now to the lower limit; negative when past.
    #[schema(value_type = f64, example = 27.6)]
    pub left_hours: Hours,
    /// The share used up on the way from anchor to limit.
    #[schema(value_type = f64, example = 0.724)]
    pub used_fraction: Fraction,
}

/// A task's limit by date, where the unit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct CalendarAxis {
    /// The day that it counts from.
    #[schema(value_type = String, format = Date, example = "2025-03-10")]
    pub anchor_date: LocalDate,
    /// The day on which it is due.
    #[schema(value_type = String, format = Date, example = "2025-09-10")]
    pub limit_date: LocalDate,
    /// Days from anchor to limit.
    #[schema(example = 184)]
    pub interval_days: i32,
    /// Days since the anchor.
    #[schema(example = 144)]
    pub used_days: i32,
    /// Days left; negative when past.
    #[schema(example = 40)]
    pub left_days: i32,
    /// The share used up on the way from anchor to limit.
    #[schema(value_type = f64, example = 0.7826)]
    pub used_fraction: Fraction,
}

/// A share, in ten-thousandths, rounded half away from nought.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fraction(i64);

impl Fraction {
    /// `part` of `whole`; all of it where there is no whole.
    pub fn of(part: i64, whole: i64) -> Self {
        if whole <= 0 {
            return Self(10_000);
        }
        let (part, whole) = (i128::from(part), i128::from(whole));
        let half = if part < 0 { -whole } else { whole };
        Self(i64::try_from((part * 20_000 + half) / (2 * whole)).unwrap_or(i64::MAX))
    }

    /// The ten-thousandths.
    pub fn ten_thousandths(self) -> i64 {
        self.0
    }
}

impl Serialize for Fraction {
    #[allow(clippy::cast_precision_loss, reason = "shares are small; a huge one only needs to stay huge")]
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(self.0 as f64 / 10_000.0)
    }
}

/// Whether `a.0` of `a.1` is a greater share than `b.0` of `b.1`, exactly.
pub(crate) fn greater_share(a: (i64, i64), b: (i64, i64)) -> bool {
    i128::from(a.0) * i128::from(b.1.max(1)) > i128::from(b.0) * i128::from(a.1.max(1))
}
