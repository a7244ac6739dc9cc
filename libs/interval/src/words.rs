//! The closed sets of words that an answer is made of.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The state of one task on one unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DueState {
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
    /// The record does not say; see the reason.
    Unknown,
}

/// The words for [`DueState`].
pub const DUE_STATES: &[(&str, DueState)] = &[
    ("ok", DueState::Ok),
    ("coming_due", DueState::ComingDue),
    ("due", DueState::Due),
    ("overdue", DueState::Overdue),
    ("deferred", DueState::Deferred),
    ("suspended", DueState::Suspended),
    ("not_applicable", DueState::NotApplicable),
    ("unknown", DueState::Unknown),
];

/// Why a state is unknown or deferred.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
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

/// The words for [`Reason`].
pub const REASONS: &[(&str, Reason)] = &[
    ("no_history", Reason::NoHistory),
    ("no_hours", Reason::NoHours),
    ("possibly_due", Reason::PossiblyDue),
    ("emergency", Reason::Emergency),
];

/// What is to be done next, beside the work itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// Do the work once, so that there is something to count from.
    BaselineService,
    /// Read the hour meter.
    ReadMeter,
    /// Record what the check found that was not passed; the unit is not fit until it is put right.
    RecordFinding,
}

/// How well hours are known, the best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
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

/// One of the two axes that a limit lies on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Axis {
    /// Running hours.
    Hours,
    /// Calendar time.
    Calendar,
}

impl DueState {
    /// The state as it is written.
    pub fn as_str(self) -> &'static str {
        DUE_STATES.iter().find(|(_, state)| *state == self).map_or("", |(word, _)| *word)
    }

    /// The state written as `word`.
    pub fn parse(word: &str) -> Option<Self> {
        DUE_STATES.iter().find(|(known, _)| *known == word).map(|(_, state)| *state)
    }
}

impl Reason {
    /// The reason as it is written.
    pub fn as_str(self) -> &'static str {
        REASONS.iter().find(|(_, reason)| *reason == self).map_or("", |(word, _)| *word)
    }

    /// The reason written as `word`.
    pub fn parse(word: &str) -> Option<Self> {
        REASONS.iter().find(|(known, _)| *known == word).map(|(_, reason)| *reason)
    }
}
