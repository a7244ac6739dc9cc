//! What a mission cannot be.

use thiserror::Error;

use super::Mission;

/// The longest outage in hours.
const LONGEST: usize = 8_784;
/// More sets of one kind than this are not reckoned with.
const MOST_SETS: u16 = 200;

/// What is wrong with what was entered.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MissionError {
    /// No hour, or too many.
    #[error("The load is stated for 1 to 8,784 hours.")]
    HoursOutOfRange,
    /// No kind of sets, with or without a battery, or none or too many of a kind.
    #[error("There is at least one kind of sets, each of 1 to 200.")]
    SetsOutOfRange {
        /// Where.
        pointer: String,
    },
    /// An amount below nothing, or a rating that is not above it.
    #[error("The value at {pointer} is out of range.")]
    OutOfRange {
        /// The field.
        pointer: String,
    },
    /// A set that lasts less than the hour that is reckoned by.
    #[error("The mean time to failure at {pointer} is at least 1 hour.")]
    FailsWithinTheHour {
        /// The field.
        pointer: String,
    },
    /// More in the battery than it holds.
    #[error("The battery is charged to no more than can be drawn from it.")]
    OverCharged,
    /// More states than can be kept.
    #[error(
        "Too many kinds of sets, sets, or states of the battery: put alike sets together, or round the loads."
    )]
    TooManyStates,
}

impl MissionError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::HoursOutOfRange | Self::SetsOutOfRange { .. } | Self::OutOfRange { .. } => "out_of_range",
            Self::FailsWithinTheHour { .. } => "fails_within_the_hour",
            Self::OverCharged => "over_charged",
            Self::TooManyStates => "too_many_states",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> &str {
        match self {
            Self::HoursOutOfRange => "/load_kw",
            Self::OverCharged => "/battery/charged_kwh",
            Self::TooManyStates => "/units",
            Self::SetsOutOfRange { pointer }
            | Self::OutOfRange { pointer }
            | Self::FailsWithinTheHour { pointer } => pointer,
        }
    }
}

pub(super) fn check(mission: &Mission) -> Result<(), MissionError> {
    if mission.load.is_empty() || mission.load.len() > LONGEST {
        return Err(MissionError::HoursOutOfRange);
    }
    if mission.sets.is_empty() {
        return Err(MissionError::SetsOutOfRange { pointer: "/units".to_owned() });
    }
    let out_of_range = |pointer: String| MissionError::OutOfRange { pointer };
    if let Some(hour) = mission.load.iter().position(|load| load.hundredths() < 0) {
        return Err(out_of_range(format!("/load_kw/{hour}")));
    }
    for (kind, sets) in mission.sets.iter().enumerate() {
        if sets.count == 0 || sets.count > MOST_SETS {
            return Err(MissionError::SetsOutOfRange { pointer: format!("/units/{kind}/count") });
        }
        if sets.rated.hundredths() <= 0 {
            return Err(out_of_range(format!("/units/{kind}/rated_kw")));
        }
        if sets.reliability.mean_to_failure.seconds() < 3600 {
            let pointer = format!("/units/{kind}/mean_hours_to_failure");
            return Err(MissionError::FailsWithinTheHour { pointer });
        }
    }
    let battery = &mission.battery;
    let amounts =
        [(battery.power, "power_kw"), (battery.usable, "usable_kwh"), (battery.charged, "charged_kwh")];
    if let Some((_, field)) = amounts.iter().find(|(amount, _)| amount.hundredths() < 0) {
        return Err(out_of_range(format!("/battery/{field}")));
    }
    if battery.charged > battery.usable {
        return Err(MissionError::OverCharged);
    }
    Ok(())
}
