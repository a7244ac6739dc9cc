//! What is told of fuel that is kept or carried.

use interval::Grade;
use model::quantity::{Litres, Metres};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{caution::Caution, convert::UsGallons};

/// Which limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = StorageFindingCode)]
pub enum FindingCode {
    /// In a room outside cabinets.
    Indoors,
    /// In a cabinet, categories 1 to 3.
    Cabinet,
    /// In a cabinet, in all.
    CabinetInAll,
    /// Cabinets in a room.
    Cabinets,
    /// A can.
    Can,
    /// A pile outdoors.
    Pile,
    /// From a pile to a building.
    PileFromBuilding,
    /// From one pile to the next.
    PilesApart,
    /// Above ground on the site: a plan against spills is needed.
    SpillPlan,
}

/// A value and its limit, in the unit of the kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "unit", rename_all = "snake_case")]
#[schema(as = StorageMeasure)]
pub enum Measure {
    /// A volume, told in US gallons as the limit is, and in litres.
    Gallons {
        /// What there is.
        #[schema(value_type = f64, example = 26.0)]
        value: UsGallons,
        /// What may be.
        #[schema(value_type = f64, example = 25.0)]
        threshold: UsGallons,
        /// What there is, in litres.
        #[schema(value_type = f64, example = 98.42)]
        value_litres: Litres,
        /// What may be, in litres.
        #[schema(value_type = f64, example = 94.64)]
        threshold_litres: Litres,
    },
    /// A number of things.
    Count {
        /// What there is.
        value: usize,
        /// What may be.
        threshold: usize,
    },
    /// A distance in metres; less than the limit is too little.
    Metres {
        /// What there is.
        #[schema(value_type = f64)]
        value: Metres,
        /// What must be.
        #[schema(value_type = f64)]
        threshold: Metres,
    },
}

/// One limit with what there is of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = StorageFinding)]
pub struct Finding {
    /// Which limit.
    pub code: FindingCode,
    /// Whether it is kept; for a plan against spills, whether none is needed.
    pub kept: bool,
    /// Where: a room, a cabinet, a pile.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The value and its limit.
    pub measure: Measure,
    /// Where the limit is written.
    #[schema(value_type = String, example = "29 CFR 1926.152")]
    pub source: &'static str,
    /// How well it is known: C where containers count as full.
    pub grade: Grade,
}

/// Something to heed that no number here was checked against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = StorageAdvice)]
pub struct Advice {
    /// What.
    #[schema(value_type = String)]
    pub text: &'static str,
    /// Where that is written.
    #[schema(value_type = String)]
    pub source: &'static str,
}

/// What is kept on a site against the limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SiteStorage {
    /// Whether all limits are kept that say how to keep fuel; the plan against spills is told by its finding.
    pub kept: bool,
    /// Whether the site needs a plan against spills.
    pub spill_plan_needed: bool,
    /// Each limit that something there is of.
    pub findings: Vec<Finding>,
    /// What was not checked.
    pub advice: Vec<Advice>,
    /// What the answer rests on.
    pub trace: Vec<StorageTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// One thing that an answer rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum StorageTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
    },
    /// What is in it is not known; it counts as full.
    CountedAsFull {
        /// Its place in the list.
        container: usize,
    },
    /// Its flash point is not known; it counts as category 3.
    CountedAsCategory3 {
        /// Its place in the list.
        container: usize,
    },
    /// Too small to count for a plan against spills.
    TooSmallToCount {
        /// Its place in the list.
        container: usize,
    },
    /// Not counted by this rule: it is gas, below ground, a fixed tank, or not regulated on the road.
    NotCounted {
        /// Its place in the list.
        container: usize,
        /// The rule.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// How far a pile stands from buildings or other piles is not known.
    DistanceNotKnown {
        /// Its place in the list.
        container: usize,
    },
    /// The cans were not weighed; their mass is estimated.
    CansEstimated {
        /// Its place in the list.
        container: usize,
        /// In percent of the fuel's mass (common practice).
        percent: i64,
    },
    /// It was not weighed; its fuel was counted by a usual density.
    MassByVolume {
        /// Its place in the list.
        container: usize,
    },
    /// Its mass is not known.
    MassNotKnown {
        /// Its place in the list.
        container: usize,
    },
}
