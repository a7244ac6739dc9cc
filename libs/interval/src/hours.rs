//! Hours of the engine since new: one curve across all meters, with bounds where nobody looked.

use model::{
    EventId, Hours, Instant,
    event::{Commissioning, Component, ComponentAction, ComponentChange, Details},
};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    chain::{self, Reading},
    input::{Input, Policy},
    rate::Rate,
    standing::{Placed, Standing},
    words::Grade,
};

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
    points: Vec<Point>,
    meters: Vec<Meter>,
    newest_reading: Option<Instant>,
    /// Use to reckon with at most since the last point.
    pub(crate) upper_rate: Rate,
    middle_rate: Rate,
}

/// Engine hours that are known at an instant.
#[derive(Clone, Copy, Debug)]
struct Point {
    event: EventId,
    instant: Instant,
    hours: Hours,
    /// How well they are known; around them hours are known no better.
    grade: Grade,
    /// Whether a meter was read, and not only the hours stated.
    read: bool,
}

/// A meter from when it was fitted, and what to add to its readings.
#[derive(Clone, Copy, Debug)]
struct Meter {
    from: Instant,
    offset: Hours,
}

impl HoursRange {
    fn exact(hours: Hours) -> Self {
        Self { lower: hours, nominal: hours, upper: hours }
    }
}

impl Curve {
    /// The curve that the events tell of, and the readings that it does not use.
    pub(crate) fn of(input: &Input<'_>, standing: &Standing<'_>) -> (Self, Vec<SetAside>) {
        let mut builder = Builder::default();
        let commissioning = standing.commissioning();
        if let Some((placed, commissioning)) = commissioning {
            builder.stated = stated(placed, commissioning, input.facts.meter_fitted);
        }
        for (i, span) in spans(standing).iter().enumerate() {
            let used = chain::judge(&span.readings, input.facts.tick);
            let offset = match (i, commissioning) {
                (0, Some((placed, commissioning))) => first_offset(span, &used, placed, commissioning),
                (0, None) => Hours::ZERO,
                _ => builder.offset_after_swap(span),
            };
            builder.add(span, &used, offset, input.facts.tick);
        }
        builder.finish(input.policy)
    }

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

    /// Engine hours at an event: those of its own reading if that is used, otherwise those of its time.
    pub(crate) fn at_event(&self, placed: &Placed<'_>) -> EngineHours {
        let past = self.points.partition_point(|point| point.instant <= placed.instant);
        let mut same_instant =
            self.points.iter().take(past).rev().take_while(|point| point.instant == placed.instant);
        if let Some(own) = same_instant.find(|point| point.event == placed.event.id) {
            return EngineHours { range: Some(HoursRange::exact(own.hours)), grade: own.grade };
        }
        self.at(placed.instant)
    }

