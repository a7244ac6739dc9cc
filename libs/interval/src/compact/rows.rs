//! How what is kept is written: without names, for a format that writes numbers and bytes as they are.

use std::{borrow::Cow, ops::Range};

use model::{
    Code, EditionId, EventId, Hours, Instant, LocalDate, ScheduleId, SiteId,
    event::{Component, JobDone, JobResult},
};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use super::{Compact, Held, MadeWith, Move};
use crate::{
    chain::Mark,
    completion::Outcome,
    hours::{EngineHours, HoursRange, Meter, Point},
    input::UnitFacts,
    limit::{Anchor, Counted},
    placed::{Placed, What},
    settled::{Begun, Done, Settled},
    words::Grade,
};

/// Changes whenever the rows, or what is kept in them, mean something else.
const FORMAT: u32 = 3;

#[derive(Serialize, Deserialize)]
struct Row<'r>(
    u32,
    #[serde(borrow)] MadeWithRow<'r>,
    #[serde(borrow)] Vec<(i64, SiteId, &'r str)>,
    Vec<(ScheduleId, EditionId, EventId, i64, i64)>,
    #[serde(borrow)] Option<SettledRow<'r>>,
    #[serde(borrow)] Vec<(JobRow<'r>, i64, Day)>,
    #[serde(borrow)] Vec<EntryRow<'r>>,
    Vec<EventId>,
    Option<(i64, EventId)>,
);

/// Home site and its zone, tick, whether a meter is fitted, policy and its edition, hours of rollover and of the longest
/// run, features, serial number.
type MadeWithRow<'r> =
    (SiteId, &'r str, i64, bool, &'r str, &'r str, [Option<i64>; 2], Vec<&'r str>, Option<&'r str>);

/// Instant and meter hours of the mark, since when points are exact, the first reading, grade, meters, points,
/// commissioning, completions.
type SettledRow<'r> = (
    i64,
    i64,
    i64,
    Option<i64>,
    GradeRow,
    Vec<(i64, i64)>,
    Vec<PointRow>,
    Option<AnchorRow>,
    Vec<(AnchorRow, Vec<JobRow<'r>>)>,
);

/// How much later and how much higher than the one before, and 2 × grade + 1 if not read.
type PointRow = (i64, i64, u8);

/// Event, instant, date, hours, 2 × grade + 1 if it has a reading of its own.
type AnchorRow = (EventId, i64, Day, Option<RangeRow>, u8);

/// Nominal hours, and their bounds where they are not known exactly.
type RangeRow = (i64, Option<[i64; 2]>);

/// Kind as in [`entry_row`], event, instant, day, hours, jobs.
type EntryRow<'r> = (u8, EventId, i64, Option<Day>, [Option<i64>; 2], Vec<JobRow<'r>>);

/// How it came out, as its place in [`RESULTS`], and the job.
type JobRow<'r> = (u8, &'r str);

/// Days since the first there is.
type Day = i32;

type GradeRow = u8;

const GRADES: [Grade; 4] = [Grade::A, Grade::B, Grade::C, Grade::D];
/// What was left out is not kept.
const RESULTS: [JobResult; 3] = [JobResult::Done, JobResult::Passed, JobResult::Failed];

impl Serialize for Compact {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let made_with = &self.made_with;
        let [policy, edition] = &made_with.policy;
        let facts = &made_with.facts;
        let held = |held: &Held| {
            (held.schedule, held.edition, held.adoption, held.from.micros(), held.until.micros())
        };
        let settled = &self.settled;
        Row(
            FORMAT,
            (
                facts.home_site,
                &made_with.home_zone,
                facts.tick.seconds(),
                facts.meter_fitted,
                policy,
                edition,
                [facts.rollover, facts.run_most].map(seconds),
                facts.features.iter().map(Code::as_str).collect(),
                facts.serial.as_deref(),
            ),
            self.moves.iter().map(|to| (to.from.micros(), to.site, &*to.zone)).collect(),
            self.rules.iter().map(held).collect(),
            settled.mark.map(|mark| settled_row(settled, mark)),
            settled.begun.iter().map(begun_row).collect(),
            self.tail.iter().map(entry_row).collect(),
            self.voided_ahead.clone(),
            settled.newest.map(|(instant, event)| (instant.micros(), event)),
        )
        .serialize(s)
    }
}

impl<'de> Deserialize<'de> for Compact {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let row = Row::deserialize(d)?;
        if row.0 != FORMAT {
            return Err(de::Error::custom("another format"));
        }
        compact(row).ok_or_else(|| de::Error::custom("no such grade, kind, result, code or date"))
    }
}

