//! What a run-through rests on, as codes with values.

use interval::Grade;
use model::{Code, Hours};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    burn::{Beyond, BurnBasis},
    load::Share,
};

/// One thing that a run-through rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = RunThroughTraceEntry)]
pub enum TraceEntry {
    /// The rules applied.
    PolicyUsed {
        /// Their name.
        #[schema(value_type = String)]
        policy: &'static str,
    },
    /// What the fuel is reckoned by.
    BurnUsed {
        /// The curve, table or rule.
        basis: BurnBasis,
        /// How well that is known; how it was read may make less of it.
        grade: Grade,
    },
    /// A load lies outside the points of the curve, and the nearest point was taken: an estimate, too little above them.
    BeyondCurve {
        /// The load as a share of the rating.
        #[schema(value_type = f64)]
        load_share: Share,
        /// On which side.
        side: Beyond,
    },
    /// Stops are no further apart than this.
    ChecksEvery {
        /// Running hours.
        #[schema(value_type = f64)]
        hours: Hours,
        /// The task whose interval that is, if it is not the policy or an entry.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>)]
        task: Option<Code>,
    },
    /// Work is due, and hours left are counted, by the most that engine hours may be; the hours told at stops and at the end are the
    /// likeliest.
    HoursUsed {
        /// The likeliest value.
        #[schema(value_type = f64)]
        nominal_hours: Hours,
        /// The most.
        #[schema(value_type = f64)]
        upper_hours: Hours,
        /// How well they are known.
        grade: Grade,
    },
    /// Every stop fills the tank, as if what is to be staged were there.
    FilledAtEachStop,
    /// Every stop fills the tank as far as what is on the site goes.
    FilledFromSiteOnly,
    /// The stop at which several tasks are done lasts as long as the longest of them.
    LongestWorkCounts,
    /// The fuel comes from a main: no tank limits the run, but the main may fail.
    PipedFuel,
    /// Something was left out, since it is not known.
    LeftOut {
        /// The field.
        pointer: String,
        /// What to enter.
        #[schema(value_type = String)]
        enter: &'static str,
    },
}
