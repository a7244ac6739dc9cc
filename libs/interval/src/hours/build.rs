//! How the curve is drawn through the readings.

use model::{Hours, Instant};

use super::{Curve, Meter, OtherMeter, Point, SetAside};
use crate::{
    chain::{self, Dial, Judged, Mark, Reading},
    input::{Input, Policy},
    placed::{Placed, What},
    rate::Rate,
    runs::{Entry, Evidence, Runs},
    standing::Standing,
    words::Grade,
};

/// What the events tell of engine hours.
pub(crate) struct Built {
    pub(crate) curve: Curve,
    /// The readings that the curve does not use.
    pub(crate) set_aside: Vec<SetAside>,
    pub(crate) settling: Option<Settling>,
}

/// How far the curve is drawn for good: up to a reading from which it can be drawn on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Settling {
    pub(crate) mark: Mark,
    /// How many of the curve's points there are up to there.
    pub(crate) points: usize,
    /// How many of its meters.
    pub(crate) meters: usize,
    pub(crate) grade: Grade,
}

/// What of the unit itself its hours rest on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Machine {
    pub(crate) meter_fitted: bool,
    pub(crate) dial: Dial,
    /// The longest that it runs on one tank.
    pub(crate) run_most: Option<Hours>,
}

/// Draws the curve on from what is settled.
pub(crate) fn build(input: &Input<'_>, standing: &Standing<'_>) -> Built {
    let facts = input.facts;
    let dial = Dial { tick: facts.tick, rollover: facts.rollover };
    draw(
        &Machine { meter_fitted: facts.meter_fitted, dial, run_most: facts.run_most },
        input.policy,
        standing,
    )
}

/// The same for the unit as far as hours rest on it.
pub(super) fn draw(machine: &Machine, policy: &Policy, standing: &Standing<'_>) -> Built {
    let mut builder = Builder::on(standing, *machine);
    let commissioning = standing.commissioning();
    builder.stated = commissioning.and_then(|placed| stated(placed, machine.meter_fitted));
    let spans = spans(standing);
    let mut settled = standing.settled.mark;
    let mut starts = spans.iter().skip(1).map(|span| span.from);
    for (i, span) in spans.iter().enumerate() {
        let judged = chain::judge(&span.readings, settled.take(), starts.next(), machine.dial);
        if i > 0 {
            let offset = builder.offset_after_swap(span);
            builder.fit(span, offset);
        } else if builder.meters.is_empty() {
            let offset = commissioning.map_or(Hours::ZERO, |placed| first_offset(span, &judged, placed));
            builder.fit(span, offset);
        }
        builder.add(span, &judged);
    }
    builder.finish(policy, standing)
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
    let commissioning = standing.commissioning().map(|placed| placed.id);
    for placed in &standing.events {
        if let What::Swap { old, .. } = &placed.what {
            span.readings.extend(old.map(|hours| reading(placed, hours, true)));
            let opened = Span { from: placed.instant, continues: old.is_some(), readings: Vec::new() };
            done.push(std::mem::replace(&mut span, opened));
        }
        let is_confirmed = standing.corrections.confirmed.contains(&placed.id);
        let fixed =
            is_confirmed || matches!(placed.what, What::Swap { .. }) || commissioning == Some(placed.id);
        let read = placed.what.meter().map(|hours| Reading { is_confirmed, ..reading(placed, hours, fixed) });
        span.readings.extend(read);
    }
    done.push(span);
    done
}

fn reading(placed: &Placed<'_>, hours: Hours, fixed: bool) -> Reading {
    let hours = hours.clamp(Hours::ZERO, Hours::MOST);
    Reading { event: placed.id, instant: placed.instant, hours, fixed, is_confirmed: false }
}

/// The point that a commissioning without a meter reading gives.
fn stated(placed: &Placed<'_>, meter_fitted: bool) -> Option<Point> {
    let What::Commissioning { meter: None, engine } = placed.what else { return None };
    let hours = match engine {
        None if meter_fitted => return None,
        hours => hours.unwrap_or(Hours::ZERO).clamp(Hours::ZERO, Hours::MOST),
    };
    Some(Point { event: Some(placed.id), instant: placed.instant, hours, grade: Grade::A, read: false })
}

