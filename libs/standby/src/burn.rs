//! How fast a set burns fuel at a load, and how well that is known.
//!
//! Its own curve comes first, then one rate of its own at its usual load, then the generic table for diesel, then a rule of thumb
//! for its fuel. Whoever answers says which one it was. Without any of them nothing is said but what to enter.

mod curve;
mod fuels;
mod generic;

use interval::Grade;
use model::{
    quantity::{Kilowatts, LitresPerHour},
    unit::Fuel,
};
use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    curve::{Beyond, BurnAt, BurnCurve, BurnError},
    fuels::{propane, propane_mass, same_heat},
    generic::generic_diesel,
};
use crate::{amount::BurnRate, asked::Asked, load::Share};

/// What is known of how a set burns fuel.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BurnFacts {
    /// Its fuel.
    pub fuel: Option<Fuel>,
    /// What it is rated for.
    pub rated_kw: Option<Kilowatts>,
    /// Its own curve, and how well that is known.
    pub curve: Option<(BurnCurve, Grade)>,
    /// One rate of its own at its usual load, and how well that is known.
    pub usual: Option<(LitresPerHour, Grade)>,
}

/// What a rate of burning rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BurnBasis {
    /// The set's own curve.
    OwnCurve,
    /// One rate of the set, taken for every load.
    UsualRate,
    /// A generic table of diesel sets by rating and load: about right for none in particular.
    GenericDieselTable,
    /// A rule of thumb for petrol sets: half load burns 1 US gallon for 5 kWh, full load 1 for 6.5 kWh. Common practice.
    PetrolRuleOfThumb,
    /// A rule of thumb for propane sets: at full load 22 % of the heat becomes power, and half load burns 65 % of that. Common
    /// practice.
    PropaneRuleOfThumb,
}

/// How a set burns fuel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Burn {
    /// From a tank, by a curve.
    Tank {
        /// Litres per hour by load.
        curve: BurnCurve,
        /// What the curve rests on.
        basis: BurnBasis,
        /// How well its points are known; see [`Burn::grade`] for a load.
        grade: Grade,
    },
    /// From the gas main: there is no tank to run empty.
    Piped,
}

impl Burn {
    /// The best that is known.
    ///
    /// # Errors
    /// Names what to enter where nothing is known, or nothing that applies to the fuel and rating.
    pub fn of(facts: &BurnFacts) -> Result<Self, Asked> {
        if facts.fuel == Some(Fuel::NaturalGas) {
            return Ok(Self::Piped);
        }
        let own = facts.curve.clone().map(|(curve, grade)| (curve, BurnBasis::OwnCurve, grade));
        let usual = || {
            let (rate, grade) = facts.usual?;
            // One point says nothing of other loads, so it is never better than an estimate of them.
            Some((BurnCurve::flat(rate.into())?, BurnBasis::UsualRate, grade.max(Grade::C)))
        };
        match own.or_else(usual) {
            Some((curve, basis, grade)) => Ok(Self::Tank { curve, basis, grade }),
            None => by_fuel(facts).map(|(curve, basis)| Self::Tank { curve, basis, grade: Grade::C }),
        }
    }

    /// How well the rate at a load is known: no better than what the curve rests on, and no better than how it is read there.
    #[must_use]
    pub fn grade(&self, share: Share) -> Grade {
        match self {
            Self::Tank { curve, grade, .. } => curve.at(share).grade.max(*grade),
            Self::Piped => Grade::D,
        }
    }

    /// The rate at a load; nothing from a tank where the fuel is piped.
    #[must_use]
    pub fn rate(&self, share: Share) -> BurnAt {
        match self {
            Self::Tank { curve, .. } => curve.at(share),
            Self::Piped => BurnAt { rate: BurnRate::default(), beyond: None, grade: Grade::D },
        }
    }
}

fn by_fuel(facts: &BurnFacts) -> Result<(BurnCurve, BurnBasis), Asked> {
    let Some(fuel) = facts.fuel else {
        return Err(Asked::at("/fuel", "the fuel, or a burn curve of the set"));
    };
    let rated = facts.rated_kw.filter(|rated| rated.hundredths() > 0);
    let Some(rated) = rated else {
        return Err(Asked::at("/rated_kw", "the rated output, or a burn curve of the set"));
    };
    let (curve, basis) = match fuel {
        Fuel::Diesel => (generic_diesel(rated), BurnBasis::GenericDieselTable),
        Fuel::Petrol => (fuels::petrol_rule(rated), BurnBasis::PetrolRuleOfThumb),
        Fuel::Propane => (fuels::propane_rule(rated), BurnBasis::PropaneRuleOfThumb),
        Fuel::Dual => {
            return Err(Asked::at(
                "/fuel",
                "which of its two fuels it will run on, or a burn curve on that fuel",
            ));
        }
        Fuel::NaturalGas => (None, BurnBasis::UsualRate),
    };
    let beyond = || Asked::at("/burn_curve", "a burn curve of the set: no table or rule covers its rating");
    curve.map(|curve| (curve, basis)).ok_or_else(beyond)
}
