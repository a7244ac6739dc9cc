//! The tests of a set up to a day: which runs counted, what is due next, and whether the annual test is owed.

use std::collections::BTreeSet;

use interval::{DueState, Fraction, Grade};
use model::{Hours, Instant, LocalDate, Zone, unit::Ignition};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    annual::annual,
    judge::{Judged, QualifiedBy, RunVerdict, Shortfall, judge},
    rules::{AnnualTrigger, Due, TestKind, TestPolicy},
    run::{Load, Run, Set},
    spacing::{Spacing, spacing},
    stages::share_of,
    trace::ExerciseTrace,
};
use crate::{
    asked::Asked,
    caution::{AUTOMATIC_START, CARBON_MONOXIDE, Caution},
};

/// The tests of a set up to a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct TestRecord {
    /// The day.
    #[schema(value_type = String, format = Date)]
    pub on: LocalDate,
    /// Each run, in order, with what each rule says of it.
    pub runs: Vec<JudgedRun>,
    /// When each kind of test is due.
    pub due: Vec<DueTest>,
    /// Whether the annual test is owed.
    pub annual: AnnualOwed,
    /// What exercising came to.
    pub effectiveness: Effectiveness,
    /// What the answer rests on.
    pub trace: Vec<ExerciseTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// A run with what each rule says of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct JudgedRun {
    /// When it began.
    #[schema(value_type = String, format = DateTime)]
    pub started_at: Instant,
    /// On which day there.
    #[schema(value_type = String, format = Date)]
    pub on: LocalDate,
    /// How long it ran: all of it counts as engine hours.
    #[schema(value_type = f64)]
    pub hours: Hours,
    /// What each rule says.
    pub judged: Vec<Judged>,
}

/// When a test of a kind is due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DueTest {
    /// Which.
    pub kind: TestKind,
    /// Its state; unknown where no run ever counted.
    pub state: DueState,
    /// The last run that counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub last_on: Option<LocalDate>,
    /// Days since then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub days_since: Option<i32>,
    /// How the runs that counted follow each other, by which rule, and the window of the next.
    pub spacing: Spacing,
    /// How well the state is known: as well as the last run that counted.
    pub grade: Grade,
    /// What to enter or to do where no run counted.
    pub missing: Vec<Asked>,
}

/// Whether the annual test is owed. Of the readings of "annual" the one taken: one such test, made after the last month that
/// fell short, settles all months before it, however long ago they were; until then it is owed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AnnualOwed {
    /// Whether it is; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub owed: Option<bool>,
    /// The first days of the months in which no run kept its least load or exhaust temperature: of the last 12 months, and
    /// of all before for which the annual test was not made since.
    #[schema(value_type = Vec<String>)]
    pub months_short: Vec<LocalDate>,
    /// The last annual test that counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub last_on: Option<LocalDate>,
    /// The first days of the months, of the last 12 since the first run written down, of which it is not known.
    #[schema(value_type = Vec<String>)]
    pub months_not_known: Vec<LocalDate>,
    /// What decides whether it is owed.
    pub trigger: AnnualTrigger,
    /// How well it is known: C where a month fell short only because nobody wrote down the exhaust temperature.
    pub grade: Grade,
    /// What to enter.
    pub missing: Vec<Asked>,
}

/// What exercising a set came to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = ExerciseEffectiveness)]
pub struct Effectiveness {
    /// Runs in all.
    pub runs: usize,
    /// Runs that counted for something.
    pub counted: usize,
    /// The share of runs that counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.3333)]
    pub share: Option<Fraction>,
    /// Hours of all runs.
    #[schema(value_type = f64, example = 1.53)]
    pub hours: Hours,
    /// Runs of a diesel all of which lay below the least load, where unburned fuel settles; absent of other engines.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub light_runs: Option<usize>,
    /// Where the least load comes from.
    #[schema(value_type = String)]
    pub light_source: &'static str,
}

const CAUTIONS: [Caution; 3] = [
    Caution {
        caution: "spark_arrester",
        text: "Where an order in fire season asks for it, run a set only with a spark arrester that works, on cleared ground.",
        source: "36 CFR 261.52(j), only where an order says so",
    },
    CARBON_MONOXIDE,
    AUTOMATIC_START,
];

