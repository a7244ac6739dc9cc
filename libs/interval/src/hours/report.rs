//! All that is known of a unit's hours at an instant.

use model::{EventId, Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

use super::{Curve, EngineHours, Point};
use crate::{
    reconcile::Reconciliation,
    runs::{Ended, Run},
    state::UnitState,
    words::Grade,
};

/// Hours of the engine, and what they rest on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct HoursReport {
    /// The hours.
    #[serde(flatten)]
    pub hours: EngineHours,
    /// The run that goes on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open_run: Option<OpenRun>,
    /// Runs of which the stop was never recorded, in order of their start.
    pub stop_missing: Vec<StopMissing>,
    /// Why the meter may be another than is recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub swap_not_recorded: Option<SwapNotRecorded>,
    /// The meters so far.
    pub meters: Vec<MeterFitted>,
    /// The readings that the hours rest on, in order of time.
    pub readings: Vec<ReadingUsed>,
    /// Use by meter and by runs, from the first reading to the last; nothing without runs or with fewer readings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reconciliation: Option<Reconciliation>,
}

/// A run that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OpenRun {
    /// The event of its start.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// When it began.
    #[schema(value_type = String, format = DateTime)]
    pub since: Instant,
    /// When the tank is empty, if its size and what the engine burns are known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub until: Option<Instant>,
}

/// A run of which the stop was never recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StopMissing {
    /// The event of its start.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// When it began.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// When it had ended at the latest.
    #[schema(value_type = String, format = DateTime)]
    pub until: Instant,
    /// What shows that.
    pub shown_by: StopShownBy,
}

/// What shows that a run had ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StopShownBy {
    /// Another run began.
    NextRun,
    /// The meter had moved less than the clock.
    Reading,
    /// The tank cannot have lasted longer.
    Tank,
}

/// Readings that agree with each other, but lie below what the meter showed before.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SwapNotRecorded {
    /// Since when.
    #[schema(value_type = String, format = DateTime)]
    pub from: Instant,
    /// The readings.
    #[schema(value_type = Vec<String>)]
    pub event_ids: Vec<EventId>,
}

/// A meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct MeterFitted {
    /// When it was fitted; absent of the first.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub from: Option<Instant>,
    /// What to add to its readings for hours of the engine.
    #[schema(value_type = f64, example = 481.4)]
    pub offset_hours: Hours,
}

/// A reading that the hours rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ReadingUsed {
    /// The event that carries it.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// When it was read.
    #[schema(value_type = String, format = DateTime)]
    pub read_at: Instant,
    /// Hours of the engine then.
    #[schema(value_type = f64, example = 512.9)]
    pub engine_hours: Hours,
    /// How well they are known.
    pub grade: Grade,
}

impl UnitState {
    /// Hours of the engine at `at`, and what they rest on. Of a state that was applied, the readings of before the
    /// last settled one are not told.
    pub fn hours_report(&self, at: Instant) -> HoursReport {
        self.curve.report(at)
    }

    /// The run that goes on at `at`, as in the report.
    pub fn open_run_at(&self, at: Instant) -> Option<OpenRun> {
        self.curve.runs.open_at(at).map(Run::going_on)
    }

    /// The readings that the hours rest on up to `at`, in order of time, as in the report.
    pub fn readings_until(&self, at: Instant) -> impl DoubleEndedIterator<Item = ReadingUsed> {
        self.curve.readings_until(at)
    }

    /// Runs of which the stop was never recorded and that had ended by `at`, as in the report.
    pub fn stops_missing_at(&self, at: Instant) -> impl Iterator<Item = StopMissing> {
        self.curve.stops_missing_at(at)
    }
}

impl Curve {
    fn read_until(&self, at: Instant) -> impl DoubleEndedIterator<Item = &Point> {
        self.points.iter().filter(move |point| point.read && point.instant <= at)
    }

    fn readings_until(&self, at: Instant) -> impl DoubleEndedIterator<Item = ReadingUsed> {
        self.read_until(at).filter_map(|point| {
            let (read_at, engine_hours, grade) = (point.instant, point.hours, point.grade);
            Some(ReadingUsed { event_id: point.event?, read_at, engine_hours, grade })
        })
    }

    fn stops_missing_at(&self, at: Instant) -> impl Iterator<Item = StopMissing> {
        self.runs.iter().filter(move |run| run.end <= at).filter_map(Run::stop_missing)
    }

    pub(super) fn report(&self, at: Instant) -> HoursReport {
        let read = || self.read_until(at);
        let ends = read().next().zip(read().next_back()).filter(|_| !self.runs.is_empty());
        let meters = self.meters.iter().filter(|meter| meter.from <= at);
        let suspected = self.other_meter.as_ref().filter(|other| other.from <= at);
        HoursReport {
            hours: self.at(at),
            open_run: self.runs.open_at(at).map(Run::going_on),
            stop_missing: self.stops_missing_at(at).collect(),
            swap_not_recorded: suspected
                .map(|other| SwapNotRecorded { from: other.from, event_ids: other.events.to_vec() }),
            meters: meters
                .map(|meter| MeterFitted {
                    from: Some(meter.from).filter(|from| *from > Instant::FIRST),
                    offset_hours: meter.offset,
                })
                .collect(),
            readings: self.readings_until(at).collect(),
            reconciliation: ends.and_then(|(first, last)| self.reconcile(first.instant, last.instant)),
        }
    }
}

impl Run {
    fn going_on(&self) -> OpenRun {
        let until = Some(self.end).filter(|end| *end < Instant::LAST);
        OpenRun { event_id: self.event, since: self.start, until }
    }

    pub(crate) fn stop_missing(&self) -> Option<StopMissing> {
        let shown_by = match self.ended {
            Ended::Stopped | Ended::Open => return None,
            Ended::NextStart => StopShownBy::NextRun,
            Ended::Reading => StopShownBy::Reading,
            Ended::Tank => StopShownBy::Tank,
        };
        Some(StopMissing { event_id: self.event, from: self.start, until: self.end, shown_by })
    }
}
