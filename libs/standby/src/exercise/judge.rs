//! Whether one run counts by one rule.

use interval::{Fraction, Grade};
use model::{Hours, unit::Ignition};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    rules::{TestKind, TestRule},
    run::{Run, Set},
    stages::{Carrying, carrying, longest_loaded, lowest_share},
    trace::ExerciseTrace,
};
use crate::asked::Asked;

/// By what a run counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = TestQualifiedBy)]
pub enum QualifiedBy {
    /// It carried the load for the time.
    Load,
    /// The exhaust reached the temperature that the maker asks for.
    ExhaustTemperature,
    /// Water temperature and oil pressure settled.
    Settled,
}

/// Why a run does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "reason", rename_all = "snake_case")]
#[schema(as = TestShortfall)]
pub enum Shortfall {
    /// The rule is for engines lit another way.
    NotForThisIgnition {
        /// How engines are lit that the rule is for.
        for_ignition: Ignition,
    },
    /// The engine was run before the transfer: it must take the load cold.
    RanBeforeTransfer,
    /// It was not at operating temperature.
    NotAtOperatingTemperature,
    /// It carried no load.
    NoLoad,
    /// It carried load too short a time without a break; warm-up and cool-down do not count.
    TooShort {
        /// Hours under load.
        #[schema(value_type = f64, example = 0.47)]
        loaded_hours: Hours,
        /// Hours needed.
        #[schema(value_type = f64, example = 0.5)]
        needed_hours: Hours,
    },
    /// It carried too little load for a part of the time.
    LoadTooLow {
        /// The stage of the rule, from 1.
        stage: usize,
        /// The share of the nameplate that it asks for.
        #[schema(value_type = f64, example = 0.3)]
        least_share: Fraction,
        /// Hours for which so much was carried where it belongs.
        #[schema(value_type = f64)]
        held_hours: Hours,
        /// Hours needed.
        #[schema(value_type = f64, example = 0.5)]
        needed_hours: Hours,
    },
}

/// Whether a run counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "verdict", rename_all = "snake_case")]
#[schema(as = TestRunVerdict)]
pub enum RunVerdict {
    /// It does.
    Qualifies {
        /// By what.
        by: QualifiedBy,
    },
    /// It does not.
    Fails {
        /// Why.
        reasons: Vec<Shortfall>,
    },
    /// It cannot be told.
    Unknown {
        /// What to enter.
        missing: Vec<Asked>,
    },
}

/// What a rule says of a run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = JudgedTest)]
pub struct Judged {
    /// The rule.
    #[schema(value_type = String, example = "monthly_30_percent_30_minutes")]
    pub rule: &'static str,
    /// What a run that qualifies by it counts for.
    pub counts_for: Vec<TestKind>,
    /// The verdict.
    #[serde(flatten)]
    pub verdict: RunVerdict,
    /// Hours under load without a break.
    #[schema(value_type = f64, example = 0.47)]
    pub loaded_hours: Hours,
    /// The least share of the nameplate while there was load; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.31)]
    pub lowest_share: Option<Fraction>,
    /// How well it is known.
    pub grade: Grade,
    /// What the answer rests on.
    pub trace: Vec<ExerciseTrace>,
}

/// Whether a run of a set counts by a rule.
#[must_use]
pub fn judge(run: &Run, set: &Set, rule: &TestRule) -> Judged {
    let (stages, class) = stages(set, rule);
    let loaded = longest_loaded(run.stretches(), set.nameplate);
    let needed = stages.iter().fold(Hours::ZERO, |sum, (_, lasts)| sum + *lasts);
    let mut trace = vec![ExerciseTrace::RuleUsed { rule: rule.rule, source: rule.source }];
    trace.extend(class.map(|hours| ExerciseTrace::ClassUsed { hours }));
    let carried = carrying(run.stretches(), &stages, set.nameplate);
    let by = qualified(run, rule, carried, loaded, needed);
    let mut reasons = refused(run, set, rule);
    let verdict = if set.ignition.is_none() && rule.ignition.is_some() {
        let enter = "How the engine is lit: by spark or by compression.";
        RunVerdict::Unknown { missing: vec![Asked::at("/ignition", enter)] }
    } else {
        match by {
            Some(by) if reasons.is_empty() => RunVerdict::Qualifies { by },
            None if carried == Carrying::Perhaps && reasons.is_empty() => {
                RunVerdict::Unknown { missing: asked(run, set) }
            }
            None => {
                reasons.extend(short(carried, &stages, loaded, needed));
                RunVerdict::Fails { reasons }
            }
            Some(_) => RunVerdict::Fails { reasons },
        }
    };
    trace.extend(
        run.joined.map(|one| ExerciseTrace::StagesJoined { runs: one.runs, pause_hours: one.pauses }),
    );
    trace.extend(left_out(run, rule, by));
    let not_told = trace.iter().any(|one| {
        matches!(one, ExerciseTrace::OperatingTemperatureNotKnown | ExerciseTrace::TransferNotKnown)
            || matches!(one, ExerciseTrace::StagesJoined { pause_hours, .. } if *pause_hours > Hours::ZERO)
    });
    let grade = match &verdict {
        RunVerdict::Unknown { .. } => Grade::D,
        // The exhaust temperature would have done instead, and nobody wrote it down.
        RunVerdict::Fails { reasons }
            if matches!(reasons.as_slice(), [Shortfall::LoadTooLow { .. }])
                && trace.contains(&ExerciseTrace::ExhaustTemperatureNotKnown) =>
        {
            Grade::C
        }
        RunVerdict::Qualifies { .. } if not_told => Grade::C,
        RunVerdict::Qualifies { .. } | RunVerdict::Fails { .. } => Grade::A,
    };
    Judged {
        rule: rule.rule,
        counts_for: rule.counts_for.to_vec(),
        verdict,
        loaded_hours: loaded,
        lowest_share: lowest_share(run.stretches(), set.nameplate),
        grade,
        trace,
    }
}