/// Judges all runs up to a day in the zone where the set stands.
#[must_use]
pub fn test_record(runs: &[Run], set: &Set, policy: &TestPolicy, zone: &Zone, at: LocalDate) -> TestRecord {
    let mut sorted: Vec<&Run> = runs.iter().filter(|run| zone.date(run.started_at()) <= at).collect();
    sorted.sort_by_key(|run| run.started_at());
    let judged: Vec<JudgedRun> = sorted.iter().map(|run| judged(run, set, policy, zone)).collect();
    let mut trace = vec![ExerciseTrace::PolicyUsed { policy: policy.policy, edition: policy.edition }];
    let later = runs.len() - sorted.len();
    trace.extend((later > 0).then_some(ExerciseTrace::LeftOutLater { runs: later }));
    let no_rule = policy.due.iter().filter(|due| !policy.fits(due.kind, set));
    trace.extend(no_rule.map(|due| ExerciseTrace::NoRuleFits { kind: due.kind }));
    let annual = annual(&sorted, &judged, set, policy, at);
    TestRecord {
        on: at,
        due: policy
            .due
            .iter()
            .map(|due| due_test(due, &judged, &annual, policy.fits(due.kind, set), at))
            .collect(),
        effectiveness: effectiveness(&sorted, &judged, set, policy),
        annual,
        runs: judged,
        trace,
        cautions: CAUTIONS.to_vec(),
    }
}

fn judged(run: &Run, set: &Set, policy: &TestPolicy, zone: &Zone) -> JudgedRun {
    // Rules for engines lit another way say nothing worth reading.
    let rules = policy
        .rules
        .iter()
        .filter(|rule| rule.ignition.is_none_or(|ignition| set.ignition.is_none_or(|is| is == ignition)));
    JudgedRun {
        started_at: run.started_at(),
        on: zone.date(run.started_at()),
        hours: run.lasted(),
        judged: rules.map(|rule| judge(run, set, rule)).collect(),
    }
}

impl JudgedRun {
    /// By what it counts for a kind of test, if it does.
    pub(super) fn counts(&self, kind: TestKind) -> Option<QualifiedBy> {
        self.judged.iter().filter(|judged| judged.counts_for.contains(&kind)).find_map(|judged| match judged
            .verdict
        {
            RunVerdict::Qualifies { by } => Some(by),
            RunVerdict::Fails { .. } | RunVerdict::Unknown { .. } => None,
        })
    }

    /// Whether it cannot be told if it counts.
    pub(super) fn not_known(&self, kind: TestKind) -> bool {
        let of_kind = self.judged.iter().filter(|judged| judged.counts_for.contains(&kind));
        of_kind.map(|judged| &judged.verdict).any(|verdict| matches!(verdict, RunVerdict::Unknown { .. }))
    }

    /// What to enter so that it can be told if it counts.
    fn lacks(&self, kind: TestKind) -> impl Iterator<Item = &Asked> {
        let of_kind = self.judged.iter().filter(move |judged| judged.counts_for.contains(&kind));
        of_kind.flat_map(|judged| match &judged.verdict {
            RunVerdict::Unknown { missing } => missing.as_slice(),
            RunVerdict::Qualifies { .. } | RunVerdict::Fails { .. } => &[],
        })
    }

    /// The grade of what the rules of a kind say of it.
    pub(super) fn grade(&self, kind: TestKind) -> Grade {
        let of_kind = self.judged.iter().filter(|judged| judged.counts_for.contains(&kind));
        of_kind.map(|judged| judged.grade).max().unwrap_or(Grade::A)
    }

    /// Whether it did not count because it carried too little.
    pub(super) fn load_too_low(&self, kind: TestKind) -> bool {
        let reasons = |judged: &Judged| match &judged.verdict {
            RunVerdict::Fails { reasons } => reasons.clone(),
            RunVerdict::Qualifies { .. } | RunVerdict::Unknown { .. } => Vec::new(),
        };
        let low = |reason: &Shortfall| matches!(reason, Shortfall::LoadTooLow { .. } | Shortfall::NoLoad);
        let of_kind = self.judged.iter().filter(|judged| judged.counts_for.contains(&kind));
        of_kind.flat_map(reasons).any(|reason| low(&reason))
    }
}

