//! Hours of the engine since new: one curve across all meters, with bounds where nobody looked.

mod ahead;
mod build;
mod report;

use model::{EventId, Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

pub(crate) use self::build::{Built, Settling, build};
pub use self::report::{
    HoursReport, MeterFitted, OpenRun, ReadingUsed, StopMissing, StopShownBy, SwapNotRecorded,
};
use crate::{placed::Placed, rate::Rate, runs::Runs, words::Grade};

/// Hours of the engine since new at some instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EngineHours {
    /// What is known of them; absent where nothing is.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub range: Option<HoursRange>,
    /// How well they are known.
    pub grade: Grade,
}

/// Bounds of engine hours, and the value to report between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct HoursRange {
    /// The least they can be.
    #[serde(rename = "lower_hours")]
    #[schema(value_type = f64, minimum = 0, example = 212.4)]
    pub lower: Hours,
    /// The likeliest value.
    #[serde(rename = "nominal_hours")]
    #[schema(value_type = f64, minimum = 0, example = 217.76)]
    pub nominal: Hours,
    /// The most to reckon with; due state uses this.
    #[serde(rename = "upper_hours")]
    #[schema(value_type = f64, minimum = 0, example = 279.9)]
    pub upper: Hours,
}

/// A reading that the engine hours do not rest on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SetAside {
    /// The event that carries it.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// When it was read.
    #[serde(skip)]
    pub read_at: Instant,
    /// What was read.
    #[schema(value_type = f64, minimum = 0, example = 4231.7)]
    pub meter_hours: Hours,
    /// What was probably meant.
    #[serde(rename = "suggested_meter_hours", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, example = 423.2)]
    pub suggested: Option<Hours>,
}

/// Engine hours over time.
#[derive(Clone, Debug)]
pub(crate) struct Curve {
    /// In order of time; hours never fall from one to the next.
    pub(crate) points: Vec<Point>,
    pub(crate) meters: Vec<Meter>,
    pub(crate) first_reading: Option<Instant>,
    newest_evidence: Option<Instant>,
    /// Use to reckon with at most since the last point, while no run is known.
    upper_rate: Rate,
    middle_rate: Rate,
    tick: Hours,
    /// Where the meter goes back to nought, if it does.
    pub(crate) rollover: Option<Hours>,
    /// Whether it did.
    rolled_over: bool,
    pub(crate) runs: Runs,
    /// Of a unit without a meter, until when its record of runs tells all.
    logged_until: Option<Instant>,
    /// Where runs that are not certain in length begin: from then on, how much the engine ran for certain by then
    /// and how much of its runs is in doubt.
    floors: Vec<Floor>,
    pub(crate) other_meter: Option<OtherMeter>,
}

/// Hours that are certain from an instant on, counted from the last point.
#[derive(Clone, Copy, Debug)]
struct Floor {
    from: Instant,
    least: Hours,
    doubt: Hours,
}

/// Readings that speak for a meter swap that nobody recorded.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OtherMeter {
    pub(crate) from: Instant,
    pub(crate) events: [EventId; 3],
}

/// Engine hours that are known at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Point {
    /// What told them, unless that is settled.
    pub(crate) event: Option<EventId>,
    pub(crate) instant: Instant,
    pub(crate) hours: Hours,
    /// How well they are known; around them hours are known no better.
    pub(crate) grade: Grade,
    /// Whether a meter was read, and not only the hours stated.
    pub(crate) read: bool,
}

/// A meter from when it was fitted, and what to add to its readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Meter {
    pub(crate) from: Instant,
    pub(crate) offset: Hours,
}

impl HoursRange {
    pub(crate) fn exact(hours: Hours) -> Self {
        Self { lower: hours, nominal: hours, upper: hours }
    }
}

impl Curve {
    /// Whether it can be drawn on from a settled reading: without runs, and without a meter that went round.
    #[allow(dead_code, reason = "for what is kept of a unit")]
    pub(crate) fn is_plain(&self) -> bool {
        self.runs.is_empty() && !self.rolled_over
    }

    /// The instant of the newest reading in use; without a meter the end of the last run.
    pub(crate) fn newest_reading(&self) -> Option<Instant> {
        self.newest_evidence
    }

