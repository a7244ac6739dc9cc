//! The worked examples of hours, and the laws of the curve with runs.

use std::borrow::Cow;

use model::{Instant, Zone};

use super::{build::Machine, *};
use crate::{
    chain::Dial,
    input::{Input, Policy, UnitFacts},
    placed::What,
    places::Stays,
    runs::{Ended, Phase},
    settled::Settled,
    standing::Standing,
};

const TICK: Hours = Hours::from_hundredths(10);
const MINUTE: i64 = 60;
const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;
const WEEK: i64 = 7 * DAY;

fn hours(hundredths: i64) -> Hours {
    Hours::from_hundredths(hundredths)
}

fn at(text: &str) -> Instant {
    Instant::parse(text).unwrap()
}

fn id(n: usize) -> EventId {
    EventId::parse(&format!("00000000-0000-7000-8000-{n:012x}")).unwrap()
}

/// A unit and what happened to it.
#[derive(Clone, Debug)]
struct Life {
    machine: Machine,
    events: Vec<Placed<'static>>,
    confirmed: Vec<EventId>,
}

impl Life {
    fn new(meter_fitted: bool) -> Self {
        let dial = Dial { tick: TICK, rollover: None };
        let machine = Machine { meter_fitted, dial, run_most: None };
        Self { machine, events: Vec::new(), confirmed: Vec::new() }
    }

    fn metered() -> Self {
        Self::new(true)
    }

    fn add(mut self, instant: Instant, what: What<'static>) -> Self {
        self.events.push(Placed { id: id(self.events.len()), instant, day: None, what });
        self
    }

    fn reading(self, instant: Instant, hundredths: i64) -> Self {
        self.add(instant, What::Reading(hours(hundredths)))
    }

    fn commissioned(self, instant: Instant) -> Self {
        self.add(instant, What::Commissioning { meter: None, engine: None })
    }

    fn run(self, instant: Instant, phase: Phase) -> Self {
        self.add(instant, What::Run { phase, meter: None, stop_meter: None, reason: None })
    }

    fn whole(self, start: Instant, seconds: i64) -> Self {
        self.about(start, seconds, 0)
    }

    fn about(self, start: Instant, seconds: i64, give_or_take: i64) -> Self {
        let give_or_take = Hours::from_seconds(give_or_take);
        self.run(start, Phase::Whole { end: start.plus_seconds(seconds), give_or_take, timed: false })
    }

    fn curve(&self) -> Curve {
        self.built().curve
    }

    fn built(&self) -> Built {
        let facts = UnitFacts::plain(true, TICK, site());
        let (zones, editions) = Default::default();
        let unit = model::UnitId::parse("00000000-0000-7000-8000-000000000002").unwrap();
        let input =
            Input { unit, facts: &facts, events: &[], zones: &zones, editions: &editions, policy: &POLICY };
        let settled = Settled::default();
        let stays = Stays::moved(&input, std::iter::empty());
        let mut standing = Standing::after(&input, &settled, self.events.clone(), stays);
        standing.corrections.confirmed = self.confirmed.iter().copied().collect();
        build::draw(&self.machine, &POLICY, &standing)
    }
}

const POLICY: Policy = Policy::standard();

fn site() -> model::SiteId {
    model::SiteId::parse("00000000-0000-7000-8000-000000000001").unwrap()
}

/// Lower, nominal and upper hours as they are written, and the grade.
fn told(curve: &Curve, instant: Instant) -> (String, Grade) {
    let hours = curve.at(instant);
    let range = hours.range.unwrap();
    let text = match range.lower == range.upper {
        true => range.nominal.to_string(),
        false => format!("{} {} {}", range.lower, range.nominal, range.upper),
    };
    (text, hours.grade)
}

fn says(curve: &Curve, instant: &str, text: &str, grade: Grade) {
    assert_eq!(told(curve, at(instant)), (text.to_owned(), grade), "{instant}");
}

#[test]
fn a04_hours_run_on_across_a_meter_swap() {
    let swap = What::Swap { old: Some(hours(48370)), new: hours(230) };
    let curve = Life::metered()
        .reading(at("2025-03-10T12:00:00Z"), 43120)
        .add(at("2025-04-02T12:00:00Z"), swap)
        .reading(at("2025-05-02T12:00:00Z"), 3150)
        .curve();
    says(&curve, "2025-05-02T12:00:00Z", "512.9", Grade::A);
    assert_eq!(curve.on_meter(hours(53120), at("2025-05-02T12:00:00Z")), Some(hours(4980)));
}

