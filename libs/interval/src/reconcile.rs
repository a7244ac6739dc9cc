//! What the meter says against what the runs say.

use model::{Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{hours::Curve, state::UnitState};

/// Use over a time, by the meter and by the record of runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Reconciliation {
    /// From when.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// Until when.
    #[schema(value_type = String, format = DateTime)]
    pub until: Instant,
    /// How much the engine hours rose, the likeliest value.
    #[schema(value_type = f64, example = 14.2)]
    pub metered_hours: Hours,
    /// How long the engine ran by the record, where runs overlap counted once.
    #[schema(value_type = f64, example = 4.7)]
    pub run_hours: Hours,
    /// Use that no run accounts for: missing records, or a key left on.
    #[schema(value_type = f64, example = 9.5)]
    pub unclassified_hours: Hours,
}

impl UnitState {
    /// Holds the meter against the record of runs; nothing where no hours are known.
    pub fn reconcile(&self, from: Instant, until: Instant) -> Option<Reconciliation> {
        self.curve.reconcile(from, until)
    }
}

impl Curve {
    pub(crate) fn reconcile(&self, from: Instant, until: Instant) -> Option<Reconciliation> {
        let metered_hours = self.at(until).range?.nominal - self.at(from).range?.nominal;
        let run_hours = Hours::from_seconds(self.runs.seconds(from, until));
        let unclassified_hours = (metered_hours - run_hours).max(Hours::ZERO);
        Some(Reconciliation { from, until, metered_hours, run_hours, unclassified_hours })
    }
}