    /// The first instant at which the upper bound reaches `hours`, for the instants from the last point on; for
    /// earlier ones the instant of the first point that reaches them.
    pub(crate) fn upper_reaches(&self, hours: Hours) -> Instant {
        match self.points.get(self.points.partition_point(|point| point.hours < hours)) {
            Some(reached) => reached.instant,
            None => self
                .points
                .last()
                .map_or(Instant::LAST, |last| self.upper_rate.reaches(hours - last.hours, last.instant)),
        }
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

/// The readings of one meter.
struct Span {
    from: Instant,
    /// Whether it is known what the meter before showed last.
    continues: bool,
    readings: Vec<Reading>,
}

fn spans(standing: &Standing<'_>) -> Vec<Span> {
    let mut done = Vec::new();
    let mut span = Span { from: Instant::FIRST, continues: true, readings: Vec::new() };
    let first_commissioning = standing.commissioning().map(|(placed, _)| placed.event.id);
    for placed in &standing.events {
        let (hours, fixed) = match &placed.event.details {
            Details::Reading(reading) => (Some(reading.meter_hours), false),
            Details::Service(service) => (service.meter_hours, false),
            Details::Commissioning(commissioning) => {
                (commissioning.meter_hours, first_commissioning == Some(placed.event.id))
            }
            Details::Component(change) if swaps_meter(change) => {
                let closed = change.old_meter_hours.map(|hours| reading(placed, hours, true));
                let continues = closed.is_some();
                span.readings.extend(closed);
                let opened = Span { from: placed.instant, continues, readings: Vec::new() };
                done.push(std::mem::replace(&mut span, opened));
                (Some(change.new_meter_hours.unwrap_or(Hours::ZERO)), true)
            }
            Details::Component(change) => (change.meter_hours, false),
            Details::Placement(_) | Details::Adoption(_) | Details::Correction(_) => (None, false),
        };
        span.readings.extend(hours.map(|hours| reading(placed, hours, fixed)));
    }
    done.push(span);
    done
}

fn swaps_meter(change: &ComponentChange) -> bool {
    change.component == Component::Meter && change.action == ComponentAction::Fitted
}

fn reading(placed: &Placed<'_>, hours: Hours, fixed: bool) -> Reading {
    Reading {
        event: placed.event.id,
        instant: placed.instant,
        hours: hours.clamp(Hours::ZERO, Hours::MOST),
        fixed,
    }
}

/// The point that a commissioning without a meter reading gives.
fn stated(placed: &Placed<'_>, commissioning: &Commissioning, meter_fitted: bool) -> Option<Point> {
    if commissioning.meter_hours.is_some() {
        return None;
    }
    let hours = match commissioning.engine_hours {
        None if meter_fitted => return None,
        hours => hours.unwrap_or(Hours::ZERO).clamp(Hours::ZERO, Hours::MOST),
    };
    Some(Point { event: placed.event.id, instant: placed.instant, hours, grade: Grade::A, read: false })
}

/// What to add to the readings of the first meter.
fn first_offset(span: &Span, used: &[bool], placed: &Placed<'_>, commissioning: &Commissioning) -> Hours {
    match (commissioning.engine_hours, commissioning.meter_hours) {
        (None, _) => Hours::ZERO,
        (Some(engine), Some(meter)) => engine - meter,
        (Some(engine), None) => {
            // A meter that shows less than the engine had was not on it from new: it counts on from there.
            let first =
                span.readings.iter().zip(used).find(|(r, used)| **used && r.instant >= placed.instant);
            first.map_or(Hours::ZERO, |(reading, _)| (engine - reading.hours).max(Hours::ZERO))
        }
    }
}

struct Builder {
    points: Vec<Point>,
    meters: Vec<Meter>,
    set_aside: Vec<SetAside>,
    /// Hours stated at the commissioning, until their place among the readings is reached.
    stated: Option<Point>,
    /// The best that hours are known since the newest swap.
    grade: Grade,
}

impl Default for Builder {
    fn default() -> Self {
        Self { points: Vec::new(), meters: Vec::new(), set_aside: Vec::new(), stated: None, grade: Grade::A }
    }
}

impl Builder {
    fn add(&mut self, span: &Span, used: &[bool], offset: Hours, tick: Hours) {
        if !span.continues {
            self.grade = Grade::C;
        }
        if !span.readings.is_empty() {
            self.meters.push(Meter { from: span.from, offset });
        }
        for (i, (reading, is_used)) in span.readings.iter().zip(used).enumerate() {
            if *is_used {
                self.put_stated_before(reading.instant);
                self.put(Point {
                    event: reading.event,
                    instant: reading.instant,
                    hours: offset + reading.hours,
                    grade: self.grade,
                    read: true,
                });
            } else {
                let chain = || span.readings.iter().zip(used).enumerate().filter(|(_, (_, used))| **used);
                let before = chain().take_while(|(at, _)| *at < i).last().map(|(_, (reading, _))| reading);
                let after = chain().find(|(at, _)| *at > i).map(|(_, (reading, _))| reading);
                self.set_aside.push(SetAside {
                    event_id: reading.event,
                    meter_hours: reading.hours,
                    suggested: chain::suggest(reading, before, after, tick),
                });
            }
        }
    }

    /// Engine hours run on where the new meter begins.
    fn offset_after_swap(&mut self, span: &Span) -> Hours {
        self.put_stated_before(span.from);
        match (self.points.last(), span.readings.first()) {
            (Some(last), Some(opened)) => last.hours - opened.hours,
            _ => Hours::ZERO,
        }
    }

    fn put_stated_before(&mut self, instant: Instant) {
        if let Some(stated) = self.stated.take_if(|stated| stated.instant <= instant) {
            self.put(stated);
        }
    }

    /// Adds a point; use is never negative, whatever was stated.
    fn put(&mut self, mut point: Point) {
        let least = self.points.last().map_or(Hours::ZERO, |last| last.hours);
        point.hours = point.hours.max(least);
        self.points.push(point);
    }

    fn finish(mut self, policy: &Policy) -> (Curve, Vec<SetAside>) {
        self.put_stated_before(Instant::LAST);
        let still = Rate::of_weekly(Hours::ZERO);
        let mut curve = Curve {
            newest_reading: self.points.iter().rev().find(|point| point.read).map(|point| point.instant),
            points: self.points,
            meters: self.meters,
            upper_rate: still,
            middle_rate: still,
        };
        let first_reading = curve.points.iter().find(|point| point.read).map(|point| point.instant);
        let nominal = |at| curve.at(at).range.map_or(Hours::ZERO, |range| range.nominal);
        (curve.upper_rate, curve.middle_rate) =
            Rate::upper_and_middle(first_reading.zip(curve.newest_reading), nominal, policy);
        (curve, self.set_aside)
    }
}