#[test]
fn a05_a_meter_that_goes_round_is_unrolled() {
    let first = at("2025-05-01T00:00:00Z");
    let after = |elapsed: i64| {
        let mut life = Life::metered().reading(first, 998_760).reading(first.plus_seconds(elapsed), 1420);
        life.machine.dial.rollover = Some(hours(1_000_000));
        life
    };
    let far = after(54 * HOUR);
    let curve = far.curve();
    assert_eq!(told(&curve, first.plus_seconds(54 * HOUR)), ("10014.2".to_owned(), Grade::A));
    assert!(curve.rolled_over && !curve.is_plain());
    assert_eq!(curve.on_meter(hours(1_005_000), first.plus_seconds(60 * HOUR)), Some(hours(5000)));
    let soon = after(12 * HOUR).built();
    assert_eq!(soon.set_aside.len(), 1);
    assert!(soon.curve.is_plain());
}

#[test]
fn a06_a_misread_is_set_aside() {
    let read = Life::metered()
        .reading(at("2025-05-01T00:00:00Z"), 42100)
        .reading(at("2025-05-08T00:00:00Z"), 423_170)
        .reading(at("2025-05-15T00:00:00Z"), 42490)
        .built();
    assert_eq!(read.set_aside.iter().map(|r| r.suggested).collect::<Vec<_>>(), [Some(hours(42320))]);
    let (text, grade) = told(&read.curve, at("2025-05-08T00:00:00Z"));
    assert_eq!((text.as_str(), grade), ("421.0 422.95 424.9", Grade::B));
}

#[test]
fn a07_a_small_fall_is_no_rollover() {
    let mut life =
        Life::metered().reading(at("2025-05-01T00:00:00Z"), 42490).reading(at("2025-05-08T00:00:00Z"), 42410);
    life.machine.dial.rollover = Some(hours(1_000_000));
    assert_eq!(life.built().set_aside.len(), 1);
    let hours = life.curve().at(at("2025-05-08T00:00:00Z")).range.unwrap();
    assert_eq!(hours.lower, Hours::from_hundredths(42490));
}

/// Thirteen weekly runs of half an hour, 5 h 40 min, and about 6 h with 1 h either way.
fn a08() -> (Life, Instant) {
    let first = at("2025-01-06T09:00:00Z");
    let mut life = Life::new(false).commissioned(at("2025-01-01T00:00:00Z"));
    for week in 0..13 {
        life = life.whole(first.plus_seconds(week * WEEK), 30 * MINUTE);
    }
    let long = first.plus_seconds(12 * WEEK + DAY);
    let last = long.plus_seconds(DAY);
    let life = life.whole(long, 340 * MINUTE).about(last, 6 * HOUR, HOUR);
    (life, last.plus_seconds(6 * HOUR))
}

#[test]
fn a08_without_a_meter_runs_tell() {
    let (life, end) = a08();
    let curve = life.curve();
    let range = |instant| curve.at(instant).range.unwrap();
    let now = range(end);
    assert_eq!((now.nominal.seconds(), now.upper.seconds()), (65_400, 69_000), "18.167 and 19.167 h");
    assert_eq!(now.lower.seconds(), 61_800);
    let later = range(end.plus_seconds(2 * WEEK));
    assert_eq!((later.nominal.seconds(), later.upper.seconds()), (65_400, 72_600), "20.167 h");
    assert_eq!(curve.at(end).grade, Grade::C);
    let before = at("2025-01-10T00:00:00Z");
    assert_eq!(told(&curve, before), ("0.5".to_owned(), Grade::B));
    assert_eq!(curve.newest_reading(), Some(end));
    let limit = Hours::from_seconds(20 * HOUR);
    let reached = curve.upper_reaches(limit);
    assert!(range(reached).upper >= limit);
    assert!(range(Instant::from_micros(reached.micros() - 1)).upper < limit);
}

#[test]
fn a27_a_run_that_goes_on_is_live() {
    let start = at("2025-08-01T06:00:00-06:00");
    let curve = Life::metered().reading(start, 21240).run(start, Phase::Start).curve();
    says(&curve, "2025-08-02T12:00:00-06:00", "242.4", Grade::C);
    // A26: 27.6 h left; A27: past the tolerance of 10 h.
    assert_eq!(curve.upper_reaches(hours(24000)), at("2025-08-02T09:36:00-06:00"));
    assert_eq!(curve.lower_reaches(hours(25000)), at("2025-08-02T19:36:00-06:00"));
    assert!(curve.runs.open_at(at("2026-08-02T12:00:00Z")).is_some());
}

