//! The state of one task at one instant.

use model::Instant;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    hours::{Curve, EngineHours},
    input::Policy,
    limit::{Begun, HoursLimit, HoursRule, Plan},
    words::{DueState, Reason},
};

/// What decided a state; of all that hold, the first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// The task is not for this unit.
    NotApplicable,
    /// The unit is in storage.
    InStorage,
    /// Nothing to count from.
    NoHistory,
    /// The limit is in hours and none are known.
    NoHours,
    /// Somebody with authority let it wait, and that still holds.
    Deferral,
    /// It was reached during a run in an emergency, and the engine still runs.
    Emergency,
    /// The lower hours are past the upper limit and the tolerance.
    HoursOverdue,
    /// The day after the limit and its tolerance has begun.
    CalendarOverdue,
    /// The upper hours have reached the lower limit.
    HoursDue,
    /// The day of the limit has begun.
    CalendarDue,
    /// As `hours_due`, but by nothing better than an old reading.
    HoursPossiblyDue,
    /// The upper hours are within the lead of the lower limit.
    HoursComingDue,
    /// The day of the limit is within the lead.
    CalendarComingDue,
    /// Nothing holds yet.
    BelowLimits,
}

impl Decision {
    /// The state that follows.
    pub fn state(self) -> DueState {
        match self {
            Self::NotApplicable => DueState::NotApplicable,
            Self::InStorage => DueState::Suspended,
            Self::Deferral | Self::Emergency => DueState::Deferred,
            Self::NoHistory | Self::NoHours | Self::HoursPossiblyDue => DueState::Unknown,
            Self::HoursOverdue | Self::CalendarOverdue => DueState::Overdue,
            Self::HoursDue | Self::CalendarDue => DueState::Due,
            Self::HoursComingDue | Self::CalendarComingDue => DueState::ComingDue,
            Self::BelowLimits => DueState::Ok,
        }
    }

    /// Why the state is unknown or deferred, where that needs a reason.
    pub fn reason(self) -> Option<Reason> {
        match self {
            Self::NoHistory => Some(Reason::NoHistory),
            Self::NoHours => Some(Reason::NoHours),
            Self::HoursPossiblyDue => Some(Reason::PossiblyDue),
            Self::Emergency => Some(Reason::Emergency),
            _ => None,
        }
    }
}

/// What all tasks of a unit are judged against at one instant.
#[derive(Clone, Copy)]
pub(crate) struct Now {
    pub(crate) at: Instant,
    pub(crate) hours: EngineHours,
}

impl Now {
    pub(crate) fn of(at: Instant, curve: &Curve) -> Self {
        Self { at, hours: curve.at(at) }
    }
}

/// The state of a task now, of whose limit on the calendar these days have `begun`.
pub(crate) fn judge(
    plan: &Plan,
    begun: Option<Begun>,
    now: &Now,
    curve: &Curve,
    policy: &Policy,
) -> Decision {
    if let Some(fixed) = plan.fixed {
        return fixed;
    }
    let by_date = begun.map_or(Reach::Below, by_date);
    let limit = match &plan.hours {
        HoursRule::None => None,
        HoursRule::Limit(limit) => Some(limit),
        HoursRule::Unknown if by_date < Reach::Due => return Decision::NoHours,
        HoursRule::Unknown => None,
    };
    let by_hours = limit.map_or(Reach::Below, |limit| by_hours(limit, now, curve));
    let stale = stale_from(newest_evidence(plan, curve), policy);
    let possibly = by_hours == Reach::PerhapsDue && now.at >= stale && stale < Instant::LAST;
    match (by_hours, by_date) {
        (Reach::Overdue, _) => Decision::HoursOverdue,
        (_, Reach::Overdue) => Decision::CalendarOverdue,
        (Reach::Due | Reach::PerhapsDue, _) if !possibly => Decision::HoursDue,
        (_, Reach::Due) => Decision::CalendarDue,
        _ if possibly => Decision::HoursPossiblyDue,
        (Reach::Coming, _) => Decision::HoursComingDue,
        (_, Reach::Coming) => Decision::CalendarComingDue,
        _ => Decision::BelowLimits,
    }
}

/// When what the hours rest on was told last: by a reading, or else by the anchor.
pub(crate) fn newest_evidence(plan: &Plan, curve: &Curve) -> Instant {
    let anchor = || plan.anchor.map_or(Instant::FIRST, |anchor| anchor.instant);
    curve.newest_reading().unwrap_or_else(anchor)
}

/// The instant from which a reading taken at `newest` is older than the policy allows.
pub(crate) fn stale_from(newest: Instant, policy: &Policy) -> Instant {
    let oldest = newest.plus_seconds(policy.reading_age_days.saturating_mul(86_400));
    Instant::from_micros(oldest.micros() + 1)
}

impl Decision {
    /// Whether a limit is reached, or may be.
    pub(crate) fn is_reached(self) -> bool {
        self.is_due() || self == Self::HoursPossiblyDue
    }

    /// Whether a limit is reached.
    pub(crate) fn is_due(self) -> bool {
        matches!(self.state(), DueState::Due | DueState::Overdue)
    }
}

/// How far a task has come toward its limit on one axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Reach {
    Below,
    Coming,
    /// By the upper hours only: the limit lies between the bounds.
    PerhapsDue,
    Due,
    Overdue,
}

fn by_hours(limit: &HoursLimit, now: &Now, curve: &Curve) -> Reach {
    let Some(hours) = now.hours.range else { return Reach::Below };
    let upper = limit.upper(curve, hours.upper, now.at);
    if hours.lower > limit.limit.upper + limit.tolerance {
        Reach::Overdue
    } else if upper < limit.coming {
        Reach::Below
    } else if upper < limit.limit.lower {
        Reach::Coming
    } else if hours.lower < limit.limit.lower {
        Reach::PerhapsDue
    } else {
        Reach::Due
    }
}

fn by_date(begun: Begun) -> Reach {
    match begun {
        Begun { overdue: true, .. } => Reach::Overdue,
        Begun { limit: true, .. } => Reach::Due,
        Begun { coming: true, .. } => Reach::Coming,
        _ => Reach::Below,
    }
}
