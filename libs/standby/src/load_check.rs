//! Whether a set can run and start its loads where it stands, and in which order to start them.
//!
//! What a set can carry is its nameplate less what height and heat take, by the rule of its own model: published rules differ
//! by a fifth of the nameplate at one and the same place, so there is none for all. To start the largest surge first keeps the
//! peak lowest.
//!
//! ```
//! use model::{Kilowatts, Metres};
//! use model::quantity::Celsius;
//! use standby::load_check::*;
//!
//! let slope = |percent_hundredths, per, above| Slope::new(percent_hundredths, per, above, Growth::Linear, None).unwrap();
//! let set = Set {
//!     nameplate: Some(Kilowatts::from_hundredths(550)),
//!     start: Some(Kilowatts::from_hundredths(690)),
//!     rule: Some(DerateRule {
//!         rule: "sprig".into(),
//!         source: "the model's manual".into(),
//!         of: RuleOf::Model,
//!         altitude: slope(350, 300, 0),
//!         temperature: slope(100, 5, 25),
//!         together: Together::Multiplied,
//!     }),
//! };
//! let place = Place { elevation: Some(Metres::from_hundredths(160_000)), air: Some(Celsius::from_hundredths(3800)) };
//! let pump = Load { name: "well pump".into(), running: Some(Watts::from_whole(1500)), surge: Some(Watts::from_whole(3000)) };
//! let answer = load_check(&set, &place, &[pump]).unwrap();
//! assert_eq!(answer.capacity_watts, Some(Watts::from_whole(4357)));
//! assert_eq!(answer.verdict, LoadVerdict::Carries);
//! ```

mod answer;
mod derate;
mod judge;
mod reckon;

use std::iter::Sum;

use model::{Kilowatts, Metres, quantity::Celsius};
use serde::Serialize;

pub use self::{
    answer::{LoadCheck, LoadTrace, LoadVerdict, Over, StartStep},
    derate::{DerateRule, Factor, Growth, RuleOf, Slope, SlopeError, Together, USUAL_CELSIUS},
    judge::load_check,
};

/// A power in whole watts; never below nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
pub struct Watts(u32);

impl Watts {
    /// From whole watts.
    #[must_use]
    pub const fn from_whole(watts: u32) -> Self {
        Self(watts)
    }

    /// The watts.
    #[must_use]
    pub const fn watts(self) -> u32 {
        self.0
    }

    /// In kilowatts as they are kept, rounded down, since a capacity must never look bigger.
    #[must_use]
    pub const fn kilowatts_down(self) -> Kilowatts {
        Kilowatts::from_hundredths(self.0 as i64 / 10)
    }

    fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sum for Watts {
    fn sum<I: Iterator<Item = Self>>(watts: I) -> Self {
        watts.fold(Self::default(), Self::plus)
    }
}

/// A set, as far as it matters for its load.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Set {
    /// Rated continuous output.
    pub nameplate: Option<Kilowatts>,
    /// What it can give for the moment in which something starts; not less than the nameplate.
    pub start: Option<Kilowatts>,
    /// What height and heat take, by the rule of its model.
    pub rule: Option<DerateRule>,
}

/// Where it runs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// Height above sea level.
    pub elevation: Option<Metres>,
    /// The temperature of the air that it draws.
    pub air: Option<Celsius>,
}

/// Something that it has to run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Load {
    /// What it is.
    pub name: String,
    /// What it takes while it runs.
    pub running: Option<Watts>,
    /// What it takes on top of that while it starts: nothing for lights and heaters.
    pub surge: Option<Watts>,
}

/// Why something cannot be what was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LoadCheckError {
    /// A rating that no set has.
    #[error("A rating lies above 0 and up to 100000 kilowatts.")]
    RatingOutOfRange {
        /// The member.
        pointer: &'static str,
    },
    /// For a moment it can give at least what it can give all the time.
    #[error("What a set can give for a moment is not less than its nameplate.")]
    StartBelowNameplate,
    /// Nobody lives there.
    #[error("A site lies between -500 and 9000 metres.")]
    ElevationOutOfRange,
    /// No set runs in such air.
    #[error("Air has between -60 and 80 degrees Celsius.")]
    AirOutOfRange,
}

impl LoadCheckError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::StartBelowNameplate => "start_below_nameplate",
            Self::RatingOutOfRange { .. } | Self::ElevationOutOfRange | Self::AirOutOfRange => "out_of_range",
        }
    }

    /// The member that is wrong.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::RatingOutOfRange { pointer } => pointer,
            Self::StartBelowNameplate => "/start_kw",
            Self::ElevationOutOfRange => "/elevation_metres",
            Self::AirOutOfRange => "/air_celsius",
        }
    }
}
