//! What an incident came to.

use interval::Grade;
use model::{Hours, Litres, UnitId, event::RunReason};
use serde::Serialize;
use utoipa::ToSchema;

/// Hours and fuel of an incident.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = IncidentSum)]
pub struct Pack {
    /// Each set that ran, by id.
    pub units: Vec<UnitSum>,
    /// Hours of all sets.
    #[schema(value_type = f64, example = 117.5)]
    pub hours: Hours,
    /// Fuel of all sets, as far as it was recorded.
    #[schema(value_type = f64, example = 214.3)]
    pub litres: Litres,
    /// Whether nothing is missing, and no fuel may be counted twice.
    pub complete: bool,
    /// How well it is known: the worst of the units; not at all where it is not complete.
    pub grade: Grade,
}

/// One set in an incident.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = IncidentUnitSum)]
pub struct UnitSum {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// Hours that it ran; runs that overlap count once.
    #[schema(value_type = f64, example = 69.0)]
    pub hours: Hours,
    /// Hours by what they were for; where runs overlap, each counts for its own.
    pub by_reason: Vec<ReasonSum>,
    /// Fuel, as far as it was recorded; that of runs that overlap may be counted twice.
    #[schema(value_type = f64, example = 129.26)]
    pub litres: Litres,
    /// What was not recorded, in the order of the runs.
    pub missing: Vec<RunMissing>,
    /// Runs that overlap, in the order of their beginning.
    pub overlaps: Vec<RunsOverlap>,
    /// How well it is known: the worst of its runs; not at all where something is missing, or fuel may be counted twice.
    pub grade: Grade,
}

impl UnitSum {
    pub(super) fn is_complete(&self) -> bool {
        self.missing.is_empty() && !self.overlaps.iter().any(|overlap| overlap.both_state_litres)
    }
}

/// A run that began before another had ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[schema(as = IncidentRunsOverlap)]
pub struct RunsOverlap {
    /// The place of the run among those asked for, from 0.
    #[schema(example = 1)]
    pub run: usize,
    /// The place of the one that had not ended; of several the one that ended last.
    #[schema(example = 0)]
    pub with: usize,
    /// Whether both state what they burned, so that one and the same fuel may be counted twice.
    pub both_state_litres: bool,
}

/// Hours for one purpose.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = IncidentReasonSum)]
pub struct ReasonSum {
    /// What for; absent where it was not recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<RunReason>,
    /// Hours.
    #[schema(value_type = f64, example = 69.0)]
    pub hours: Hours,
}

/// Something that was not recorded of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = IncidentRunMissing)]
pub struct RunMissing {
    /// The place of the run among those asked for, from 0.
    pub run: usize,
    /// What.
    pub field: MissingField,
}

/// A field of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = IncidentMissingField)]
pub enum MissingField {
    /// When it ended: its hours are not among the sums.
    Until,
    /// What it was for.
    Reason,
    /// What it burned.
    Litres,
}
