//! Hours of the engine since new: one curve across all meters, with bounds where nobody looked.

mod build;

use model::{EventId, Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

pub(crate) use self::build::{Built, Settling, build};
use crate::{placed::Placed, rate::Rate, running::Runs, words::Grade};

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
    newest_reading: Option<Instant>,
    /// Use to reckon with at most since the last point.
    pub(crate) upper_rate: Rate,
    middle_rate: Rate,
    pub(crate) runs: Runs,
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
    /// The instant of the newest reading in use.
    pub(crate) fn newest_reading(&self) -> Option<Instant> {
        self.newest_reading
    }

    /// Engine hours at `at`.
    pub(crate) fn at(&self, at: Instant) -> EngineHours {
        let (past, ahead) = self.points.split_at(self.points.partition_point(|point| point.instant <= at));
        let (range, grade) = match (past.last(), ahead.first()) {
            (None, None) => return EngineHours { range: None, grade: Grade::D },
            (None, Some(next)) => {
                (HoursRange { lower: Hours::ZERO, nominal: next.hours, upper: next.hours }, Grade::C)
            }
            (Some(last), _) if last.instant == at => (HoursRange::exact(last.hours), last.grade),
            (Some(last), Some(next)) => between(last, next, at),
            (Some(last), None) => {
                let elapsed = at.seconds_since(last.instant);
                let nominal = last.hours + self.middle_rate.use_in(elapsed);
                let upper = last.hours + self.upper_rate.use_in(elapsed);
                (HoursRange { lower: last.hours, nominal, upper }, Grade::C)
            }
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

    /// The first instant at which the upper bound reaches `hours`, for the instants from the last point on; for
    /// earlier ones the instant of the first point that reaches them.
    pub(crate) fn upper_reaches(&self, hours: Hours) -> Instant {
        match self.points.get(self.reached(hours)) {
            Some(reached) => reached.instant,
            None => self
                .points
                .last()
                .map_or(Instant::LAST, |last| self.upper_rate.reaches(hours - last.hours, last.instant)),
        }
    }

    /// The place of the first point that reaches `hours`, or of the next to come.
    pub(crate) fn reached(&self, hours: Hours) -> usize {
        self.points.partition_point(|point| point.hours < hours)
    }

    /// The instants from `from` on at which bounds may leap, between which they stand still or grow evenly.
    pub(crate) fn leaps(&self, from: Instant) -> impl Iterator<Item = Instant> {
        let ahead = self.points.iter().map(|point| point.instant).filter(move |instant| *instant >= from);
        ahead.flat_map(|instant| [instant, Instant::from_micros(instant.micros() + 1)])
    }

    /// What the meter that is fitted at `at` shows when the engine has `hours`; absent without a meter or where
    /// that lies before its first tick.
    pub(crate) fn on_meter(&self, hours: Hours, at: Instant) -> Option<Hours> {
        let meter = self.meters.iter().rev().find(|meter| meter.from <= at).or(self.meters.first())?;
        Some(hours - meter.offset).filter(|shown| *shown >= Hours::ZERO)
    }
}

/// Bounds between two points, and the value on the straight line.
fn between(last: &Point, next: &Point, at: Instant) -> (HoursRange, Grade) {
    let rise = i128::from((next.hours - last.hours).seconds());
    let elapsed = i128::from(at.seconds_since(last.instant));
    let span = i128::from(next.instant.seconds_since(last.instant)).max(1);
    // Rounded half away from nought; nothing here is negative.
    let risen = ((2 * rise * elapsed + span) / (2 * span)).min(rise);
    let risen = Hours::from_seconds(i64::try_from(risen).unwrap_or(i64::MAX));
    let range = HoursRange { lower: last.hours, nominal: last.hours + risen, upper: next.hours };
    let best = if last.read { Grade::B } else { Grade::C };
    (range, best.max(last.grade).max(next.grade))
}
