//! How what is kept is written: as arrays without names.

use std::borrow::Cow;

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
const FORMAT: u32 = 2;

type Text = Box<str>;

#[derive(Serialize, Deserialize)]
struct Row(
    u32,
    MadeWithRow,
    Vec<(i64, SiteId, Text)>,
    Vec<(ScheduleId, EditionId, EventId, i64, i64)>,
    Option<SettledRow>,
    Vec<(Code, i64, Date)>,
    Vec<EntryRow>,
    Vec<EventId>,
);

/// Home site and its zone, tick, whether a meter is fitted, policy and its edition, hours of rollover and of the longest
/// run, features, serial number.
type MadeWithRow = (SiteId, Text, i64, bool, Text, Text, [Option<i64>; 2], Vec<Code>, Option<Text>);

/// Instant and meter hours of the mark, since when points are exact, the first reading, grade, meters, points,
/// commissioning, completions.
type SettledRow = (
    i64,
    i64,
    i64,
    Option<i64>,
    GradeRow,
    Vec<(i64, i64)>,
    PointRows,
    Option<AnchorRow>,
    Vec<(AnchorRow, Vec<JobRow>)>,
);

/// Three numbers each: how much later and how much higher than the one before, and 2 × grade + 1 if not read.
type PointRows = Vec<i64>;

/// Event, instant, date, hours as in [`range_row`], 2 × grade + 1 if it has a reading of its own.
type AnchorRow = (EventId, i64, Date, Vec<i64>, u8);

/// Kind as in [`entry_row`], event, instant, day, hours, jobs.
type EntryRow = (u8, EventId, i64, Option<Date>, Vec<Option<i64>>, Vec<JobRow>);

/// A job, after a mark if it is a check: `+` passed, `-` failed.
type JobRow = Text;

type GradeRow = u8;

const GRADES: [Grade; 4] = [Grade::A, Grade::B, Grade::C, Grade::D];

struct Date(LocalDate);

impl Serialize for Date {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(s)
    }
}
impl<'de> Deserialize<'de> for Date {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        LocalDate::parse(&Text::deserialize(d)?).map(Self).map_err(de::Error::custom)
    }
}

impl Serialize for Compact {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        let made_with = &self.made_with;
        let [policy, edition] = made_with.policy.clone();
        let facts = &made_with.facts;
        let held = |held: &Held| {
            (held.schedule, held.edition, held.adoption, held.from.micros(), held.until.micros())
        };
        let settled = &self.settled;
        Row(
            FORMAT,
            (
                facts.home_site,
                made_with.home_zone.clone(),
                facts.tick.seconds(),
                facts.meter_fitted,
                policy,
                edition,
                [facts.rollover, facts.run_most].map(|hours| hours.map(Hours::seconds)),
                facts.features.to_vec(),
                facts.serial.clone(),
            ),
            self.moves.iter().map(|to| (to.from.micros(), to.site, to.zone.clone())).collect(),
            self.rules.iter().map(held).collect(),
            settled.mark.map(|mark| settled_row(settled, mark)),
            settled.begun.iter().map(|b| (b.job.clone(), b.instant.micros(), Date(b.date))).collect(),
            self.tail.iter().map(entry_row).collect(),
            self.voided_ahead.clone(),
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
        compact(row).ok_or_else(|| de::Error::custom("no such grade or kind, or a list of another length"))
    }
}

fn compact(Row(_, made_with, moves, rules, settled, begun, tail, voided_ahead): Row) -> Option<Compact> {
    let (home_site, home_zone, tick, meter_fitted, policy, edition, hours, features, serial) = made_with;
    let [rollover, run_most] = hours.map(|hours| hours.map(Hours::from_seconds));
    let facts = UnitFacts {
        rollover,
        run_most,
        features: features.into(),
        serial,
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
    let begun = begun.into_iter().map(|(job, instant, Date(date))| Begun { job, instant: at(instant), date });
    let settled = settled.map_or_else(|| Some(Settled::default()), settled_of)?;
    Some(Compact {
        made_with: MadeWith { facts, home_zone, policy: [policy, edition] },
        moves: moves.into_iter().map(|(from, site, zone)| Move { from: at(from), site, zone }).collect(),
        rules: rules.into_iter().map(held).collect(),
        settled: Settled { begun: begun.collect(), ..settled },
        tail: tail.into_iter().map(entry).collect::<Option<_>>()?,
        voided_ahead,
    })
}

fn settled_row(settled: &Settled, mark: Mark) -> SettledRow {
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

fn settled_of(row: SettledRow) -> Option<Settled> {
    let (instant, hours, exact_from, first_reading, grade, meters, points, commissioning, done) = row;
    let meter =
        |(from, offset)| Meter { from: Instant::from_micros(from), offset: Hours::from_seconds(offset) };
    let done = done
        .into_iter()
        .map(|(row, jobs)| Some(Done { anchor: anchor(row, Counted::Done)?, jobs: jobs_of(&jobs)? }));
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
    })
}

fn point_rows(points: &[Point]) -> PointRows {
    let (mut micros, mut seconds) = (0, 0);
    let mut rows = Vec::with_capacity(points.len() * 3);
    for point in points {
        let kind = 2 * i64::from(point.grade as GradeRow) + i64::from(!point.read);
        rows.extend([point.instant.micros() - micros, point.hours.seconds() - seconds, kind]);
        (micros, seconds) = (point.instant.micros(), point.hours.seconds());
    }
    rows
}

