//! What a ledger tells.

use interval::Grade;
use model::{Hours, Instant};
use serde::Serialize;
use utoipa::ToSchema;

use super::{OverlapRule, RunClass};
use crate::asked::Asked;

/// The hours of an engine by calendar year at its site.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Ledger {
    /// The years in which it ran, or of which the meter is known, in order.
    pub years: Vec<YearLedger>,
    /// The policy that they are judged by.
    #[schema(example = "emergency_engine_hours")]
    pub policy: String,
    /// Its edition.
    #[schema(example = "1")]
    pub edition: String,
    /// Where its limits are written.
    #[schema(example = "40 CFR 63.6640(f), 60.4211(f), 60.4243(d)")]
    pub source: String,
    /// How a time was classed that several runs cover.
    pub overlap_rule: OverlapRule,
    /// The zone in which years begin.
    #[schema(example = "America/Denver")]
    pub zone: String,
    /// What to enter where there is no year, since neither a run nor the meter is known; else each year says it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub missing: Vec<Asked>,
    /// What was used, what was left out, and why.
    pub trace: Vec<LedgerTrace>,
}

/// The hours of one calendar year.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct YearLedger {
    /// The year.
    #[schema(example = 2025)]
    pub year: i16,
    /// Hours run in emergencies; not limited.
    #[schema(value_type = f64, example = 86.2)]
    pub emergency: Hours,
    /// Hours run for maintenance checks and readiness tests.
    #[schema(value_type = f64, example = 22.5)]
    pub maintenance_test: Hours,
    /// Hours run for anything else.
    #[schema(value_type = f64, example = 31.0)]
    pub non_emergency: Hours,
    /// Logged hours of which no run says what they were for.
    #[schema(value_type = f64, example = 9.5)]
    pub unclassified: Hours,
    /// All logged hours, each once; those of a run known by its day only by themselves.
    #[schema(value_type = f64, example = 149.2)]
    pub logged: Hours,
    /// Those of them that were run between the readings of the meter, with which it is compared; absent where all were.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 140.0)]
    pub logged_between_readings: Option<Hours>,
    /// What the meter moved between its readings in the year, where that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 149.2)]
    pub meter: Option<Hours>,
    /// Hours that the meter shows and no run between its readings explains; absent without a meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.0)]
    pub unlogged: Option<Hours>,
    /// Whether meter and runs agree.
    pub reconciled: Reconciled,
    /// What of the limits is used, by what is known.
    pub known: Used,
    /// The same where every unclassified and every unlogged hour was the class that hurts most, those of unclassified runs that
    /// overlap others among them.
    pub worst: Used,
    /// The class that unclassified and unlogged hours have in the worst case: it uses both limits.
    pub worst_class: RunClass,
    /// Whether the year keeps to the limits.
    pub verdict: YearVerdict,
    /// A where the meter bears out the runs and no overlap was settled by rule, C without that.
    pub grade: Grade,
    /// What to enter so that the ledger says more.
    pub to_enter: Vec<ToEnter>,
}

/// How far the limits are used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Used {
    /// Hours for maintenance, tests and non-emergency use.
    #[schema(value_type = f64, example = 53.5)]
    pub counted: Hours,
    /// The most that may be.
    #[schema(value_type = f64, example = 100.0)]
    pub most_counted: Hours,
    /// What is left of it.
    #[schema(value_type = f64, example = 46.5)]
    pub headroom: Hours,
    /// By how much it is exceeded.
    #[schema(value_type = f64, example = 0.0)]
    pub over: Hours,
    /// Hours for non-emergency use among them.
    #[schema(value_type = f64, example = 31.0)]
    pub non_emergency: Hours,
    /// The most that may be.
    #[schema(value_type = f64, example = 50.0)]
    pub most_non_emergency: Hours,
    /// What is left for non-emergency use, within both limits.
    #[schema(value_type = f64, example = 19.0)]
    pub non_emergency_headroom: Hours,
    /// By how much it is exceeded.
    #[schema(value_type = f64, example = 0.0)]
    pub non_emergency_over: Hours,
}

