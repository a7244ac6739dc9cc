//! What the clocks tell.

use model::LocalDate;
use serde::Serialize;
use utoipa::ToSchema;

use super::Boundary;

/// How long portable engines have done each job at each place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Residence {
    /// The clocks by place, job and beginning, those that ended among them.
    pub clocks: Vec<Clock>,
    /// The day for which it was asked.
    #[schema(value_type = String, example = "2026-01-05")]
    pub today: LocalDate,
    /// The policy that they run by.
    #[schema(example = "twelve_month_residence")]
    pub policy: String,
    /// Its edition.
    #[schema(example = "1")]
    pub edition: String,
    /// Where that is written.
    #[schema(example = "40 CFR 1068.30, 1068.31")]
    pub source: String,
    /// What was used, what was left out, and why.
    pub trace: Vec<ResidenceTrace>,
}

/// One time that a job was done at a place without an end.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Clock {
    /// The place.
    #[schema(example = "PS-2")]
    pub location: String,
    /// The job.
    #[schema(example = "pump")]
    pub function: String,
    /// The units that did it, in the order in which they came.
    pub units: Vec<String>,
    /// The day on which the first was placed, if only for another job (see `own_stay`).
    #[schema(value_type = String, example = "2025-01-10")]
    pub since: LocalDate,
    /// The day on which the last left or will leave, if that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub until: Option<LocalDate>,
    /// How it stands.
    pub state: ClockState,
    /// The days that count up to today.
    #[schema(example = 360)]
    pub days: i32,
    /// Days without a unit among them.
    #[schema(example = 14)]
    pub gap_days: i32,
    /// Days in storage that were left out.
    #[schema(example = 0)]
    pub storage_days: i32,
    /// The day on which it becomes stationary if it stays until then, and did where it has: the limit by the reading that
    /// decides, or the close of a full season if that comes first.
    #[schema(value_type = String, example = "2026-01-10")]
    pub passes_on: LocalDate,
    /// By which rule.
    pub passes_by: PassedBy,
    /// Days until then, while the clock runs.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 5)]
    pub days_left: Option<i32>,
    /// The reading that decides.
    pub boundary: Boundary,
    /// Twelve months to the day are enough.
    pub at_least: Reading,
    /// A day more is needed. Of both readings it is the months alone, not a season.
    pub more_than: Reading,
    /// By what it became stationary, and since when it counts so.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub passed: Option<Passed>,
    /// Since when it would run if the gap before it had not ended the clock before.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>)]
    pub if_continued_since: Option<LocalDate>,
    /// The unit that stood here before for another job, if the clock began with it: its own time counts whatever its job.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub own_stay: Option<OwnStay>,
    /// What a person must judge, since the rule does not say.
    pub review: Vec<Review>,
}

/// A unit that stayed at a place and changed its job there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OwnStay {
    /// The unit.
    pub unit: String,
    /// Its job when it was placed.
    pub function: String,
    /// When that was.
    #[schema(value_type = String)]
    pub since: LocalDate,
}

/// How a clock stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClockState {
    /// It runs.
    Running,
    /// It runs, and the unit is meant to stay beyond the limit: what will stay that long counts as stationary now.
    WillStay,
    /// The unit has left; a replacement that came soon would continue it.
    Away,
    /// It ended before the limit.
    Ended,
    /// The limit has passed: stationary since the first was placed.
    Stationary,
}

/// One reading of the limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = ResidenceReading)]
pub struct Reading {
    /// The day on which the limit passes.
    #[schema(value_type = String, example = "2026-01-10")]
    pub passes_on: LocalDate,
    /// Whether it has.
    pub passed: bool,
}

/// Since when it counts as stationary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Passed {
    /// The day on which the first unit was placed: it counts from then (40 CFR 1068.31(e)(1)).
    #[schema(value_type = String, example = "2025-01-10")]
    pub stationary_since: LocalDate,
    /// The day on which that became so.
    #[schema(value_type = String, example = "2026-01-10")]
    pub on: LocalDate,
    /// By which rule.
    pub by: PassedBy,
}

/// What makes a unit stationary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PassedBy {
    /// A full season at a seasonal place.
    FullSeason,
    /// The limit in months.
    Months,
}

/// What a person must judge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum Review {
    /// No unit was there for a time, and the rule gives no length that ends the clock.
    Gap {
        /// The day on which the last left.
        #[schema(value_type = String)]
        from: LocalDate,
        /// The day on which the next came.
        #[schema(value_type = String)]
        until: LocalDate,
        /// Days between.
        days: i32,
        /// The longest that the policy lets continue, if it names one.
        #[serde(skip_serializing_if = "Option::is_none")]
        most: Option<u16>,
        /// Whether the clock went on: else it began anew.
        continued: bool,
    },
    /// The two readings differ today.
    ExactlyAtLimit,
    /// Days in storage were left out, which the rule does not say.
    StorageLeftOut {
        /// How many.
        days: i32,
    },
    /// It is not known for how long the seasonal place is meant to work: enter that.
    SeasonalPlaceNotKnown {
        /// The day on which the season opens.
        #[schema(value_type = String)]
        opens: LocalDate,
    },
}

/// What was used, and what was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum ResidenceTrace {
    /// A placement was used.
    PlacementUsed {
        /// The unit.
        unit: String,
        /// The place.
        location: String,
        /// The job.
        function: String,
        /// When it was placed.
        #[schema(value_type = String)]
        from: LocalDate,
    },
    /// A placement was left out: it begins after today.
    PlacedLater {
        /// The unit.
        unit: String,
        /// When it will be placed.
        #[schema(value_type = String)]
        from: LocalDate,
    },
    /// A season was left out.
    SeasonLeftOut {
        /// The place.
        location: String,
        /// When it opens.
        #[schema(value_type = String)]
        opens: LocalDate,
        /// Why: `seasons_not_in_policy`, `too_short` or `not_permanent`.
        #[schema(value_type = String, example = "too_short")]
        why: &'static str,
    },
}
