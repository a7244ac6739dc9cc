//! What an outage came to: hours and fuel of each set that ran in it, for those who keep the books or ask for the money back.
//!
//! Pure sums of what was recorded. The hours of runs that overlap count once. Their fuel is added up as it was recorded and they
//! are named, since two records of one run state its fuel twice. What was not recorded is named and never filled in.

mod answer;

use std::collections::BTreeMap;

use interval::Grade;
use model::{Hours, Instant, Litres, UnitId, event::RunReason};
use thiserror::Error;

pub use self::answer::{MissingField, Pack, ReasonSum, RunMissing, RunsOverlap, UnitSum};
use crate::amount::Volume;

/// A run that is tied to an incident.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// The set.
    pub unit: UnitId,
    /// When it began.
    pub from: Instant,
    /// When it ended; absent where it goes on, or where nobody recorded it.
    pub until: Option<Instant>,
    /// What it was for.
    pub reason: Option<RunReason>,
    /// What it burned.
    pub litres: Option<Litres>,
    /// How well its hours and fuel are known, whichever is worse.
    pub grade: Grade,
}

/// A run ends before it begins, or burned less than nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum IncidentError {
    /// It ends before it begins.
    #[error("Run {run} ends before it begins.")]
    EndsBeforeItBegins {
        /// Its place, from 0.
        run: usize,
    },
    /// It burned less than nothing.
    #[error("Run {run} burned no less than 0 litres.")]
    BelowNothing {
        /// Its place, from 0.
        run: usize,
    },
}

impl IncidentError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::EndsBeforeItBegins { .. } => "ends_before_it_begins",
            Self::BelowNothing { .. } => "below_nothing",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> String {
        match self {
            Self::EndsBeforeItBegins { run } => format!("/runs/{run}/until"),
            Self::BelowNothing { run } => format!("/runs/{run}/litres"),
        }
    }
}

/// Adds up the runs of an incident.
///
/// # Errors
/// Where a run ends before it begins, or burned less than nothing.
pub fn pack(runs: &[Run]) -> Result<Pack, IncidentError> {
    let mut by_unit: BTreeMap<UnitId, Vec<(usize, &Run)>> = BTreeMap::new();
    for (place, run) in runs.iter().enumerate() {
        if run.until.is_some_and(|until| until < run.from) {
            return Err(IncidentError::EndsBeforeItBegins { run: place });
        }
        if run.litres.is_some_and(|litres| litres.hundredths() < 0) {
            return Err(IncidentError::BelowNothing { run: place });
        }
        by_unit.entry(run.unit).or_default().push((place, run));
    }
    let units: Vec<UnitSum> = by_unit.into_iter().map(|(unit, runs)| sum(unit, &runs)).collect();
    let litres = units.iter().map(|unit| Volume::from(unit.litres)).fold(Volume::ZERO, |a, b| a + b);
    Ok(Pack {
        hours: units.iter().fold(Hours::ZERO, |sum, unit| sum + unit.hours),
        litres: litres.litres(),
        complete: units.iter().all(UnitSum::is_complete),
        grade: units.iter().map(|unit| unit.grade).max().unwrap_or(Grade::A),
        units,
    })
}

fn sum(unit_id: UnitId, runs: &[(usize, &Run)]) -> UnitSum {
    let mut reasons: Vec<Option<RunReason>> = runs.iter().map(|(_, run)| run.reason).collect();
    reasons.sort_unstable_by_key(|reason| (reason.is_none(), *reason));
    reasons.dedup();
    let of = |reason: &Option<RunReason>| ReasonSum {
        reason: *reason,
        hours: union(runs.iter().map(|(_, run)| *run).filter(|run| run.reason == *reason)),
    };
    let litres = runs.iter().filter_map(|(_, run)| run.litres).map(Volume::from);
    let mut sum = UnitSum {
        unit_id,
        hours: union(runs.iter().map(|(_, run)| *run)),
        by_reason: reasons.iter().map(of).collect(),
        litres: litres.fold(Volume::ZERO, |a, b| a + b).litres(),
        missing: runs.iter().flat_map(|(place, run)| missing(*place, run)).collect(),
        overlaps: overlaps(runs),
        grade: runs.iter().map(|(_, run)| run.grade).max().unwrap_or(Grade::A),
    };
    if !sum.is_complete() {
        sum.grade = Grade::D;
    }
    sum
}

fn missing(run: usize, of: &Run) -> impl Iterator<Item = RunMissing> {
    let fields = [
        of.until.is_none().then_some(MissingField::Until),
        of.reason.is_none().then_some(MissingField::Reason),
        of.litres.is_none().then_some(MissingField::Litres),
    ];
    fields.into_iter().flatten().map(move |field| RunMissing { run, field })
}

/// Each run that began before an earlier one had ended: among those that state their fuel first, so that none of them is hidden
/// by a longer one that states none.
fn overlaps(runs: &[(usize, &Run)]) -> Vec<RunsOverlap> {
    let fuelled: Vec<_> = runs.iter().filter(|(_, run)| run.litres.is_some()).copied().collect();
    let twice = pairs(&fuelled).map(|(run, with)| RunsOverlap { run, with, both_state_litres: true });
    let mut found: Vec<RunsOverlap> = twice.collect();
    for (run, with) in pairs(runs) {
        if !found.iter().any(|overlap| (overlap.run, overlap.with) == (run, with)) {
            found.push(RunsOverlap { run, with, both_state_litres: false });
        }
    }
    found
}

/// Each run with the earlier one that ended last, where that was after it had begun.
fn pairs(runs: &[(usize, &Run)]) -> impl Iterator<Item = (usize, usize)> {
    let mut spans: Vec<(Instant, Instant, usize)> =
        runs.iter().filter_map(|(place, run)| Some((run.from, run.until?, *place))).collect();
    spans.sort_unstable();
    let mut last: Option<(Instant, usize)> = None;
    spans.into_iter().filter_map(move |(from, until, place)| {
        let with = last.filter(|(end, _)| from < *end && from < until).map(|(_, with)| (place, with));
        if last.is_none_or(|(end, _)| until > end) {
            last = Some((until, place));
        }
        with
    })
}

/// The time that at least one of some runs covers.
fn union<'a>(runs: impl Iterator<Item = &'a Run>) -> Hours {
    let mut spans: Vec<(Instant, Instant)> = runs.filter_map(|run| Some((run.from, run.until?))).collect();
    spans.sort_unstable();
    let (mut micros, mut covered) = (0_i64, Instant::FIRST);
    for (from, until) in spans {
        micros = micros.saturating_add((until.micros() - from.max(covered).micros()).max(0));
        covered = covered.max(until);
    }
    Hours::from_seconds(micros / 1_000_000)
}
