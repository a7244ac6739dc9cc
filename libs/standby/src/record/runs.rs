//! Runs and demands to start, put together from the events that tell of them.

use std::{
    collections::{BTreeMap, BTreeSet},
    ops::RangeInclusive,
};

use interval::{Fraction, Grade, Happened};
use model::{
    EventId, Hours, Instant, LocalDate,
    event::{Details, Run, RunMeasured, RunPhase, RunReason},
};

use super::Record;
use crate::{
    exercise::{self, Load, Stretch},
    readiness::StartOutcome,
};

/// A run as one or two events tell of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RunTold {
    /// The event of the whole run, or of its start.
    pub id: EventId,
    /// When it began; where only the day is known, its first instant.
    pub from: Instant,
    /// On which day, where the set stood.
    pub on: LocalDate,
    /// Whether of its start only the day is known.
    pub day_only: bool,
    /// Whether its length was told, and not when it ended.
    pub length_told: bool,
    /// How it ended.
    pub end: RunEnd,
    /// Where nobody wrote down when it ended, when it had at the latest by what else shows it; where it ended after the instant asked
    /// about, when.
    pub ended_by: Option<Instant>,
    /// How far its length may be off, either way.
    pub give_or_take: Hours,
    /// What for.
    pub reason: Option<RunReason>,
    /// What was seen of it.
    pub measured: RunMeasured,
    /// All events that tell of it.
    pub evidence: Vec<EventId>,
    /// How well its length is known.
    pub grade: Grade,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RunEnd {
    /// It stopped then.
    Stopped(Instant),
    /// It goes on.
    GoesOn,
    /// It ended, but nobody wrote down when.
    NotKnown,
}

/// A time that the set was to start.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Demand {
    /// The event that tells of it.
    pub id: EventId,
    /// When.
    pub at: Instant,
    /// How it went.
    pub outcome: StartOutcome,
}

impl RunTold {
    /// When it ended, for one that goes on by `at`; none where nobody wrote it down.
    #[must_use]
    pub const fn until(&self, at: Instant) -> Option<Instant> {
        match self.end {
            RunEnd::Stopped(until) => Some(until),
            RunEnd::GoesOn => Some(at),
            RunEnd::NotKnown => None,
        }
    }

    /// How long it lasted, or has lasted by `at`.
    #[must_use]
    pub fn lasted(&self, at: Instant) -> Option<Hours> {
        self.until(at).map(|until| Hours::from_seconds(until.seconds_since(self.from)))
    }

    /// The load as it was written down.
    #[must_use]
    pub fn load(&self) -> Load {
        let of_percent = |percent: model::quantity::Percent| Fraction::of(percent.hundredths(), 10_000);
        match (self.measured.load_kw, self.measured.load_percent) {
            (Some(kilowatts), _) if kilowatts.hundredths() == 0 => Load::Off,
            (Some(kilowatts), _) => Load::Kilowatts(kilowatts),
            (None, Some(percent)) if percent.hundredths() == 0 => Load::Off,
            (None, Some(percent)) => Load::Share(of_percent(percent)),
            (None, None) => Load::NotKnown,
        }
    }
}