/// Whether a year keeps to the limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum YearVerdict {
    /// Within both, and the meter bears it out, whatever the unclassified and unlogged hours were.
    Within,
    /// Within both by the runs that were logged; no meter says whether those are all, it shows less than they, or some were run
    /// before its first reading or after its last.
    WithinAsLogged,
    /// Over one of them if the unclassified and unlogged hours were the class that hurts most.
    OverIfUnclassified,
    /// Over one of them: it is no emergency engine in that year.
    Over,
}

/// Whether meter and runs agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Reconciled {
    /// As near as the policy asks.
    Agrees,
    /// The meter moved more than was logged.
    MeterShowsMore,
    /// More was logged than the meter moved.
    RunsShowMore,
    /// It is not known what the meter moved.
    NoMeter,
}

/// Something to enter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = LedgerToEnter)]
pub enum ToEnter {
    /// What a run was for.
    ClassifyRun {
        /// The run.
        run: String,
        /// Its hours in the year that would count otherwise if it was non-emergency use; those that it shares with another
        /// unclassified run stand at one of them.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// Runs that are missing, or why the meter moved without one.
    LogRuns {
        /// The hours that no run explains.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// Which runs or readings are wrong: more was logged than the meter moved.
    CheckRuns {
        /// By how much.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// The meter at the turn of the years, and after the last run (40 CFR 63.6655(f)).
    ReadMeter,
    /// Why a run was an emergency, or what else it was for (40 CFR 63.6655(f), 60.4214(b)).
    GiveReason {
        /// The run.
        run: String,
    },
    /// Which class is right, where overlapping runs name different ones.
    SettleOverlap {
        /// The runs.
        runs: Vec<String>,
        /// The hours that they share in the year.
        #[schema(value_type = f64)]
        hours: Hours,
    },
}

/// What was used, and what was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum LedgerTrace {
    /// A run was used.
    RunUsed {
        /// The run.
        run: String,
        /// Its class in the end.
        class: RunClass,
        /// Its incident, if any.
        #[serde(skip_serializing_if = "Option::is_none")]
        incident: Option<String>,
        /// Its own hours, overlaps included.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// A run was split where a year begins.
    SplitAtNewYear {
        /// The run.
        run: String,
        /// Local midnight.
        #[schema(value_type = String)]
        at: Instant,
    },
    /// A later word changed what a run was for.
    Reclassified {
        /// The run.
        run: String,
        /// What it was entered as.
        entered_as: RunClass,
        /// What it counts as.
        counts_as: RunClass,
        /// The record that says so.
        record: String,
        /// When that was recorded.
        #[schema(value_type = String)]
        recorded_at: Instant,
        /// Who said so.
        by: String,
        /// Why.
        reason: String,
    },
    /// A later word was left out: a still later one is about the same run.
    Superseded {
        /// The run.
        run: String,
        /// The record.
        record: String,
        /// The class that it gave.
        class: RunClass,
    },
    /// A word was left out: it was recorded after the time asked for.
    NotYetKnown {
        /// The run.
        run: String,
        /// The record.
        record: String,
    },
    /// Runs overlap: their time counts once.
    Overlap {
        /// The runs.
        runs: Vec<String>,
        /// The class that the time has.
        class: RunClass,
        /// The year.
        year: i16,
        /// How long they overlap in it.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// A run was counted by itself: only its day is known, so that nothing says that it ran while another did.
    CountedByItself {
        /// The run.
        run: String,
    },
    /// What the meter moved was used.
    MeterUsed {
        /// The year.
        year: i16,
        /// The hours.
        #[schema(value_type = f64)]
        hours: Hours,
        /// From which reading on, or since the year began; absent where the whole year is known.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>, format = DateTime)]
        from: Option<Instant>,
        /// Up to which reading, or the end of the year.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>, format = DateTime)]
        until: Option<Instant>,
    },
}
