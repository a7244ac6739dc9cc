//! What is answered about how long a fleet lasts.

use interval::Grade;
use model::{Hours, Instant, Litres, UnitId, quantity::LitresPerHour};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    asked::Asked,
    burn::{Beyond, BurnBasis},
    caution::Caution,
    load::Share,
};

/// How long one set lasts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Endurance {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// What it carries, as a share of its rating; absent where one rate counts for every load, and the load is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.6)]
    pub load_share: Option<Share>,
    /// Hours until it has burned that: down to the reserve where that is kept, and else until it stops.
    #[schema(value_type = f64, example = 12.8)]
    pub hours: Hours,
    /// When that is.
    #[schema(value_type = String, format = DateTime)]
    pub runs_out_at: Instant,
    /// The fuel that it can burn.
    #[schema(value_type = f64, example = 32.0)]
    pub litres: Litres,
    /// How fast it burns it.
    #[schema(value_type = f64, example = 2.5)]
    pub litres_per_hour: LitresPerHour,
    /// The latest departure of a truck; absent where the way to it is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub leave_by: Option<Instant>,
    /// How well the rate at its load is known.
    pub grade: Grade,
    /// What it rests on.
    pub trace: Vec<EnduranceTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// One thing that an endurance rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum EnduranceTrace {
    /// What the rate is reckoned by.
    BurnUsed {
        /// The curve, table or rule.
        basis: BurnBasis,
    },
    /// The load lies outside the points of the curve, and the nearest point was taken: an estimate, too little above them.
    BeyondCurve {
        /// On which side.
        side: Beyond,
    },
    /// The reserve is left alone.
    ReserveKept {
        /// How much that is.
        #[schema(value_type = f64)]
        litres: Litres,
    },
    /// The tank is run empty.
    ReserveBurned,
    /// The truck should be early by this.
    Margin {
        /// Hours.
        #[schema(value_type = f64)]
        hours: Hours,
    },
}

/// A set of which it cannot be said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = EnduranceNotKnown)]
pub struct NotKnown {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// What to enter.
    pub missing: Vec<Asked>,
}

/// A set of which what is recorded cannot be.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = EnduranceRefused)]
pub struct Refused {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// What is wrong, in short.
    #[schema(value_type = String, example = "load_above_capacity")]
    pub code: &'static str,
    /// The field.
    #[schema(example = "/load")]
    pub pointer: String,
    /// What is wrong, in plain words.
    pub detail: String,
}

/// A set that no tank limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = EnduranceNotLimited)]
pub struct NotLimited {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// Why, and what to bear in mind.
    #[schema(value_type = String)]
    pub why: &'static str,
}

/// A fleet by how long it lasts.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = EnduranceTriage)]
pub struct Triage {
    /// The shortest first; of equal ones the lower id.
    pub lasting: Vec<Endurance>,
    /// Those of which it is not known.
    pub unknown: Vec<NotKnown>,
    /// Those of which what is recorded cannot be, so that it is not known either.
    pub refused: Vec<Refused>,
    /// Those on the gas main.
    pub not_limited: Vec<NotLimited>,
}