/// The stages, the first shortened so that all come to the class of the set where that is less.
fn stages(set: &Set, rule: &TestRule) -> (Vec<(Fraction, Hours)>, Option<Hours>) {
    let mut stages: Vec<(Fraction, Hours)> =
        rule.stages.iter().map(|stage| (stage.least, stage.lasts)).collect();
    let whole = stages.iter().fold(Hours::ZERO, |sum, (_, lasts)| sum + *lasts);
    let class = set.class.filter(|class| rule.class_shortens && *class < whole && *class > Hours::ZERO);
    if let (Some(class), Some((_, first))) = (class, stages.first_mut()) {
        *first = (*first - (whole - class)).max(Hours::ZERO);
    }
    (stages, class)
}

fn qualified(
    run: &Run,
    rule: &TestRule,
    carried: Carrying,
    loaded: Hours,
    needed: Hours,
) -> Option<QualifiedBy> {
    let hot = rule.exhaust_instead && run.exhaust_temperature_reached == Some(true);
    let settled = rule.settled_instead && run.operating_temperature_reached == Some(true);
    if carried == Carrying::All {
        Some(QualifiedBy::Load)
    } else if hot && loaded >= needed {
        Some(QualifiedBy::ExhaustTemperature)
    } else if settled && loaded > Hours::ZERO {
        Some(QualifiedBy::Settled)
    } else {
        None
    }
}

/// What keeps a run from counting whatever it carried.
fn refused(run: &Run, set: &Set, rule: &TestRule) -> Vec<Shortfall> {
    let other = rule.ignition.filter(|ignition| set.ignition.is_some_and(|is| is != *ignition));
    let warm = rule.cold_start && run.ran_before_transfer == Some(true);
    let cold = run.operating_temperature_reached == Some(false);
    other
        .map(|for_ignition| Shortfall::NotForThisIgnition { for_ignition })
        .into_iter()
        .chain(warm.then_some(Shortfall::RanBeforeTransfer))
        .chain(cold.then_some(Shortfall::NotAtOperatingTemperature))
        .collect()
}

fn short(carried: Carrying, stages: &[(Fraction, Hours)], loaded: Hours, needed: Hours) -> Option<Shortfall> {
    if let Carrying::Not { stage, held } = carried
        && loaded >= needed
    {
        let (least_share, needed_hours) = *stages.get(stage)?;
        return Some(Shortfall::LoadTooLow { stage: stage + 1, least_share, held_hours: held, needed_hours });
    }
    match (carried, loaded) {
        (Carrying::Not { .. }, Hours::ZERO) => Some(Shortfall::NoLoad),
        (Carrying::Not { .. }, _) => Some(Shortfall::TooShort { loaded_hours: loaded, needed_hours: needed }),
        (Carrying::All | Carrying::Perhaps, _) => None,
    }
}

/// What to enter where a load is known but not its share.
pub(super) const RATED_KW: (&str, &str) = ("/rated_kw", "The standby rating of the nameplate in kilowatts.");

fn asked(run: &Run, set: &Set) -> Vec<Asked> {
    let in_kilowatts =
        run.stretches().iter().any(|stretch| matches!(stretch.load, super::run::Load::Kilowatts(_)));
    if set.nameplate.is_none() && in_kilowatts {
        vec![Asked::at(RATED_KW.0, RATED_KW.1)]
    } else {
        vec![Asked::at(
            "/load",
            "The load that the run carried, in kilowatts or as a share of the nameplate.",
        )]
    }
}

fn left_out(run: &Run, rule: &TestRule, by: Option<QualifiedBy>) -> Vec<ExerciseTrace> {
    let exhaust = rule.exhaust_instead && by.is_none() && run.exhaust_temperature_reached.is_none();
    [
        (exhaust, ExerciseTrace::ExhaustTemperatureNotKnown),
        (run.operating_temperature_reached.is_none(), ExerciseTrace::OperatingTemperatureNotKnown),
        (rule.cold_start && run.ran_before_transfer.is_none(), ExerciseTrace::TransferNotKnown),
        (run.transferred_load == Some(false), ExerciseTrace::NotByTransfer),
    ]
    .into_iter()
    .filter_map(|(holds, trace)| holds.then_some(trace))
    .collect()
}
