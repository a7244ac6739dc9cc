//! What is answered about a site.

use interval::Grade;
use model::{Hours, Instant, Litres, UnitId, unit::Fuel};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{amount::Volume, asked::Asked, outage::RunThrough};

/// What is answered for one unit of a site.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "answer", rename_all = "snake_case")]
#[schema(as = OutageUnitAnswer)]
pub enum UnitAnswer {
    /// How it will go.
    Planned {
        /// The unit.
        #[schema(value_type = String, format = "uuid")]
        unit_id: UnitId,
        /// The plan.
        plan: Box<RunThrough>,
    },
    /// Too little is known to say.
    Unknown {
        /// The unit.
        #[schema(value_type = String, format = "uuid")]
        unit_id: UnitId,
        /// What to enter.
        missing: Vec<Asked>,
    },
    /// What is recorded of it cannot be, so nothing is known until that is mended.
    Refused {
        /// The unit.
        #[schema(value_type = String, format = "uuid")]
        unit_id: UnitId,
        /// What is wrong, in short.
        #[schema(value_type = String, example = "more_than_the_tank_holds")]
        code: &'static str,
        /// The field.
        #[schema(example = "/supply/start_litres")]
        pointer: String,
        /// What is wrong, in plain words.
        detail: String,
    },
}

/// A site through an outage.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OutageSitePlan)]
pub struct SitePlan {
    /// What is answered for each unit that runs, in the order asked.
    pub units: Vec<UnitAnswer>,
    /// Units of which too little is known, or something that cannot be: the sums are without them, so they are the least.
    #[schema(example = 0)]
    pub unknown: usize,
    /// What the sums need to be whole: units, or of which fuel something is that was left out.
    pub missing: Vec<Asked>,
    /// Each fuel by itself: the sums below are over all of them.
    pub fuels: Vec<FuelToStage>,
    /// Fuel that is burned on the site, without what comes from a main.
    #[schema(value_type = f64, example = 258.52)]
    pub fuel_burned_litres: Litres,
    /// The least fuel beyond what is on the site, so that no reserve is touched.
    #[schema(value_type = f64, example = 100.12)]
    pub fuel_to_stage_litres: Litres,
    /// Fuel beyond what is on the site where every stop fills the tank: always enough. It is nothing where the tank of the site
    /// suffices.
    #[schema(value_type = f64, example = 117.12)]
    pub fuel_to_fill_up_litres: Litres,
    /// How well the fuel is known: the worst of the units; not at all where some are left out.
    pub fuel_grade: Grade,
    /// Cans for the least fuel, of the size of the stock or else of the units' own sizes, those of units without cans not among them.
    /// Absent where the site has a tank of a fuel that is known, from which units are filled before cans are needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 6)]
    pub cans: Option<i64>,
    /// Bottles of oil to stage, with the spare ones.
    #[schema(example = 6)]
    pub oil_bottles: i64,
    /// Whether the oil of all units is known; if not the bottles are the least.
    pub oil_complete: bool,
    /// Hours that units run, added up.
    #[schema(value_type = f64, example = 138.0)]
    pub run_hours: Hours,
    /// How far the tank of the site goes; absent where it has none, or where it is not known of which fuel it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shared: Option<SharedLasts>,
    /// The rules applied, by name.
    #[schema(value_type = String, example = "standard")]
    pub policy: &'static str,
}

/// What a site needs of one fuel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OutageFuelToStage)]
pub struct FuelToStage {
    /// The fuel; absent where it is not known which.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fuel: Option<Fuel>,
    /// How much is burned.
    #[schema(value_type = f64, example = 258.52)]
    pub burned_litres: Litres,
    /// The least beyond what is on the site.
    #[schema(value_type = f64, example = 100.12)]
    pub to_stage_litres: Litres,
    /// Beyond what is on the site where every stop fills the tank.
    #[schema(value_type = f64, example = 117.12)]
    pub to_fill_up_litres: Litres,
    /// Cans for the least; absent without a size, and of a fuel of which the site has a tank.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 6)]
    pub cans: Option<i64>,
    /// How well it is known.
    pub grade: Grade,
}

/// How far the tank of a site goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = SiteTankLasts)]
pub struct SharedLasts {
    /// What is drawn from it where every stop fills the tanks of the units, and the units without one run.
    #[schema(value_type = f64, example = 118.56)]
    pub drawn_litres: Litres,
    /// Whether that leaves its reserve alone.
    pub suffices: bool,
    /// When it is down to its reserve; absent where it suffices.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub down_to_reserve_at: Option<Instant>,
    /// How well that is known: as the fuel of the site.
    pub grade: Grade,
}

impl FuelToStage {
    /// The same fuel at two places.
    pub(crate) fn and(self, other: &Self) -> Self {
        let sum = |a: Litres, b: Litres| (Volume::from(a) + Volume::from(b)).litres();
        Self {
            fuel: self.fuel,
            burned_litres: sum(self.burned_litres, other.burned_litres),
            to_stage_litres: sum(self.to_stage_litres, other.to_stage_litres),
            to_fill_up_litres: sum(self.to_fill_up_litres, other.to_fill_up_litres),
            cans: self.cans.zip(other.cans).map(|(cans, more)| cans.saturating_add(more)),
            grade: self.grade.max(other.grade),
        }
    }
}
