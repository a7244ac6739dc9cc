//! Starting batteries: when the next check is due, how full one is by its resting voltage, and whether it passes a load test.
//!
//! Tables are for wet lead-acid batteries; of other kinds the maker's data decide, and nothing is told here.
//!
//! ```
//! use model::LocalDate;
//! use standby::battery::{BatteryPolicy, Stand, standing};
//!
//! let day = |text| LocalDate::parse(text).unwrap();
//! let stands = [("2025-01-01", true), ("2025-02-10", false)]
//!     .map(|(from, on)| Stand { from: day(from), on_maintainer: Some(on) });
//! let check = standing(Some(day("2025-01-01")), &stands, day("2025-02-10"), &BatteryPolicy::standard());
//! // 40 of 90 days on the maintainer leave 16 of 30 off it.
//! assert_eq!(check.due_on, Some(day("2025-02-26")));
//! ```

mod charge;
mod load;
mod policy;
mod standing;
mod verdict;

use interval::Fraction;
use model::{
    quantity::{Amperes, Celsius, Volts},
    unit::Chemistry,
};
use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    charge::{Charge, ChargeState, OpenCircuit, state_of_charge},
    load::{LoadOutcome, LoadTest, LoadTestAnswer, load_test},
    policy::BatteryPolicy,
    standing::{Stand, Standing, StandingTrace, standing},
    verdict::{CheckFound, PassedBy, Verdict, judge_checks},
};
use crate::{
    asked::Asked,
    caution::{BATTERY_ACID, BATTERY_DISCONNECT, BATTERY_GAS, Caution},
};

/// The nominal voltage of a starting battery, or of two in series.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub enum Nominal {
    /// 12 V.
    #[serde(rename = "12")]
    V12,
    /// 24 V.
    #[serde(rename = "24")]
    V24,
}

/// Why a measurement cannot be what was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BatteryError {
    /// No table for it.
    #[error("A starting battery has 12 or 24 volts.")]
    NominalNotKnown,
    /// The measured voltage does not belong to the nominal one.
    #[error("That is more than a battery of this nominal voltage can have.")]
    VoltsDoNotFit,
    /// No battery is worked on at such a temperature.
    #[error("A battery is worked on between -60 and 80 degrees Celsius.")]
    TemperatureOutOfRange,
    /// A share of its charge is between nothing and all.
    #[error("A state of charge lies between 0 and 1.")]
    ChargeOutOfRange,
    /// A span below nothing.
    #[error("This is not less than 0.")]
    RestedOutOfRange,
}

impl BatteryError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::NominalNotKnown => "nominal_not_known",
            Self::VoltsDoNotFit => "volts_do_not_fit",
            Self::TemperatureOutOfRange | Self::ChargeOutOfRange | Self::RestedOutOfRange => "out_of_range",
        }
    }

    /// The member that is wrong.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::NominalNotKnown => "/battery_volts",
            Self::VoltsDoNotFit => "/volts",
            Self::TemperatureOutOfRange => "/celsius",
            Self::ChargeOutOfRange => "/charge",
            Self::RestedOutOfRange => "/rested_hours",
        }
    }
}

impl Nominal {
    /// From the nominal voltage of a unit's battery.
    ///
    /// # Errors
    ///
    /// Where it is neither 12 nor 24 V.
    pub const fn of(volts: Volts) -> Result<Self, BatteryError> {
        match volts.hundredths() {
            1200 => Ok(Self::V12),
            2400 => Ok(Self::V24),
            _ => Err(BatteryError::NominalNotKnown),
        }
    }

    /// How many batteries of 12 V.
    const fn batteries(self) -> i64 {
        match self {
            Self::V12 => 1,
            Self::V24 => 2,
        }
    }

    /// Up to 16 V can be on a battery of 12 V, while it is charged.
    fn fits(self, volts: Volts) -> Result<(), BatteryError> {
        let fits = (0..=1600 * self.batteries()).contains(&volts.hundredths());
        fits.then_some(()).ok_or(BatteryError::VoltsDoNotFit)
    }
}

fn sane(celsius: Option<Celsius>) -> Result<(), BatteryError> {
    let sane = celsius.is_none_or(|celsius| (-6000..=8000).contains(&celsius.hundredths()));
    sane.then_some(()).ok_or(BatteryError::TemperatureOutOfRange)
}

/// What to enter where the chemistry is not known or has no table here.
fn asked_chemistry(chemistry: Option<Chemistry>) -> Option<Asked> {
    match chemistry {
        Some(Chemistry::Wet) => None,
        Some(Chemistry::Agm | Chemistry::Gel) => {
            Some(Asked::at("/chemistry", "Use the maker's data: the tables are for wet batteries only."))
        }
        None => Some(Asked::at("/chemistry", "Whether the battery is wet, AGM or gel.")),
    }
}

/// One thing that an answer about charge or load rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum BatteryTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
        /// Where the table comes from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// Two points of the table, with a straight line between them.
    LinearBetween {
        /// The lower point.
        #[schema(value_type = f64)]
        lower: Volts,
        /// The upper point.
        #[schema(value_type = f64)]
        upper: Volts,
    },
    /// Two temperatures of the table, with a straight line between them; the limit is rounded up to a hundredth of a volt.
    LinearBetweenTemperatures {
        /// The lower in degrees Celsius.
        #[schema(value_type = f64)]
        lower_celsius: Celsius,
        /// The upper in degrees Celsius.
        #[schema(value_type = f64)]
        upper_celsius: Celsius,
        /// What the table asks for at the lower of them: whoever reads it in steps takes this one. The straight line is above it,
        /// on the safe side.
        #[schema(value_type = f64)]
        step_volts: Volts,
    },
    /// Beyond the ends of the table; its last point counts.
    BeyondTable,
    /// The voltage was corrected for temperature.
    Corrected {
        /// The temperature.
        #[schema(value_type = f64)]
        celsius: Celsius,
        /// The voltage at 80 °F that it comes to.
        #[schema(value_type = f64)]
        volts: Volts,
        /// Where the correction comes from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// The temperature is not known; nothing was corrected.
    TemperatureNotKnown,
    /// It rested too short a time, or that is not known: surface charge makes it look fuller than it is.
    NotRested {
        /// Hours that it must rest.
        #[schema(value_type = f64)]
        needed_hours: model::Hours,
    },
    /// More than a battery at rest has: it is on a charger, or was a short time ago (value from memory).
    AboveRest,
    /// Far below flat: a shorted cell, or one of two batteries measured (value from memory); no charge is told.
    FarBelowFlat,
    /// The load that was put on was not checked, since it or the battery's rating is not known.
    LoadNotChecked,
    /// How long the load was put on was not checked.
    DurationNotChecked,
    /// The load was compared with half the cold cranking amperes, or three times the ampere-hours.
    LoadChecked {
        /// Needed at least.
        #[schema(value_type = f64)]
        needed_amperes: Amperes,
    },
}

/// What to heed at a battery.
pub(crate) const CAUTIONS: [Caution; 3] = [BATTERY_GAS, BATTERY_ACID, BATTERY_DISCONNECT];

/// A share of the whole charge as it is compared.
fn share(ten_thousandths: i64) -> Fraction {
    Fraction::of(ten_thousandths, 10_000)
}
