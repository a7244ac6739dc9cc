//! How many hours a year an engine ran, and for what: the hours ledger of an emergency engine.
//!
//! Emergency hours are free; maintenance and tests with other non-emergency use share one limit in each calendar year, of which
//! non-emergency use has a smaller part. Hours that nobody classified are told apart, and again as the class that hurts most.
//! The limits are data of a dated policy that a person confirms for the place, never legal advice. A government standard that
//! asks for more testing, and what the non-emergency hours may be sold for, are not judged here.
//!
//! ```
//! use model::{Hours, Instant, Zone};
//! use standby::ledger::{Asked, LedgerPolicy, Run, RunClass, YearVerdict, ledger};
//!
//! let at = |text| Instant::parse(text).unwrap();
//! let (from, until) = (at("2025-12-31T20:00:00-07:00"), at("2026-01-01T06:00:00-07:00"));
//! let run = Run::new("r1", from, until, RunClass::Emergency, None, None).unwrap();
//! let zone = Zone::parse("America/Denver").unwrap();
//! let asked = Asked { runs: &[run], reclassified: &[], meter: &[], zone: &zone, known_at: None };
//! let ledger = ledger(&asked, &LedgerPolicy::standard()).unwrap();
//! assert_eq!(ledger.years[0].emergency, Hours::from_seconds(4 * 3600));
//! assert_eq!(ledger.years[1].emergency, Hours::from_seconds(6 * 3600));
//! assert_eq!(ledger.years[0].verdict, YearVerdict::WithinAsLogged);
//! ```

mod answer;
mod classes;
mod judge;
mod policy;
mod sweep;

use model::{Hours, Instant, Zone};
use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    answer::{Ledger, LedgerTrace, Reconciled, ToEnter, Used, YearLedger, YearVerdict},
    judge::ledger,
    policy::{LedgerPolicy, OverlapRule},
};

/// What an engine ran for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RunClass {
    /// The mains had failed, or people were in danger.
    Emergency,
    /// Maintenance checks and readiness tests.
    MaintenanceTest,
    /// Anything else that the rule allows.
    NonEmergency,
    /// Nobody has said.
    Unclassified,
}

/// A time that an engine ran, in whole seconds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    id: String,
    from: i64,
    until: i64,
    class: RunClass,
    incident: Option<String>,
    reason: Option<String>,
    by_day: bool,
}

impl Run {
    /// A run from one instant to a later one, each taken at its full second, with the incident that it belongs to and the
    /// reason for it as far as they were entered.
    ///
    /// # Errors
    ///
    /// Where it ends before a second has passed.
    pub fn new(
        id: impl Into<String>,
        from: Instant,
        until: Instant,
        class: RunClass,
        incident: Option<String>,
        reason: Option<String>,
    ) -> Result<Self, LedgerError> {
        let (from, until) = (whole_second(from), whole_second(until));
        if until <= from {
            return Err(LedgerError::NoTime);
        }
        Ok(Self { id: id.into(), from, until, class, incident, reason, by_day: false })
    }

    /// The same where of its begin only the day is known, and it is given from the first instant of that day: it is counted by
    /// itself, since nothing says that it ran while another did.
    #[must_use]
    pub fn known_by_day(self) -> Self {
        Self { by_day: true, ..self }
    }
}

fn whole_second(instant: Instant) -> i64 {
    instant.seconds_since(Instant::FIRST)
}

/// A later word on what a run was for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reclassified {
    /// The id of this record.
    pub id: String,
    /// The run that it is about.
    pub run: String,
    /// What the run was for.
    pub class: RunClass,
    /// When it was recorded; the last one wins.
    pub recorded_at: Instant,
    /// Who said so.
    pub by: String,
    /// Why.
    pub reason: String,
}

/// How far the meter moved in a calendar year at the site.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MeterYear {
    year: i16,
    moved: Hours,
    read: Option<Read>,
}