fn compact(
    Row(_, made_with, moves, rules, settled, begun, tail, voided_ahead, newest): Row<'_>,
) -> Option<Compact> {
    let (home_site, home_zone, tick, meter_fitted, policy, edition, hours, features, serial) = made_with;
    let [rollover, run_most] = hours.map(hours_of);
    let features: Option<Vec<Code>> = features.into_iter().map(|code| Code::parse(code).ok()).collect();
    let facts = UnitFacts {
        rollover,
        run_most,
        features: features?.into(),
        serial: serial.map(Into::into),
        ..UnitFacts::plain(meter_fitted, Hours::from_seconds(tick), home_site)
    };
    let at = Instant::from_micros;
    let held = |(schedule, edition, adoption, from, until)| Held {
        schedule,
        edition,
        adoption,
        from: at(from),
        until: at(until),
    };
    let begun = begun.into_iter().map(|(row, instant, day)| {
        let (job, outcome) = outcome_of(row)?;
        Some(Begun { job, outcome, instant: at(instant), date: date_of(day)? })
    });
    let settled = settled.map_or_else(|| Some(Settled::default()), settled_of)?;
    let to = |(from, site, zone): (i64, SiteId, &str)| Move { from: at(from), site, zone: zone.into() };
    Some(Compact {
        made_with: MadeWith { facts, home_zone: home_zone.into(), policy: [policy, edition].map(Into::into) },
        moves: moves.into_iter().map(to).collect(),
        rules: rules.into_iter().map(held).collect(),
        settled: Settled {
            begun: begun.collect::<Option<_>>()?,
            newest: newest.map(|(instant, event)| (at(instant), event)),
            ..settled
        },
        tail: tail.into_iter().map(entry).collect::<Option<_>>()?,
        voided_ahead,
    })
}

fn settled_row(settled: &Settled, mark: Mark) -> SettledRow<'_> {
    (
        mark.instant.micros(),
        mark.hours.seconds(),
        settled.exact_from.micros(),
        settled.first_reading.map(Instant::micros),
        settled.grade as GradeRow,
        settled.meters.iter().map(|meter| (meter.from.micros(), meter.offset.seconds())).collect(),
        point_rows(&settled.points),
        settled.commissioning.as_ref().map(anchor_row),
        settled.done.iter().map(|done| (anchor_row(&done.anchor), done_row(&done.jobs))).collect(),
    )
}

fn settled_of(row: SettledRow<'_>) -> Option<Settled> {
    let (instant, hours, exact_from, first_reading, grade, meters, points, commissioning, done) = row;
    let meter =
        |(from, offset)| Meter { from: Instant::from_micros(from), offset: Hours::from_seconds(offset) };
    let done = done
        .into_iter()
        .map(|(row, jobs)| Some(Done { anchor: anchor(row, Counted::Done)?, jobs: jobs_of(jobs)? }));
    Some(Settled {
        mark: Some(Mark { instant: Instant::from_micros(instant), hours: Hours::from_seconds(hours) }),
        points: points_of(&points)?,
        exact_from: Instant::from_micros(exact_from),
        first_reading: first_reading.map(Instant::from_micros),
        meters: meters.into_iter().map(meter).collect(),
        grade: grade_of(grade)?,
        commissioning: match commissioning {
            None => None,
            Some(row) => Some(anchor(row, Counted::Commissioned)?),
        },
        done: done.collect::<Option<_>>()?,
        begun: Vec::new(),
        newest: None,
    })
}

fn point_rows(points: &[Point]) -> Vec<PointRow> {
    let (mut micros, mut seconds) = (0, 0);
    let row = |point: &Point| {
        let kind = 2 * (point.grade as GradeRow) + u8::from(!point.read);
        let row = (point.instant.micros() - micros, point.hours.seconds() - seconds, kind);
        (micros, seconds) = (point.instant.micros(), point.hours.seconds());
        row
    };
    points.iter().map(row).collect()
}

fn points_of(rows: &[PointRow]) -> Option<Vec<Point>> {
    let (mut micros, mut seconds) = (0_i64, 0_i64);
    let mut points = Vec::with_capacity(rows.len());
    for (later, higher, kind) in rows {
        micros = micros.checked_add(*later)?;
        seconds = seconds.checked_add(*higher)?;
        points.push(Point {
            event: None,
            instant: Instant::from_micros(micros),
            hours: Hours::from_seconds(seconds),
            grade: grade_of(kind / 2)?,
            read: kind % 2 == 0,
        });
    }
    Some(points)
}

fn anchor_row(anchor: &Anchor) -> AnchorRow {
    let hours = anchor.hours;
    (
        anchor.event,
        anchor.instant.micros(),
        day_of(anchor.date),
        hours.range.map(range_row),
        2 * (hours.grade as GradeRow) + u8::from(anchor.read),
    )
}

fn anchor((event, instant, day, range, known): AnchorRow, counted: Counted) -> Option<Anchor> {
    let hours = EngineHours { range: range.map(range_of), grade: grade_of(known / 2)? };
    let (read, instant) = (known % 2 == 1, Instant::from_micros(instant));
    Some(Anchor { event, counted, substitute: false, read, instant, date: date_of(day)?, hours })
}