impl Record<'_> {
    /// The runs, the first first. Of two that were started and only one stopped, the other ended nobody knows when; one that had
    /// not ended at the instant asked about goes on.
    #[must_use]
    pub fn runs(&self) -> Vec<RunTold> {
        let mut stops: BTreeMap<EventId, Vec<(&Happened, &Run)>> = BTreeMap::new();
        for (event, run) in self.picked(run) {
            if let RunPhase::Stop { run_id } = run.phase {
                stops.entry(run_id).or_default().push((event, run));
            }
        }
        let mut runs: Vec<RunTold> = self.picked(run).filter_map(|(event, run)| begun(event, run)).collect();
        for told in &mut runs {
            // As with engine hours, the first stop after the start counts.
            let all = stops.get(&told.id).filter(|_| told.end == RunEnd::GoesOn);
            if let Some((event, run)) = all.and_then(|all| all.iter().find(|(stop, _)| stop.at >= told.from))
            {
                told.stop(event.id, event.at, run);
            }
        }
        self.end_forgotten(&mut runs);
        for run in &mut runs {
            if let RunEnd::Stopped(until) = run.end
                && until > self.at
            {
                (run.end, run.ended_by) = (RunEnd::GoesOn, Some(until));
            }
        }
        runs
    }

    /// A run that was never stopped cannot go on where the set was started again, or where the fold of its hours shows that it
    /// stopped.
    fn end_forgotten(&self, runs: &mut [RunTold]) {
        let goes_on = self.state.open_run_at(self.at).map(|open| open.event_id);
        let is_forgotten = |run: &&mut RunTold| run.end == RunEnd::GoesOn && goes_on != Some(run.id);
        let mut ended_by: Option<BTreeMap<EventId, Instant>> = None;
        for run in runs.iter_mut().filter(is_forgotten) {
            let ended_by = ended_by.get_or_insert_with(|| {
                self.state
                    .stops_missing_at(self.at)
                    .map(|missing| (missing.event_id, missing.until))
                    .collect()
            });
            (run.end, run.grade) = (RunEnd::NotKnown, Grade::D);
            run.ended_by = ended_by.get(&run.id).copied();
        }
    }

    /// The run that goes on, if one does.
    #[must_use]
    pub fn open_run(&self) -> Option<RunTold> {
        self.runs().into_iter().find(|run| run.end == RunEnd::GoesOn)
    }

    /// The runs that ended, as the rules for tests ask them. One whose end nobody wrote down proves nothing; one that began within
    /// five minutes of the end of another, for the same reason, is the next stage of the same test.
    #[must_use]
    pub fn test_runs(&self) -> Vec<exercise::Run> {
        tests(&self.runs(), self.at).into_iter().map(|(_, test)| test).collect()
    }

    /// The times that it was to start, the first first, since its engine was last replaced. Two records of one run are one
    /// demand.
    #[must_use]
    pub fn demands(&self) -> Vec<Demand> {
        self.demands_of(&self.runs())
    }

    pub(super) fn demands_of(&self, runs: &[RunTold]) -> Vec<Demand> {
        let replaced = self.picked(|details| match details {
            Details::Component(change) if change.component == model::event::Component::Engine => Some(()),
            _ => None,
        });
        let since = replaced.map(|(event, ())| event.at).next_back();
        let again = again(runs, self.at);
        let all = self.picked(run).filter_map(|(event, run)| {
            let outcome = outcome(run).filter(|_| !again.contains(&event.id))?;
            Some(Demand { id: event.id, at: event.at, outcome })
        });
        all.filter(|demand| since.is_none_or(|since| demand.at >= since)).collect()
    }
}

/// The runs that began while another was on: an engine that runs is not started, so they tell of the same run.
fn again(runs: &[RunTold], at: Instant) -> BTreeSet<EventId> {
    let mut on_until = Instant::FIRST;
    let timed = runs.iter().filter(|run| !run.day_only);
    timed
        .filter_map(|run| {
            let is_again = run.from < on_until;
            on_until = on_until.max(run.until(at).unwrap_or(on_until));
            is_again.then_some(run.id)
        })
        .collect()
}

fn run(details: &Details) -> Option<&Run> {
    if let Details::Run(run) = details { Some(run) } else { None }
}

/// A run that came about is a success, at a later try where that was written down.
fn outcome(run: &Run) -> Option<StartOutcome> {
    let tries = run.measured.start_attempts.unwrap_or(1);
    match run.phase {
        RunPhase::Stop { .. } => None,
        RunPhase::NoStart => Some(StartOutcome::Failed),
        _ if tries > 1 => Some(StartOutcome::LaterTry),
        _ => Some(StartOutcome::FirstTry),
    }
}

/// The run that an event tells of, if it tells of more than an end.
fn begun(event: &Happened, run: &Run) -> Option<RunTold> {
    let told = |end| RunTold {
        id: event.id,
        from: event.at,
        on: event.on,
        day_only: event.day_only,
        length_told: false,
        end,
        ended_by: None,
        give_or_take: Hours::ZERO,
        reason: run.reason,
        measured: run.measured.clone(),
        evidence: vec![event.id],
        grade: Grade::A,
    };
    match &run.phase {
        RunPhase::NoStart | RunPhase::Stop { .. } => None,
        RunPhase::Start => Some(told(RunEnd::GoesOn)),
        RunPhase::Until { stopped_at, .. } => {
            let mut whole = told(RunEnd::GoesOn);
            whole.ended_at(stopped_at.instant);
            Some(whole)
        }
        RunPhase::For { run_hours, give_or_take_hours } => {
            let whole = told(RunEnd::Stopped(event.at.plus_seconds(run_hours.seconds())));
            let give_or_take = give_or_take_hours.unwrap_or(Hours::ZERO);
            let grade = if give_or_take > Hours::ZERO { Grade::C } else { Grade::A };
            Some(RunTold { length_told: true, give_or_take, grade, ..whole })
        }
    }
}