    /// Engine hours at `at`.
    pub(crate) fn at(&self, at: Instant) -> EngineHours {
        let hours = self.known_at(at);
        match &self.other_meter {
            Some(other) if other.from <= at => EngineHours { grade: Grade::D, ..hours },
            _ => hours,
        }
    }

    fn known_at(&self, at: Instant) -> EngineHours {
        let (past, ahead) = self.points.split_at(self.points.partition_point(|point| point.instant <= at));
        let (range, grade) = match (past.last(), ahead.first()) {
            (None, None) => return EngineHours { range: None, grade: Grade::D },
            (None, Some(next)) => {
                (HoursRange { lower: Hours::ZERO, nominal: next.hours, upper: next.hours }, Grade::C)
            }
            (Some(last), _) if last.instant == at => (HoursRange::exact(last.hours), last.grade),
            (Some(last), Some(next)) => self.between(last, next, at),
            (Some(last), None) => self.ahead(last, at),
        };
        EngineHours { range: Some(range), grade }
    }

    /// Engine hours at an event: those of its own reading if that is used, and whether it is, otherwise those of its time.
    pub(crate) fn at_event(&self, placed: &Placed<'_>) -> (EngineHours, bool) {
        let past = self.points.partition_point(|point| point.instant <= placed.instant);
        let mut same_instant =
            self.points.iter().take(past).rev().take_while(|point| point.instant == placed.instant);
        if let Some(own) = same_instant.find(|point| point.event == Some(placed.id)) {
            return (EngineHours { range: Some(HoursRange::exact(own.hours)), grade: own.grade }, own.read);
        }
        (self.at(placed.instant), false)
    }

    /// The place of the first point that reaches `hours`, or of the next to come.
    pub(crate) fn reached(&self, hours: Hours) -> usize {
        self.points.partition_point(|point| point.hours < hours)
    }

    /// The instants from `from` on at which bounds may leap, between which they stand still or grow, at most with the
    /// clock.
    pub(crate) fn leaps(&self, from: Instant) -> impl Iterator<Item = Instant> {
        let ahead = self.points.iter().map(|point| point.instant).filter(move |instant| *instant >= from);
        let leaps = ahead.flat_map(|instant| [instant, Instant::from_micros(instant.micros() + 1)]);
        let last = self.points.last().map_or(Instant::FIRST, |last| last.instant);
        leaps.chain(self.runs.breaks(last).filter(move |instant| *instant >= from))
    }

    /// What the meter that is fitted at `at` shows when the engine has `hours`; absent without a meter or where
    /// that lies before its first tick.
    pub(crate) fn on_meter(&self, hours: Hours, at: Instant) -> Option<Hours> {
        let meter = self.meters.iter().rev().find(|meter| meter.from <= at).or(self.meters.first())?;
        let shown = Some(hours - meter.offset).filter(|shown| *shown >= Hours::ZERO)?;
        let around = self.rollover.map(Hours::seconds).filter(|around| *around > 0);
        Some(around.map_or(shown, |around| Hours::from_seconds(shown.seconds().rem_euclid(around))))
    }

    /// Bounds between two points, and the value between them: use falls into the runs as far as they fit, and is
    /// spread evenly otherwise.
    fn between(&self, last: &Point, next: &Point, at: Instant) -> (HoursRange, Grade) {
        let rise = (next.hours - last.hours).seconds();
        let elapsed = i128::from(at.seconds_since(last.instant));
        let span = i128::from(next.instant.seconds_since(last.instant)).max(1);
        let ran = if self.runs.is_empty() { 0 } else { self.runs.seconds(last.instant, next.instant) };
        let (by_runs, spread) = if 0 < ran && ran <= rise.saturating_add(self.tick.seconds()) {
            (self.runs.seconds(last.instant, at), rise - ran.min(rise))
        } else {
            (0, rise)
        };
        // Rounded half away from nought; nothing here is negative.
        let share = (2 * i128::from(spread) * elapsed + span) / (2 * span);
        let share = i64::try_from(share).unwrap_or(i64::MAX);
        let risen = Hours::from_seconds(by_runs.saturating_add(share).min(rise));
        let range = HoursRange { lower: last.hours, nominal: last.hours + risen, upper: next.hours };
        let best = if last.read { Grade::B } else { Grade::C };
        (range, best.max(last.grade).max(next.grade))
    }
}

#[cfg(test)]
mod tests;