/// The time between the readings that tell it, in whole seconds: that time for certain, and at the most.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Read {
    least: (i64, i64),
    most: (i64, i64),
}

/// From one reading to another; of one known by its day only, when it may have been taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Between {
    /// The first instant and the last at which the earlier may have been taken.
    pub from: (Instant, Instant),
    /// The same of the later.
    pub until: (Instant, Instant),
}

impl MeterYear {
    /// What the meter, which nobody can reset, moved in a year.
    ///
    /// # Errors
    ///
    /// Where it moved back, or more than a leap year has hours.
    pub fn new(year: i16, moved: Hours) -> Result<Self, LedgerError> {
        if moved < Hours::ZERO {
            Err(LedgerError::MeterFell)
        } else if moved > Hours::from_seconds(366 * 86_400) {
            Err(LedgerError::MoreThanAYear)
        } else {
            Ok(Self { year, moved, read: None })
        }
    }

    /// The same where the readings do not span the whole year: only the hours that were run between them are compared with it.
    #[must_use]
    pub fn between(self, readings: Between) -> Self {
        let Between { from, until } = readings;
        let span = |(from, until)| (whole_second(from), whole_second(until));
        let read = Read { least: span((from.1, until.0)), most: span((from.0, until.1)) };
        Self { read: Some(read), ..self }
    }
}

/// What a ledger is made of.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Every run of one engine.
    pub runs: &'a [Run],
    /// Later words on what they were for.
    pub reclassified: &'a [Reclassified],
    /// What the meter moved, for the years of which that is known, and between which readings.
    pub meter: &'a [MeterYear],
    /// The zone of the site, where a year begins at local midnight.
    pub zone: &'a Zone,
    /// As it was known then: words recorded later are left out. All that is known where absent.
    pub known_at: Option<Instant>,
}

/// Why there is no ledger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LedgerError {
    /// A run ends before a second has passed.
    #[error("A run ends at least one second after it began.")]
    NoTime,
    /// A meter moved back.
    #[error("A meter does not move back: record the new meter, or correct the reading.")]
    MeterFell,
    /// A meter moved more than the year has hours.
    #[error("A meter moves at most 8784 hours in a year.")]
    MoreThanAYear,
    /// Two runs have one id.
    #[error("Each run is given once.")]
    RunTwice(usize),
    /// Two records have one id.
    #[error("Each record is given once.")]
    RecordTwice(usize),
    /// A record is about a run that is not there.
    #[error("This names a run that is not given.")]
    NoSuchRun(usize),
    /// Two meter years are the same.
    #[error("What the meter moved is given once for a year.")]
    YearTwice(usize),
    /// The part is more than the whole, or there is no limit.
    #[error("The limits are more than 0 hours, and that for non-emergency use lies within the other.")]
    LimitsContradict,
}

impl LedgerError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoTime => "ends_before_it_begins",
            Self::MeterFell => "meter_fell",
            Self::MoreThanAYear => "out_of_range",
            Self::RunTwice(_) | Self::RecordTwice(_) | Self::YearTwice(_) => "given_twice",
            Self::NoSuchRun(_) => "no_such_run",
            Self::LimitsContradict => "limits_contradict",
        }
    }

    /// The member that is wrong: below the run, the meter year or the policy, else below the whole input.
    #[must_use]
    pub fn pointer(self) -> String {
        match self {
            Self::NoTime => "/until".to_owned(),
            Self::MeterFell | Self::MoreThanAYear => "/moved".to_owned(),
            Self::RunTwice(at) => format!("/runs/{at}/id"),
            Self::RecordTwice(at) => format!("/reclassified/{at}/id"),
            Self::NoSuchRun(at) => format!("/reclassified/{at}/run"),
            Self::YearTwice(at) => format!("/meter/{at}/year"),
            Self::LimitsContradict => "/most_non_emergency".to_owned(),
        }
    }
}