/// What to add to the readings of the first meter.
fn first_offset(span: &Span, judged: &Judged, placed: &Placed<'_>) -> Hours {
    match placed.what {
        What::Commissioning { engine: Some(engine), meter: Some(meter) } => engine - meter,
        What::Commissioning { engine: Some(engine), meter: None } => {
            // A meter that shows less than the engine had was not on it from new: it counts on from there.
            let since = |reading: &Reading| reading.instant >= placed.instant;
            let first = span.readings.iter().zip(&judged.used).find(|(r, used)| **used && since(r));
            first.map_or(Hours::ZERO, |(reading, _)| (engine - reading.hours).max(Hours::ZERO))
        }
        _ => Hours::ZERO,
    }
}

/// For each reading the next one that is used; nothing if all are.
fn next_used(span: &Span, judged: &Judged) -> Vec<Option<Mark>> {
    if judged.used.iter().all(|used| *used) {
        return Vec::new();
    }
    let mut next = None;
    let of = |(reading, used): (&Reading, &bool)| {
        if *used { next.replace(reading.mark()) } else { next }
    };
    let mut all: Vec<Option<Mark>> = span.readings.iter().zip(&judged.used).rev().map(of).collect();
    all.reverse();
    all
}

/// What the events tell of runs.
fn entries(standing: &Standing<'_>) -> Vec<Entry> {
    let entry = |placed: &Placed<'_>| match placed.what {
        What::Run { phase, reason, .. } => {
            let by_day = placed.day.is_some();
            Some(Entry { event: placed.id, at: placed.instant, by_day, phase, reason })
        }
        _ => None,
    };
    standing.events.iter().filter_map(entry).collect()
}

struct Builder {
    machine: Machine,
    points: Vec<Point>,
    meters: Vec<Meter>,
    first_reading: Option<Instant>,
    set_aside: Vec<SetAside>,
    /// Hours stated at the commissioning, until their place among the readings is reached.
    stated: Option<Point>,
    /// When the commissioning was, unless that is settled. Before it hours are not drawn for good: it says what to
    /// add to the first meter.
    commissioned: Option<Instant>,
    /// The best that hours are known since the newest swap.
    grade: Grade,
    /// The last settled reading of the meter in hand, from before the readings in hand.
    mark: Option<Mark>,
    settling: Option<Settling>,
    /// Whether a meter went back to nought.
    rolled_over: bool,
    /// Of the meter in hand.
    other_meter: Option<OtherMeter>,
}

impl Builder {
    fn on(standing: &Standing<'_>, machine: Machine) -> Self {
        let settled = standing.settled;
        let (points, meters) = (settled.points.len(), settled.meters.len());
        Self {
            machine,
            points: settled.points.clone(),
            meters: settled.meters.clone(),
            first_reading: settled.first_reading,
            set_aside: Vec::new(),
            stated: None,
            commissioned: standing.commissioning().map(|placed| placed.instant),
            grade: settled.grade,
            mark: settled.mark,
            settling: settled.mark.map(|mark| Settling { mark, points, meters, grade: settled.grade }),
            rolled_over: false,
            other_meter: None,
        }
    }

    /// Fits a meter whose readings are in hand.
    fn fit(&mut self, span: &Span, offset: Hours) {
        if !span.continues {
            self.grade = Grade::C;
        }
        if !span.readings.is_empty() {
            self.meters.push(Meter { from: span.from, offset });
        }
    }

