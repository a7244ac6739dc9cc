//! While the outage is on: what the hours are now, by when a set has to stop, and which checks were missed.

use interval::Grade;
use model::{Code, Hours, Instant};
use serde::Serialize;
use thiserror::Error;
use utoipa::ToSchema;

use super::{EngineHours, HourLimit};

/// A run that goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenRun {
    /// Since when.
    pub since: Instant,
    /// Engine hours then.
    pub engine_hours: EngineHours,
}

/// The run would begin after now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("The run begins after the instant that is asked for.")]
pub struct RunNotBegun;

impl RunNotBegun {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        "run_not_begun"
    }

    /// Which field it is about.
    #[must_use]
    pub const fn pointer(&self) -> &'static str {
        "/running_since"
    }
}

/// A task of a set that runs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LiveTask {
    /// Its code.
    #[schema(value_type = String, example = "oil_change")]
    pub task: Code,
    /// Running hours left by the most that engine hours may be; negative where it is past due.
    #[schema(value_type = f64, example = -2.4)]
    pub left_hours: Hours,
    /// When it is or was due if the set runs on.
    #[schema(value_type = String, format = DateTime)]
    pub due_at: Instant,
    /// By when the set has to stop for it.
    #[schema(value_type = String, format = DateTime)]
    pub stop_by: Instant,
    /// How well the hours are known, and with them the times: an estimate at best.
    pub grade: Grade,
}

impl OpenRun {
    /// Engine hours now: reckoned from the clock, so an estimate at best.
    ///
    /// # Errors
    /// Where the run begins after now.
    pub fn hours(&self, now: Instant) -> Result<EngineHours, RunNotBegun> {
        if now < self.since {
            return Err(RunNotBegun);
        }
        let run = Hours::from_seconds(now.seconds_since(self.since));
        Ok(EngineHours {
            nominal: self.engine_hours.nominal + run,
            upper: self.engine_hours.upper + run,
            grade: self.engine_hours.grade.max(Grade::C),
        })
    }

    /// When a task is due, and by when the set has to stop for it, if it runs on without a break.
    ///
    /// # Errors
    /// Where the run begins after now.
    pub fn task(&self, task: &Code, limit: HourLimit, now: Instant) -> Result<LiveTask, RunNotBegun> {
        let hours = self.hours(now)?;
        let left = limit.due_at - hours.upper;
        let after = |hours: Hours| now.plus_seconds(hours.seconds());
        Ok(LiveTask {
            task: task.clone(),
            left_hours: left,
            due_at: after(left),
            stop_by: after(left + limit.tolerance),
            grade: hours.grade,
        })
    }
}

/// The oil checks of a run: those that were to be made, and which were not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OilChecks)]
pub struct Checks {
    /// Running hours at which one was to be made.
    #[schema(value_type = Vec<f64>)]
    pub expected_hours: Vec<Hours>,
    /// Those of them for which none is recorded within half an interval.
    #[schema(value_type = Vec<f64>)]
    pub missed_hours: Vec<Hours>,
}

/// Holds the checks that were recorded, by hours of the run, against those that a run of some length asks for.
///
/// A recorded check counts for one expected check, the first within half an interval of it. At the end of the run none is asked
/// for. At most 10,000 are named; an interval of nothing asks for none.
#[must_use]
pub fn checks(run: Hours, every: Hours, recorded: &[Hours]) -> Checks {
    let step = every.seconds();
    let count = if step > 0 { (run.seconds().saturating_sub(1).max(0) / step).min(10_000) } else { 0 };
    let expected: Vec<Hours> = (1..=count).map(|nth| Hours::from_seconds(nth.saturating_mul(step))).collect();
    let mut recorded = recorded.to_vec();
    recorded.sort_unstable();
    let mut left = recorded.into_iter().peekable();
    let mut missed = Vec::new();
    for at in &expected {
        let (from, until) = (at.seconds() - step / 2, at.seconds().saturating_add(step / 2));
        while left.next_if(|check| check.seconds() < from).is_some() {}
        if left.next_if(|check| check.seconds() <= until).is_none() {
            missed.push(*at);
        }
    }
    Checks { expected_hours: expected, missed_hours: missed }
}
