//! What answers about tests rest on.

use serde::Serialize;
use utoipa::ToSchema;

/// One thing that an answer rests on, or that it leaves out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum ExerciseTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
    },
    /// The rule applied.
    RuleUsed {
        /// Its name.
        #[schema(value_type = String)]
        rule: &'static str,
        /// Where its figures come from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// The class of the set is shorter than the rule; so long is enough.
    ClassUsed {
        /// The hours of the class.
        #[schema(value_type = f64)]
        hours: model::Hours,
    },
    /// Whether the exhaust reached its temperature is not known; only the load was judged.
    ExhaustTemperatureNotKnown,
    /// Whether it was at operating temperature is not known; it counts as it was.
    OperatingTemperatureNotKnown,
    /// Whether the engine was run before the transfer is not known; it counts as if it was not.
    TransferNotKnown,
    /// It was written down as several runs, which count as the stages of one: each began within five minutes of the end of that
    /// before (common practice for changing the load).
    StagesJoined {
        /// How many.
        runs: usize,
        /// How long it was between them in all: that it ran on meanwhile is taken, not known.
        #[schema(value_type = f64)]
        pause_hours: model::Hours,
    },
    /// It was not started by a transfer of the load; the transfer switch is to be operated each month as well (value from
    /// memory).
    NotByTransfer,
    /// No rule of the policy fits an engine lit like this one, so that no such test is asked of it.
    NoRuleFits {
        /// The kind of test.
        kind: super::rules::TestKind,
    },
    /// Runs after the day that was asked for.
    LeftOutLater {
        /// How many.
        runs: usize,
    },
}