    /// Draws on through the readings of the meter that was fitted last.
    fn add(&mut self, span: &Span, judged: &Judged) {
        let dial = self.machine.dial;
        let mut offset = self.meters.last().map_or(Hours::ZERO, |meter| meter.offset);
        let earlier = self.mark.take();
        let other = chain::other_meter(&span.readings, judged, earlier, dial);
        self.other_meter = other
            .map(|three| OtherMeter { from: three[0].instant, events: three.map(|reading| reading.event) });
        let next = next_used(span, judged);
        let mut shown = earlier;
        for (i, (reading, is_used)) in span.readings.iter().zip(&judged.used).enumerate() {
            if *is_used {
                if let Some(before) = shown.replace(reading.mark())
                    && reading.hours < before.hours
                {
                    offset = self.offset_after_fall(reading, before, offset);
                }
                self.put_stated_before(reading.instant);
                self.put(Point {
                    event: Some(reading.event),
                    instant: reading.instant,
                    hours: offset + reading.hours,
                    grade: self.grade,
                    read: true,
                });
                if judged.restart == Some(i) {
                    self.settle(reading.mark());
                }
            } else {
                self.set_aside.push(SetAside {
                    event_id: reading.event,
                    read_at: reading.instant,
                    meter_hours: reading.hours,
                    suggested: chain::suggest(reading, shown, next.get(i).copied().flatten(), dial),
                });
            }
        }
    }

    /// What to add to a meter's readings from one on that lies below the one before: it went round, or somebody
    /// confirmed it and use goes on from there. Otherwise as before.
    fn offset_after_fall(&mut self, reading: &Reading, before: Mark, offset: Hours) -> Hours {
        if let Some(rise) = reading.mark().rise_since(before, self.machine.dial) {
            self.rolled_over = true;
            return offset + before.hours + rise - reading.hours;
        }
        match self.points.last().filter(|_| reading.is_confirmed) {
            Some(last) => {
                let offset = last.hours - reading.hours;
                self.meters.push(Meter { from: reading.instant, offset });
                offset
            }
            None => offset,
        }
    }

    fn settle(&mut self, mark: Mark) {
        if self.commissioned.is_none_or(|commissioned| commissioned <= mark.instant) {
            let (points, meters) = (self.points.len(), self.meters.len());
            self.settling = Some(Settling { mark, points, meters, grade: self.grade });
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
        if point.read {
            self.first_reading.get_or_insert(point.instant);
        }
        self.points.push(point);
    }

    fn finish(mut self, policy: &Policy, standing: &Standing<'_>) -> Built {
        self.put_stated_before(Instant::LAST);
        let still = Rate::of_weekly(Hours::ZERO);
        let Machine { meter_fitted, dial: Dial { tick, rollover }, run_most } = self.machine;
        let runs = Runs::of(&entries(standing), &Evidence { points: &self.points, tick, run_most });
        let mut curve = Curve {
            runs: Runs::default(),
            first_reading: self.first_reading,
            newest_evidence: self.points.iter().rev().find(|point| point.read).map(|point| point.instant),
            points: self.points,
            meters: self.meters,
            upper_rate: still,
            middle_rate: still,
            tick,
            rollover,
            rolled_over: self.rolled_over,
            logged_until: None,
            vague_from: None,
            floors: Vec::new(),
            other_meter: self.other_meter,
        };
        curve.reckon(meter_fitted, runs, policy);
        Built { curve, set_aside: self.set_aside, settling: self.settling }
    }
}

impl Curve {
    /// Works out what to reckon with after the last point.
    fn reckon(&mut self, meter_fitted: bool, runs: Runs, policy: &Policy) {
        // Weekly use is that of the straight lines between readings, whatever the runs say.
        let readings = self.first_reading.zip(self.newest_evidence);
        let nominal = |at| self.at(at).range.map_or(Hours::ZERO, |range| range.nominal);
        let (upper, middle) = Rate::upper_and_middle(readings, nominal, policy);
        (self.upper_rate, self.middle_rate) = (upper, middle);
        self.runs = runs;
        if let (None, false, Some(end)) = (readings, meter_fitted, self.runs.last_end()) {
            let ran = |at| Hours::from_seconds(self.runs.seconds(Instant::FIRST, at));
            let first = self.runs.first_start().unwrap_or(end);
            self.upper_rate = Rate::middle(first, self.runs.last_known_end(), ran);
            self.logged_until = Some(end);
            self.newest_evidence = Some(end);
            let last = self.points.last().map_or(Instant::FIRST, |last| last.instant);
            self.vague_from = self.runs.vague_from(last);
            self.lay_floors();
        }
    }
}