impl RunTold {
    /// What the stop tells comes to what the start told.
    fn stop(&mut self, id: EventId, at: Instant, run: &Run) {
        self.ended_at(at);
        self.evidence.push(id);
        self.measured = RunMeasured { start_attempts: self.measured.start_attempts, ..run.measured.clone() };
    }

    /// It ended then; where of its start only the day is known, it lasted from its first instant at the most.
    fn ended_at(&mut self, at: Instant) {
        self.end = RunEnd::Stopped(at);
        if self.day_only {
            self.give_or_take = Hours::from_seconds(at.seconds_since(self.from).max(0));
            self.grade = Grade::C;
        }
    }
}

/// Runs as a rule for tests asks them, each with the runs that it was written down as: a test whose load was changed in steps is
/// written down as one run after the other.
pub(super) fn tests(runs: &[RunTold], at: Instant) -> Vec<(&[RunTold], exercise::Run)> {
    runs.chunk_by(is_next_stage).filter_map(|stages| Some((stages, test_run(stages, at)?))).collect()
}

/// So soon after the end of a run the next is a stage of the same test (common practice for changing the load).
const BETWEEN_STAGES: RangeInclusive<i64> = 0..=300;

fn is_next_stage(run: &RunTold, next: &RunTold) -> bool {
    let sure = |run: &RunTold| !run.day_only && run.give_or_take == Hours::ZERO;
    let soon =
        matches!(run.end, RunEnd::Stopped(until) if BETWEEN_STAGES.contains(&next.from.seconds_since(until)));
    soon && sure(run) && sure(next) && run.reason == next.reason && matches!(next.end, RunEnd::Stopped(_))
}

/// The runs as one: without load it was before the first stage and after the last, and in a run alone half each.
fn test_run(stages: &[RunTold], at: Instant) -> Option<exercise::Run> {
    let (first, last) = (stages.first()?, stages.len() - 1);
    let mut stretches = Vec::new();
    for (place, run) in stages.iter().enumerate() {
        let warm = |unloaded: Hours| match place {
            0 if last == 0 => Hours::from_seconds(unloaded.seconds() / 2),
            0 => unloaded,
            _ => Hours::ZERO,
        };
        stretches.extend(stretches_of(run, warm, at)?);
    }
    let mut made = exercise::Run::of(first.from, stretches).ok()?;
    let measured = || stages.iter().map(|run| &run.measured);
    made.exhaust_temperature_reached = ever(measured().map(|told| told.exhaust_temperature_reached));
    made.operating_temperature_reached = ever(measured().map(|told| told.operating_temperature_reached));
    made.ran_before_transfer = first.measured.ran_before_transfer;
    made.transferred_load = ever(measured().map(|told| told.transferred_load));
    let pause = |pair: &[RunTold]| match pair {
        [run, next] => next.from.seconds_since(run.until(at).unwrap_or(next.from)),
        _ => 0,
    };
    let pauses = Hours::from_seconds(stages.windows(2).map(pause).sum());
    made.joined = (last > 0).then_some(exercise::Joined { runs: stages.len(), pauses });
    Some(made)
}

/// Whether it came about in some stage; not known where it may have in one of which nobody wrote it down.
fn ever(told: impl Iterator<Item = Option<bool>>) -> Option<bool> {
    let (mut all_told, mut came) = (true, false);
    for one in told {
        all_told &= one.is_some();
        came |= one == Some(true);
    }
    (all_told || came).then_some(came)
}

/// The part of a run that may not have been counts as one whose load nobody wrote down.
fn stretches_of(run: &RunTold, warm: impl Fn(Hours) -> Hours, at: Instant) -> Option<Vec<Stretch>> {
    let lasted = if matches!(run.end, RunEnd::Stopped(_)) { run.lasted(at)? } else { return None };
    let unloaded = Hours::from_seconds(run.measured.unloaded_minutes.unwrap_or(0) * 60).min(lasted);
    let doubtful = run.give_or_take.min(lasted - unloaded);
    let warm = warm(unloaded);
    let parts = [
        (warm, Load::Off),
        (lasted - unloaded - doubtful, run.load()),
        (doubtful, Load::NotKnown),
        (unloaded - warm, Load::Off),
    ];
    let there = parts.into_iter().filter(|(lasted, _)| *lasted > Hours::ZERO);
    Some(there.map(|(lasted, load)| Stretch { lasted, load }).collect())
}