fn points_of(rows: &[i64]) -> Option<Vec<Point>> {
    let (mut micros, mut seconds) = (0_i64, 0_i64);
    let mut points = Vec::with_capacity(rows.len() / 3);
    for row in rows.chunks(3) {
        let [later, higher, kind] = row else { return None };
        micros = micros.checked_add(*later)?;
        seconds = seconds.checked_add(*higher)?;
        points.push(Point {
            event: None,
            instant: Instant::from_micros(micros),
            hours: Hours::from_seconds(seconds),
            grade: grade_of(u8::try_from(kind / 2).ok()?)?,
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
        Date(anchor.date),
        hours.range.as_ref().map_or_else(Vec::new, range_row),
        2 * (hours.grade as GradeRow) + u8::from(anchor.read),
    )
}

fn anchor((event, instant, Date(date), range, known): AnchorRow, counted: Counted) -> Option<Anchor> {
    let hours = EngineHours { range: range_of(&range)?, grade: grade_of(known / 2)? };
    let (read, instant) = (known % 2 == 1, Instant::from_micros(instant));
    Some(Anchor { event, counted, substitute: false, read, instant, date, hours })
}

fn done_row(jobs: &[(Code, Outcome)]) -> Vec<JobRow> {
    jobs.iter().map(|(job, outcome)| job_row(job, outcome.result())).collect()
}

fn jobs_of(rows: &[JobRow]) -> Option<Vec<(Code, Outcome)>> {
    rows.iter()
        .map(|row| job_of(row).and_then(|done| Some((done.job.clone(), Outcome::of(&done, None)?))))
        .collect()
}

fn job_row(job: &Code, result: JobResult) -> JobRow {
    let mark = match result {
        JobResult::Passed => "+",
        JobResult::Failed => "-",
        // What was left out is not kept.
        JobResult::Done | JobResult::Skipped => "",
    };
    format!("{mark}{}", job.as_str()).into()
}

fn job_of(row: &str) -> Option<JobDone> {
    let (result, job) = match (row.strip_prefix('+'), row.strip_prefix('-')) {
        (Some(job), _) => (JobResult::Passed, job),
        (_, Some(job)) => (JobResult::Failed, job),
        (None, None) => (JobResult::Done, row),
    };
    Some(JobDone { result, ..JobDone::plain(Code::parse(job).ok()?) })
}

/// One number where the hours are known exactly, otherwise the three.
fn range_row(range: &HoursRange) -> Vec<i64> {
    let all = [range.lower, range.nominal, range.upper].map(Hours::seconds);
    if range.lower == range.upper { vec![range.nominal.seconds()] } else { all.to_vec() }
}

fn range_of(row: &[i64]) -> Option<Option<HoursRange>> {
    let hours = Hours::from_seconds;
    match row {
        [] => Some(None),
        [exact] => Some(Some(HoursRange::exact(hours(*exact)))),
        [lower, nominal, upper] => {
            Some(Some(HoursRange { lower: hours(*lower), nominal: hours(*nominal), upper: hours(*upper) }))
        }
        _ => None,
    }
}

fn grade_of(row: GradeRow) -> Option<Grade> {
    GRADES.get(usize::from(row)).copied()
}

fn entry_row(placed: &Placed<'_>) -> EntryRow {
    let (kind, hours) = match &placed.what {
        What::Commissioning { meter, engine } => (0, vec![*meter, *engine]),
        What::Swap { old, new } => (1, vec![*old, Some(*new)]),
        // Of a component only the reading is kept.
        What::Fitted { meter, .. } => (2, vec![*meter]),
        What::Reading(hours) => (3, vec![Some(*hours)]),
        What::Service { meter, .. } => (4, vec![*meter]),
        // None is kept: rules hold adoptions, and with any of the others nothing is.
        What::Storage(_)
        | What::Duty(_)
        | What::Run { .. }
        | What::Adoption(_)
        | What::Setting(_)
        | What::Deferral(_) => (5, vec![]),
    };
    let hours = hours.into_iter().map(|hours| hours.map(Hours::seconds)).collect();
    let jobs = placed.jobs().iter().map(|done| job_row(&done.job, done.result)).collect();
    (kind, placed.id, placed.instant.micros(), placed.day.map(Date), hours, jobs)
}

fn entry((kind, id, instant, day, hours, jobs): EntryRow) -> Option<Placed<'static>> {
    let hours: Vec<Option<Hours>> = hours.into_iter().map(|hours| hours.map(Hours::from_seconds)).collect();
    let jobs = || jobs.iter().map(|row| job_of(row)).collect::<Option<_>>();
    let what = match (kind, hours.as_slice()) {
        (0, [meter, engine]) => What::Commissioning { meter: *meter, engine: *engine },
        (1, [old, Some(new)]) => What::Swap { old: *old, new: *new },
        (2, [meter]) => What::Fitted { component: Component::Engine, meter: *meter },
        (3, [Some(hours)]) => What::Reading(*hours),
        (4, [meter]) => What::Service { jobs: Cow::Owned(jobs()?), meter: *meter },
        _ => return None,
    };
    let day = day.map(|Date(day)| day);
    Some(Placed { id, instant: Instant::from_micros(instant), day, what })
}
