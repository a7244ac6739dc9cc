//! The closed sets of words of a digest, and how they are said.

use model::{Code, person::Role};

/// The state of a due item.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Nothing to do yet.
    Ok,
    /// The limit is near.
    ComingDue,
    /// The limit is reached.
    Due,
    /// The limit and its tolerance are passed.
    Overdue,
    /// Somebody with authority put it off.
    Deferred,
    /// It rests while the unit is in storage.
    Suspended,
    /// The unit has nothing for this task to be done on.
    NotApplicable,
    /// The record does not say.
    Unknown,
}

impl State {
    /// The state as the API writes it.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::ComingDue => "coming_due",
            Self::Due => "due",
            Self::Overdue => "overdue",
            Self::Deferred => "deferred",
            Self::Suspended => "suspended",
            Self::NotApplicable => "not_applicable",
            Self::Unknown => "unknown",
        }
    }
}

/// Why a state is unknown or deferred.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reason {
    /// The work was never recorded, nor the unit's commissioning.
    NoHistory,
    /// The limit is in hours and none are known.
    NoHours,
    /// The limit may be reached, but the newest reading is too old to say.
    PossiblyDue,
    /// It was reached during a run in an emergency, which could not be broken off.
    Emergency,
}

/// How well hours are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// Measured.
    A,
    /// Interpolated.
    B,
    /// Estimated.
    C,
    /// Not known.
    D,
}

/// What is to be done next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// The work itself.
    DoTheWork,
    /// The work once, so that there is something to count from.
    BaselineService,
    /// Read the hour meter.
    ReadMeter,
    /// Record what the check found that was not passed.
    RecordFinding,
}

/// Why an item's state is another one than in the mail before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// Only time went by.
    TimePassed,
    /// The work was recorded.
    WorkRecorded,
    /// Running hours were recorded.
    HoursRecorded,
    /// Something was recorded late: it had happened before the mail before.
    LateEntry,
    /// An earlier record was corrected.
    Corrected,
    /// It was deferred.
    Deferred,
    /// Its deferral ended.
    DeferralEnded,
    /// The unit went into storage or came out of it.
    Storage,
    /// Another edition of the schedule holds, or the limits of the unit are others.
    LimitsChanged,
    /// The unit stands at another site.
    Moved,
    /// The unit is new on this list.
    NewUnit,
    /// The unit is no more on this list.
    UnitGone,
}

impl State {
    /// The state in words.
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::ComingDue => "coming due",
            Self::Due => "due",
            Self::Overdue => "overdue",
            Self::Deferred => "deferred",
            Self::Suspended => "suspended",
            Self::NotApplicable => "not applicable",
            Self::Unknown => "unknown",
        }
    }
}

impl Reason {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::NoHistory => "no history: never recorded as done, nor the unit as commissioned",
            Self::NoHours => "the limit is in hours and none are known",
            Self::PossiblyDue => "possibly due: the newest reading is too old to say",
            Self::Emergency => "reached during a run in an emergency",
        }
    }
}

impl Grade {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::A => "grade A (measured)",
            Self::B => "grade B (interpolated)",
            Self::C => "grade C (estimated)",
            Self::D => "grade D (not known)",
        }
    }
}

impl Next {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::DoTheWork => "do the work",
            Self::BaselineService => "do the work once, so that there is something to count from",
            Self::ReadMeter => "read the meter",
            Self::RecordFinding => "record what the check found",
        }
    }
}

impl Why {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::TimePassed => "time went by",
            Self::WorkRecorded => "the work was recorded",
            Self::HoursRecorded => "running hours were recorded",
            Self::LateEntry => "recorded late",
            Self::Corrected => "an earlier record was corrected",
            Self::Deferred => "deferred",
            Self::DeferralEnded => "the deferral ended",
            Self::Storage => "the unit went into storage or came out of it",
            Self::LimitsChanged => "another edition or other limits hold",
            Self::Moved => "the unit stands at another site",
            Self::NewUnit => "the unit is new on this list",
            Self::UnitGone => "the unit is no more on this list",
        }
    }
}

/// A role in words.
pub(crate) fn role(role: Role) -> &'static str {
    match role {
        Role::Viewer => "viewer",
        Role::Custodian => "custodian",
        Role::Technician => "technician",
        Role::Coordinator => "coordinator",
        Role::Planner => "planner",
        Role::Auditor => "auditor",
        Role::Integrator => "integrator",
        Role::Admin => "admin",
    }
}

/// A code in words: `locked_out` is "locked out", and of what is wrong with a record is said how.
pub(crate) fn code(code: &Code) -> String {
    let known = match code.as_str() {
        "stale_reading" => "the newest reading is too old to tell by",
        "reading_set_aside" => "a reading does not fit the others and is set aside",
        "swap_not_recorded" => "readings look as if by another meter, and no swap is recorded",
        "stop_missing" => "a run was started and its stop never recorded",
        "no_history" => "a task was never recorded as done, nor the unit as commissioned",
        "possible_duplicate" => "two entries may be the same work",
        "quiet" => "quiet: nothing recorded for half a year",
        other => return other.replace('_', " "),
    };
    known.to_owned()
}
