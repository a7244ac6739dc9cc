//! What is answered about a site.

use interval::Grade;
use model::{Hours, Instant, Litres, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{asked::Asked, outage::RunThrough};

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
    /// Cans of the units' own sizes for the least fuel; those of units without cans are not among them. Absent where the site has a
    /// tank, from which units are filled before cans are needed.
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
    /// How far the tank of the site goes; absent where it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shared: Option<SharedLasts>,
    /// The rules applied, by name.
    #[schema(value_type = String, example = "standard")]
    pub policy: &'static str,
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