fn due_test(due: &Due, runs: &[JudgedRun], annual: &AnnualOwed, fits: bool, at: LocalDate) -> DueTest {
    let kind = due.kind;
    let counted = || runs.iter().filter(|run| run.counts(kind).is_some());
    let days: Vec<LocalDate> = counted().map(|run| run.on).collect();
    let spacing = spacing(&days, due.rule);
    let last = counted().max_by_key(|run| run.on);
    let last_on = last.map(|run| run.on);
    let by_days = by_days(due, &spacing, at);
    let state = match (kind, annual.owed) {
        _ if !fits => DueState::NotApplicable,
        (TestKind::Annual, Some(true)) if by_days != DueState::Overdue => DueState::Due,
        (TestKind::Annual, None) => DueState::Unknown,
        // It was made and holds for its year; after that it is asked for only where a month fell short.
        (TestKind::Annual, Some(false)) if matches!(by_days, DueState::Overdue | DueState::Unknown) => {
            DueState::NotApplicable
        }
        _ => by_days,
    };
    let grade = match state {
        DueState::Unknown => Grade::D,
        DueState::NotApplicable if kind == TestKind::Annual => annual.grade,
        DueState::NotApplicable => Grade::A,
        _ if kind == TestKind::Annual => annual.grade.max(grade_of(last, kind)),
        _ => grade_of(last, kind),
    };
    let missing = if kind == TestKind::Annual && annual.owed.is_none() {
        annual.missing.clone()
    } else if last_on.is_none() && state != DueState::NotApplicable {
        asked(kind, runs)
    } else {
        Vec::new()
    };
    let days_since = last_on.map(|last| at.days_since(last));
    DueTest { kind, state, last_on, days_since, spacing, grade, missing }
}

/// What would tell of the runs whether one counts; a run, where none of them can.
fn asked(kind: TestKind, runs: &[JudgedRun]) -> Vec<Asked> {
    let lacks: BTreeSet<&Asked> = runs.iter().flat_map(|run| run.lacks(kind)).collect();
    let run = || Asked::at("/runs", "A run with its load that counts as a test, or make one.");
    if lacks.is_empty() { vec![run()] } else { lacks.into_iter().cloned().collect() }
}

/// By the window of the next test alone.
fn by_days(due: &Due, spacing: &Spacing, at: LocalDate) -> DueState {
    let (Some(from), Some(by)) = (spacing.next_from, spacing.next_by) else { return DueState::Unknown };
    let coming = due.lead_days.map_or(from, |days| by.plus_days(-days));
    if at > by {
        DueState::Overdue
    } else if at == by {
        DueState::Due
    } else if at >= coming {
        DueState::ComingDue
    } else {
        DueState::Ok
    }
}

/// How well it is known that a run counts: by the rule that tells it best.
fn grade_of(run: Option<&JudgedRun>, kind: TestKind) -> Grade {
    let qualifies = |judged: &&Judged| {
        judged.counts_for.contains(&kind) && matches!(judged.verdict, RunVerdict::Qualifies { .. })
    };
    let rules = run.into_iter().flat_map(|run| &run.judged);
    rules.filter(qualifies).map(|judged| judged.grade).min().unwrap_or(Grade::A)
}

fn effectiveness(runs: &[&Run], judged: &[JudgedRun], set: &Set, policy: &TestPolicy) -> Effectiveness {
    let kinds = [TestKind::Monthly, TestKind::Annual, TestKind::Triennial];
    let counted = judged.iter().filter(|run| kinds.iter().any(|kind| run.counts(*kind).is_some())).count();
    let below = |load: Load| {
        share_of(load, set.nameplate).is_some_and(|share| share < policy.light_load.wet_stacking_below)
    };
    let light = runs.iter().filter(|run| run.stretches().iter().all(|stretch| below(stretch.load))).count();
    let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
    Effectiveness {
        runs: runs.len(),
        counted,
        share: (!runs.is_empty()).then(|| Fraction::of(number(counted), number(runs.len()))),
        hours: judged.iter().fold(Hours::ZERO, |sum, run| sum + run.hours),
        light_runs: (set.ignition == Some(Ignition::Compression)).then_some(light),
        light_source: policy.light_load.source,
    }
}
