//! What an outage or a set cannot be.

use model::Hours;
use thiserror::Error;

use crate::load::LoadError;

/// What is wrong with what was entered.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum OutageError {
    /// An outage of no length.
    #[error("An outage lasts longer than 0 hours.")]
    DurationNotPositive,
    /// An outage too long to plan for.
    #[error("A run-through is made for at most {most} hours.")]
    DurationTooLong {
        /// The most.
        most: Hours,
    },
    /// It ends after the last instant there is.
    #[error("The outage ends after the year 2199.")]
    EndsTooLate,
    /// What is wrong with its load.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// A tank that holds nothing.
    #[error("A tank holds more than 0 litres.")]
    TankHoldsNothing,
    /// More fuel than the tank holds.
    #[error("There is more fuel at the start than the tank holds.")]
    MoreThanTheTankHolds,
    /// The tank is never above its reserve.
    #[error("The reserve is less than the tank holds.")]
    ReserveFillsTheTank,
    /// An amount below nothing.
    #[error("The value at {pointer} is not below 0.")]
    BelowNothing {
        /// The field.
        pointer: String,
    },
    /// Something that has to be more than nothing.
    #[error("The value at {pointer} is more than 0.")]
    NotPositive {
        /// The field.
        pointer: String,
    },
    /// The most hours are fewer than the likeliest.
    #[error("The upper bound of the engine hours is not below their likeliest value.")]
    UpperBelowNominal,
    /// Two tasks are the check.
    #[error("Only one task is the oil check.")]
    TwoChecks {
        /// The second.
        pointer: String,
    },
    /// A task without any limit.
    #[error("The task at {pointer} has a limit in hours or a date.")]
    TaskWithoutLimit {
        /// The task.
        pointer: String,
    },
    /// A set without tank of its own on a site without tank.
    #[error("The set draws on the tank of the site, and the site has none.")]
    NoSiteTank {
        /// The set.
        pointer: String,
    },
    /// Sets of several fuels on one tank.
    #[error("The tank of the site holds one fuel, and the sets that draw on it burn several.")]
    SiteTankOfOneFuel {
        /// The set.
        pointer: String,
    },
    /// More stops than make a plan.
    #[error("There would be more than 20,000 stops: a value is too small.")]
    TooManyStops {
        /// What most of the stops are for.
        pointer: String,
    },
    /// What the tank holds above its reserve is burned in less than a second.
    #[error("A full tank does not last a second down to its reserve.")]
    TankLastsNoTime,
}

impl OutageError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::DurationNotPositive => "duration_not_positive",
            Self::DurationTooLong { .. } => "duration_too_long",
            Self::EndsTooLate => "ends_too_late",
            Self::Load(error) => error.code(),
            Self::TankHoldsNothing | Self::NotPositive { .. } => "not_positive",
            Self::MoreThanTheTankHolds => "more_than_the_tank_holds",
            Self::ReserveFillsTheTank => "reserve_fills_the_tank",
            Self::BelowNothing { .. } => "below_nothing",
            Self::UpperBelowNominal => "upper_below_nominal",
            Self::TwoChecks { .. } => "two_checks",
            Self::TaskWithoutLimit { .. } => "task_without_limit",
            Self::NoSiteTank { .. } => "no_site_tank",
            Self::SiteTankOfOneFuel { .. } => "site_tank_of_one_fuel",
            Self::TooManyStops { .. } => "too_many_stops",
            Self::TankLastsNoTime => "tank_lasts_no_time",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> &str {
        match self {
            Self::DurationNotPositive | Self::DurationTooLong { .. } | Self::EndsTooLate => "/duration_hours",
            Self::Load(error) => error.pointer(),
            Self::TankHoldsNothing | Self::TankLastsNoTime => "/supply/tank_litres",
            Self::MoreThanTheTankHolds => "/supply/start_litres",
            Self::ReserveFillsTheTank => "/supply/reserve_litres",
            Self::UpperBelowNominal => "/engine_hours/upper",
            Self::BelowNothing { pointer }
            | Self::NotPositive { pointer }
            | Self::TwoChecks { pointer }
            | Self::TaskWithoutLimit { pointer }
            | Self::NoSiteTank { pointer }
            | Self::SiteTankOfOneFuel { pointer }
            | Self::TooManyStops { pointer } => pointer,
        }
    }
}
