//! What a verdict is made of.

use interval::Fraction;
use model::{Code, Hours, Instant, Kilowatts, LocalDate, Metres, id::EventId};
use serde::Serialize;
use utoipa::ToSchema;

use super::policy::{Bound, Found, Text};
use crate::asked::Asked;

/// Whether a set, or what a site needs of its sets, is ready; the best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ReadinessVerdict)]
pub enum Verdict {
    /// Nothing speaks against it.
    Ready,
    /// It is ready, but not for everything.
    ReadyWithLimits,
    /// Something that has to be known is not.
    Unknown,
    /// Something must be put right first.
    NotReady,
}

/// How grave a reason is; the gravest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ReadinessSeverity)]
pub enum Severity {
    /// It is not ready while this lasts.
    Block,
    /// It cannot be said while this is not known.
    Unknown,
    /// It is ready, but with this limit.
    Limit,
    /// Worth knowing; changes nothing.
    Info,
}

impl From<Found> for Severity {
    fn from(found: Found) -> Self {
        match found {
            Found::Block => Self::Block,
            Found::Limit => Self::Limit,
            Found::Info => Self::Info,
        }
    }
}

/// The words for [`Verdict`].
pub const VERDICTS: &[(&str, Verdict)] = &[
    ("ready", Verdict::Ready),
    ("ready_with_limits", Verdict::ReadyWithLimits),
    ("unknown", Verdict::Unknown),
    ("not_ready", Verdict::NotReady),
];

impl Verdict {
    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        VERDICTS.iter().find(|(_, verdict)| *verdict == self).map_or("", |(word, _)| *word)
    }

    /// What a reason alone would make of a set.
    pub(super) const fn by(severity: Severity) -> Self {
        match severity {
            Severity::Block => Self::NotReady,
            Severity::Unknown => Self::Unknown,
            Severity::Limit => Self::ReadyWithLimits,
            Severity::Info => Self::Ready,
        }
    }
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ReadinessReasonCode)]
pub enum ReasonCode {
    /// A critical finding is open.
    CriticalFindingOpen,
    /// A tag or lock puts it out of service.
    TaggedOut,
    /// A job is past its limit and its tolerance.
    JobOverdue,
    /// A job is at its limit, or past it within its tolerance.
    JobDue,
    /// A job comes due.
    JobComingDue,
    /// Somebody with authority put a job off.
    JobDeferred,
    /// The last start failed, and was not put right since.
    LastStartFailed,
    /// The last start came only at a later try.
    StartedAtLaterTry,
    /// The battery failed its test.
    BatteryFailed,
    /// The battery's check is due.
    BatteryDue,
    /// Something that has to be done after storage or repair was not done.
    RecommissionOpen,
    /// It is as good as out of fuel.
    FuelEmpty,
    /// Its fuel does not last as long as it should.
    FuelShort,
    /// Too much of its fuel is past its limit.
    FuelStale,
    /// Its last test that counts is too long ago.
    TestOld,
    /// Its last test that counts will soon be too long ago.
    TestSoonOld,
    /// Its starts do not prove that it starts often enough.
    StartRateLow,
    /// It has to carry more than it can.
    Overloaded,
    /// Its meter was read too long ago.
    ReadingOld,
    /// No alarm for carbon monoxide works.
    CoAlarmMissing,
    /// It stands too near to openings.
    PlacedTooNear,
    /// A fact that the rule needs is not known.
    NotKnown,
}

/// A value with its unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "unit", rename_all = "snake_case")]
#[schema(as = ReadinessMeasure)]
pub enum Measure {
    /// Hours.
    Hours {
        /// How many.
        #[schema(value_type = f64, example = 11.2)]
        value: Hours,
    },
    /// Days.
    Days {
        /// How many.
        value: i64,
    },
    /// A share of a whole.
    Share {
        /// Between 0 and 1.
        #[schema(value_type = f64, example = 0.4286)]
        value: Fraction,
    },
    /// Kilowatts.
    Kilowatts {
        /// How many.
        #[schema(value_type = f64)]
        value: Kilowatts,
    },
    /// Metres.
    Metres {
        /// How many.
        #[schema(value_type = f64)]
        value: Metres,
    },
}

/// One reason for a verdict.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = ReadinessReason)]
pub struct Reason {
    /// How grave it is.
    pub severity: Severity,
    /// What was found.
    pub code: ReasonCode,
    /// The rule that found it.
    #[schema(value_type = String, example = "stale_fuel")]
    pub rule: Text,
    /// The job that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "oil_change")]
    pub job: Option<Code>,
    /// The service events that it rests on.
    #[schema(value_type = Vec<String>)]
    pub evidence: Vec<EventId>,
    /// What was found, measured; days are counted at the instant asked for, from `since`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Measure>,
    /// What it was held against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub threshold: Option<Measure>,
    /// The day that days are counted from.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub since: Option<LocalDate>,
    /// What would clear it.
    #[schema(value_type = String)]
    pub clears: &'static str,
    /// What to enter, where something is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enter: Option<Asked>,
    /// Where the rule comes from.
    #[schema(value_type = String)]
    pub source: Text,
}

/// One thing that a verdict rests on, or that was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = ReadinessTrace)]
pub enum Trace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: Text,
        /// Its edition.
        #[schema(value_type = String)]
        edition: Text,
    },
    /// A rule was met.
    RuleMet {
        /// The rule.
        #[schema(value_type = String)]
        rule: Text,
        /// What was found, measured.
        #[serde(skip_serializing_if = "Option::is_none")]
        value: Option<Measure>,
        /// What it was held against.
        #[serde(skip_serializing_if = "Option::is_none")]
        threshold: Option<Measure>,
    },
    /// A rule was left out, since what it asks has no meaning for this set.
    RuleDoesNotApply {
        /// The rule.
        #[schema(value_type = String)]
        rule: Text,
    },
    /// A rule was left out, since what it asks is not known and the policy does not ask for it.
    RuleLeftOut {
        /// The rule.
        #[schema(value_type = String)]
        rule: Text,
        /// What to enter, so that it counts.
        enter: Asked,
    },
    /// A fact was left out, since it held only until some instant.
    FactOutdated {
        /// The rule that asks for it.
        #[schema(value_type = String)]
        rule: Text,
        /// Until when it held.
        #[schema(value_type = String, format = DateTime)]
        until: Instant,
    },
    /// Starts were weighed.
    StartsWeighed {
        /// Demands to start that it followed.
        started: u32,
        /// Demands.
        demands: u32,
        /// By which bound.
        bound: Bound,
    },
}