fn done_row(jobs: &[(Code, Outcome)]) -> Vec<JobRow<'_>> {
    jobs.iter().map(|(job, outcome)| job_row(job, outcome.result())).collect()
}

fn jobs_of(rows: Vec<JobRow<'_>>) -> Option<Vec<(Code, Outcome)>> {
    rows.into_iter().map(outcome_of).collect()
}

fn outcome_of(row: JobRow<'_>) -> Option<(Code, Outcome)> {
    let done = job_of(row)?;
    let outcome = Outcome::of(&done, None)?;
    Some((done.job, outcome))
}

fn begun_row(begun: &Begun) -> (JobRow<'_>, i64, Day) {
    (job_row(&begun.job, begun.outcome.result()), begun.instant.micros(), day_of(begun.date))
}

fn job_row(job: &Code, result: JobResult) -> JobRow<'_> {
    let place = RESULTS.iter().zip(0..).find(|(known, _)| **known == result);
    (place.map_or(0, |(_, place)| place), job.as_str())
}

fn job_of((result, job): JobRow<'_>) -> Option<JobDone> {
    let result = *RESULTS.get(usize::from(result))?;
    Some(JobDone { result, ..JobDone::plain(Code::parse(job).ok()?) })
}

fn range_row(range: HoursRange) -> RangeRow {
    let bounds = [range.lower, range.upper].map(Hours::seconds);
    (range.nominal.seconds(), (range.lower != range.upper).then_some(bounds))
}

fn range_of((nominal, bounds): RangeRow) -> HoursRange {
    let [lower, upper] = bounds.unwrap_or([nominal; 2]).map(Hours::from_seconds);
    HoursRange { lower, nominal: Hours::from_seconds(nominal), upper }
}

fn grade_of(row: GradeRow) -> Option<Grade> {
    GRADES.get(usize::from(row)).copied()
}

fn day_of(date: LocalDate) -> Day {
    date.days_since(LocalDate::FIRST)
}

/// The days from 1970 to 2199. What is beyond them is no day, and not added to one, since no calendar goes so far.
const DAYS: Range<Day> = 0..84_006;

fn date_of(day: Day) -> Option<LocalDate> {
    DAYS.contains(&day).then(|| LocalDate::FIRST.plus_days(day))
}

fn seconds(hours: Option<Hours>) -> Option<i64> {
    hours.map(Hours::seconds)
}

fn hours_of(seconds: Option<i64>) -> Option<Hours> {
    seconds.map(Hours::from_seconds)
}

fn entry_row<'r>(placed: &'r Placed<'_>) -> EntryRow<'r> {
    let (kind, hours) = match &placed.what {
        What::Commissioning { meter, engine } => (0, [*meter, *engine]),
        What::Swap { old, new } => (1, [*old, Some(*new)]),
        // Of a component only the reading is kept.
        What::Fitted { meter, .. } => (2, [*meter, None]),
        What::Reading(hours) => (3, [Some(*hours), None]),
        What::Service { meter, .. } => (4, [*meter, None]),
        // None is kept: rules hold adoptions, and with any of the others nothing is.
        What::Storage(_)
        | What::Duty(_)
        | What::Run { .. }
        | What::Adoption(_)
        | What::Setting(_)
        | What::Deferral(_) => (5, [None; 2]),
    };
    let jobs = placed.jobs().iter().map(|done| job_row(&done.job, done.result)).collect();
    (kind, placed.id, placed.instant.micros(), placed.day.map(day_of), hours.map(seconds), jobs)
}

fn entry((kind, id, instant, day, hours, jobs): EntryRow<'_>) -> Option<Placed<'static>> {
    let what = match (kind, hours.map(hours_of)) {
        (0, [meter, engine]) => What::Commissioning { meter, engine },
        (1, [old, Some(new)]) => What::Swap { old, new },
        (2, [meter, None]) => What::Fitted { component: Component::Engine, meter },
        (3, [Some(hours), None]) => What::Reading(hours),
        (4, [meter, None]) => {
            let jobs = jobs.into_iter().map(job_of).collect::<Option<_>>()?;
            What::Service { jobs: Cow::Owned(jobs), meter }
        }
        _ => return None,
    };
    let day = match day {
        None => None,
        Some(day) => Some(date_of(day)?),
    };
    Some(Placed { id, instant: Instant::from_micros(instant), day, what })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_no_calendar_has_is_no_day() {
        for (day, is) in [
            (0, Some("1970-01-01")),
            (84_005, Some("2199-12-31")),
            (84_006, None),
            (-1, None),
            (i32::MAX, None),
            (i32::MIN, None),
        ] {
            assert_eq!(date_of(day).map(|date| date.to_string()).as_deref(), is, "{day}");
        }
    }
}
