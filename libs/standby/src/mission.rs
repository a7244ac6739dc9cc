//! How likely sets and a battery carry a load through an outage, hour by hour.
//!
//! Each set is there and starts with some probability, and each one that runs fails at the start of an hour with the same
//! probability, the first hour included: a constant hazard, which is rather too bright for the first half hour and too dark after
//! a day. What sets give beyond the load charges the battery, and the battery gives what they lack. The computing is exact: every
//! state that can be reached is kept with its probability, and nothing is drawn by lot.

mod chain;
mod error;

use interval::Grade;
use model::{Hours, Kilowatts};
use serde::{Serialize, Serializer};
use utoipa::ToSchema;

pub use self::error::MissionError;

/// A probability from 0 to 1.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Probability(f64);

impl Probability {
    /// Certain.
    pub const ONE: Self = Self(1.0);

    /// From a number from 0 to 1; none of any other.
    #[must_use]
    pub fn new(number: f64) -> Option<Self> {
        (0.0..=1.0).contains(&number).then_some(Self(number))
    }

    /// The number.
    #[must_use]
    pub const fn number(self) -> f64 {
        self.0
    }
}

impl Serialize for Probability {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64((self.0 * 1_000_000.0).round() / 1_000_000.0)
    }
}

/// How reliable a set is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reliability {
    /// Where the figures are from.
    pub source: &'static str,
    /// How likely it is there and not in repair.
    pub available: Probability,
    /// How likely it does not start.
    pub fails_to_start: Probability,
    /// Mean running time until it fails.
    pub mean_to_failure: Hours,
}

impl Reliability {
    /// What a public planning tool takes where nothing is known: available 0.995, fails to start 0.0094, 1,100 h (published by NREL).
    #[must_use]
    pub const fn planning_default() -> Self {
        Self::published("planning_default (NREL)", 0.995, 0.0094, 1_100 * 3600)
    }

    /// Well maintained: one in five fails within two weeks, 1,506 h (NREL, Applied Energy 268 (2020) 114918); available 0.9998, fails
    /// to start 0.0013 (values from memory).
    #[must_use]
    pub const fn well_maintained() -> Self {
        Self::published("well_maintained (NREL 2020)", 0.9998, 0.0013, 1_506 * 3600)
    }

    /// Poorly maintained: half fail within 48 hours, 69.2 h (NREL, Applied Energy 268 (2020) 114918); the start as in the planning
    /// default.
    #[must_use]
    pub const fn poorly_maintained() -> Self {
        Self::published("poorly_maintained (NREL 2020)", 0.995, 0.0094, 249_120)
    }

    const fn published(source: &'static str, available: f64, fails_to_start: f64, seconds: i64) -> Self {
        Self {
            source,
            available: Probability(available),
            fails_to_start: Probability(fails_to_start),
            mean_to_failure: Hours::from_seconds(seconds),
        }
    }
}

/// Sets of one kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sets {
    /// How many.
    pub count: u16,
    /// What one gives.
    pub rated: Kilowatts,
    /// How reliable one is.
    pub reliability: Reliability,
}

/// A battery that carries load beside the sets; energies in kilowatts for an hour. Charging and discharging lose nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Battery {
    /// What it gives and takes at most.
    pub power: Kilowatts,
    /// What can be drawn from full to the least charge, in kWh.
    pub usable: Kilowatts,
    /// What can be drawn at the start, in kWh.
    pub charged: Kilowatts,
}

impl Battery {
    /// Without a battery.
    #[must_use]
    pub const fn none() -> Self {
        let nothing = Kilowatts::from_hundredths(0);
        Self { power: nothing, usable: nothing, charged: nothing }
    }
}

/// An outage and what stands against it.
#[derive(Clone, Debug, PartialEq)]
pub struct Mission {
    /// The load in each hour.
    pub load: Vec<Kilowatts>,
    /// The sets, by kind.
    pub sets: Vec<Sets>,
    /// The battery.
    pub battery: Battery,
}

/// How likely the load is carried.
#[derive(Clone, Debug, PartialEq, Serialize, ToSchema)]
#[schema(as = OutageSurvival)]
pub struct Survival {
    /// How likely it is carried to the end of each hour, without a gap.
    #[schema(value_type = Vec<f64>, example = json!([1.0, 0.8704, 0.557_056]))]
    pub by_hour: Vec<Probability>,
    /// How likely to the end of the outage.
    #[schema(value_type = f64, example = 0.557_056)]
    pub to_the_end: Probability,
    /// Never better than an estimate: the figures are those of other sets.
    pub grade: Grade,
    /// What it rests on.
    pub trace: Vec<MissionTrace>,
}

/// One thing that a survival rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum MissionTrace {
    /// Whose figures were used for a kind of sets.
    ReliabilityUsed {
        /// The place of the kind in the list.
        kind: usize,
        /// Where the figures are from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// Every hour of running is as dangerous as any other.
    ConstantHazard,
    /// Fuel is taken to last, and nobody repairs anything.
    FuelLastsNoRepair,
}

/// How likely the load is carried through every hour.
///
/// # Errors
/// Where what was entered cannot be, or more states can be reached than can be kept.
pub fn survival(mission: &Mission) -> Result<Survival, MissionError> {
    error::check(mission)?;
    let by_hour = chain::by_hour(mission)?;
    let reliability = mission.sets.iter().enumerate();
    let used = reliability
        .map(|(kind, sets)| MissionTrace::ReliabilityUsed { kind, source: sets.reliability.source });
    Ok(Survival {
        to_the_end: by_hour.last().copied().unwrap_or(Probability::ONE),
        by_hour,
        grade: Grade::C,
        trace: used.chain([MissionTrace::ConstantHazard, MissionTrace::FuelLastsNoRepair]).collect(),
    })
}