#[test]
fn a40_between_readings_hours_have_bounds() {
    let curve = Life::metered()
        .reading(at("2025-05-01T00:00:00Z"), 41230)
        .reading(at("2025-05-21T00:00:00Z"), 43230)
        .curve();
    says(&curve, "2025-05-11T00:00:00Z", "412.3 422.3 432.3", Grade::B);
}

#[test]
fn a43_an_open_run_lasts_no_longer_than_the_tank() {
    let start = at("2025-08-01T06:00:00Z");
    let mut life = Life::metered().reading(start, 21240).run(start, Phase::Start);
    // 24 l at 1.9 l/h.
    life.machine.run_most = Some(Hours::from_seconds(240 * HOUR / 19));
    let curve = life.curve();
    let later = curve.at(at("2025-08-10T06:00:00Z")).range.unwrap();
    assert_eq!(format!("{:.1}", later.upper.hundredths() as f64 / 100.0), "225.0");
    assert_eq!(curve.runs.iter().map(|run| run.ended).collect::<Vec<_>>(), [Ended::Tank]);
    assert!(curve.runs.open_at(start.plus_seconds(12 * HOUR)).is_some());
    assert!(curve.runs.open_at(start.plus_seconds(13 * HOUR)).is_none());
    assert_eq!(curve.upper_reaches(hours(22510)), Instant::LAST);
    // The next run is news: from then on the unit may run again.
    let next = life.whole(at("2025-08-12T06:00:00Z"), HOUR).curve();
    assert!(next.at(at("2025-08-20T06:00:00Z")).range.unwrap().upper > hours(22700));
}

#[test]
fn a44_the_meter_moved_more_than_the_runs() {
    let (from, to) = (at("2025-05-01T00:00:00Z"), at("2025-06-01T00:00:00Z"));
    let life = Life::metered().reading(from, 20000).whole(from.plus_seconds(DAY), 2 * HOUR);
    let life = life.whole(from.plus_seconds(9 * DAY), 162 * MINUTE).reading(to, 21420);
    let found = life.curve().reconcile(from, to).unwrap();
    let all = [found.metered_hours, found.run_hours, found.unclassified_hours].map(Hours::hundredths);
    assert_eq!(all, [1420, 470, 950]);
}

#[test]
fn a48_three_times_twenty_minutes_is_one_hour() {
    let day = at("2025-05-01T00:00:00Z");
    let life = Life::new(false).commissioned(day.plus_seconds(-DAY));
    let three = |life: Life, apart: i64| {
        (0..3).fold(life, |life, n| life.whole(day.plus_seconds(n * apart), 20 * MINUTE))
    };
    let end = day.plus_seconds(DAY);
    assert_eq!(told(&three(life.clone(), HOUR).curve(), end).0, "1.0");
    // Noted by the day alone they are three runs all the same.
    let mut by_day = three(life, 0);
    for placed in by_day.events.iter_mut().skip(1) {
        placed.day = Some(Zone::utc().date(day));
    }
    assert_eq!(told(&by_day.curve(), end).0, "1.0");
}

#[test]
fn a59_runs_that_overlap_are_one() {
    let life = Life::new(false).commissioned(at("2025-05-01T00:00:00Z"));
    let life = life.whole(at("2025-05-02T08:00:00Z"), 4 * HOUR).whole(at("2025-05-02T10:00:00Z"), 4 * HOUR);
    says(&life.curve(), "2025-05-02T14:00:00Z", "6.0", Grade::B);
}

#[test]
fn a60_mid_run_hours_follow_the_run() {
    let start = at("2025-05-01T06:00:00Z");
    let life = Life::metered().reading(start, 20000).whole(start, 12 * HOUR);
    let closed = life.clone().reading(at("2025-05-01T18:00:00Z"), 21200).curve();
    says(&closed, "2025-05-01T10:30:00Z", "200.0 204.5 212.0", Grade::B);
    says(&life.curve(), "2025-05-01T10:30:00Z", "204.5", Grade::B);
}

#[test]
fn a53_a_reading_comes_before_a_service_of_the_same_instant() {
    let instant = at("2025-05-01T06:00:00Z");
    let placed = |what| Placed { id: id(1), instant, day: None, what };
    let service = placed(What::Service { jobs: Cow::Borrowed(&[]), meter: None });
    let run = placed(What::Run { phase: Phase::Start, meter: None, stop_meter: None, reason: None });
    let reading = placed(What::Reading(hours(100)));
    assert!(reading.key() < run.key() && run.key() < service.key());
}

#[test]
fn use_falls_into_the_runs() {
    let from = at("2025-05-01T00:00:00Z");
    let day = |n: i64| from.plus_seconds(n * DAY);
    let life = Life::metered().reading(from, 10000).whole(day(4), 5 * HOUR);
    // 10 h, 5 of them told, the other 5 spread over ten days.
    let curve = life.clone().reading(day(10), 11000).curve();
    assert_eq!(told(&curve, day(4)).0, "100.0 102.0 110.0");
    assert_eq!(told(&curve, day(5)).0, "100.0 107.5 110.0");
    // 3 h cannot hold 5, so the runs say nothing of where they fell.
    let curve = life.reading(day(10), 10300).curve();
    assert_eq!(told(&curve, day(5)).0, "100.0 101.5 103.0");
}

#[test]
fn a_missing_stop_ends_where_something_shows_it() {
    let start = at("2025-05-01T06:00:00Z");
    let life = || Life::metered().reading(start, 20000).run(start, Phase::Start);
    let hour = |n: i64| start.plus_seconds(n * HOUR);
    let run = |life: &Life| *life.curve().runs.iter().next().unwrap();
    let told_by = |life: &Life| (run(life).ended, run(life).end);
    assert_eq!(told_by(&life()), (Ended::Open, Instant::LAST));
    assert_eq!(told_by(&life().run(hour(9), Phase::Stop { of: id(1) })), (Ended::Stopped, hour(9)));
    assert_eq!(told_by(&life().run(hour(-9), Phase::Stop { of: id(1) })), (Ended::Open, Instant::LAST));
    assert_eq!(told_by(&life().reading(hour(9), 20900)), (Ended::Open, Instant::LAST));
    let shown = life().reading(hour(9), 20900).reading(hour(20), 21000);
    assert_eq!(told_by(&shown), (Ended::Reading, hour(20)));
    assert_eq!(shown.curve().runs.seconds(start, hour(99)), 9 * HOUR);
    let next = life().whole(hour(90), HOUR);
    assert_eq!(told_by(&next), (Ended::NextStart, hour(90)));
    let (lower, upper) = {
        let range = next.curve().at(hour(91)).range.unwrap();
        (range.lower, range.upper)
    };
    assert_eq!((lower, upper), (hours(20100), hours(29100)));
}

#[test]
fn a_swap_that_nobody_recorded_is_suspected() {
    let day = |n: i64| at("2025-05-01T00:00:00Z").plus_seconds(n * DAY);
    let settled = (0..4).fold(Life::metered(), |life, n| life.reading(day(n), 90_000 + n * 100));
    let low = |life: Life, n: i64| life.reading(day(n), n * 100);
    let two = low(low(settled, 5), 6);
    assert!(two.curve().other_meter.is_none());
    let curve = low(two.clone(), 7).curve();
    assert_eq!(curve.other_meter.as_ref().map(|other| other.events), Some([id(4), id(5), id(6)]));
    assert_eq!(curve.at(day(4)).grade, Grade::C);
    assert_eq!(curve.at(day(5)).grade, Grade::D);
    assert_eq!(curve.at(day(5)).range, two.curve().at(day(5)).range);
    let swap = What::Swap { old: None, new: Hours::ZERO };
    assert!(low(two, 7).add(day(8), swap).curve().other_meter.is_none());
}

#[test]
fn a_confirmed_reading_stays() {
    let day = |n: i64| at("2025-05-01T00:00:00Z").plus_seconds(n * DAY);
    let mut life = Life::metered().reading(day(0), 42490).reading(day(7), 42410).reading(day(9), 42500);
    let set_aside = |life: &Life| life.built().set_aside.iter().map(|r| r.event_id).collect::<Vec<_>>();
    assert_eq!(set_aside(&life), [id(1)]);
    life.confirmed.push(id(1));
    assert_eq!(set_aside(&life), [id(0)]);
    life.confirmed.push(id(0));
    assert_eq!(set_aside(&life), []);
    assert_eq!(told(&life.curve(), day(7)).0, "424.9", "use is never negative");
    assert_eq!(told(&life.curve(), day(9)).0, "425.8", "it goes on from what was confirmed");
}

mod laws;
