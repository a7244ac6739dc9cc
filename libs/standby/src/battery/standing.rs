//! When a standing battery must be checked: time on and off the maintainer each uses up its share.

use interval::{DueState, Fraction, Grade};
use model::LocalDate;
use serde::Serialize;
use utoipa::ToSchema;

use super::{CAUTIONS, policy::BatteryPolicy};
use crate::{asked::Asked, caution::Caution};

/// How a battery stands from a day on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stand {
    /// From that day.
    pub from: LocalDate,
    /// On a maintainer or not; none where nobody wrote it down.
    pub on_maintainer: Option<bool>,
}

/// When the next check of a battery is due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = BatteryStanding)]
pub struct Standing {
    /// Its state.
    pub state: DueState,
    /// The day on which it is due, if it goes on standing as it does.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub due_on: Option<LocalDate>,
    /// The share of the time between checks that is used up.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.4444)]
    pub used: Option<Fraction>,
    /// How well it is known.
    pub grade: Grade,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// What the answer rests on.
    pub trace: Vec<StandingTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// One thing that the answer rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = BatteryStandingTrace)]
pub enum StandingTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
        /// Where the days come from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// So it stood from a day on.
    Stood {
        /// From that day.
        #[schema(value_type = String, format = Date)]
        from: LocalDate,
        /// Whether it counts as on a maintainer.
        on_maintainer: bool,
        /// Days between checks while it stands so.
        days: i64,
    },
    /// Nobody wrote down how it stood from a day on; it counts as off the maintainer.
    MaintainerNotKnown {
        /// From that day.
        #[schema(value_type = String, format = Date)]
        from: LocalDate,
    },
    /// It is only to stand so after the day that was asked for.
    LeftOutLater {
        /// From that day.
        #[schema(value_type = String, format = Date)]
        from: LocalDate,
    },
}

/// When the next check is due of a battery that was checked on a day and stood so since; asked on the day `at`.
#[must_use]
pub fn standing(
    checked_on: Option<LocalDate>,
    stands: &[Stand],
    at: LocalDate,
    policy: &BatteryPolicy,
) -> Standing {
    let mut trace = vec![StandingTrace::PolicyUsed {
        policy: policy.policy,
        edition: policy.edition,
        source: policy.standing_source,
    }];
    let Some(checked) = checked_on else {
        let missing = vec![Asked::at("/checked_on", "The day of the last check, or check the battery now.")];
        return Standing {
            state: DueState::Unknown,
            due_on: None,
            used: None,
            grade: Grade::D,
            missing,
            trace,
            cautions: CAUTIONS.to_vec(),
        };
    };
    let spans = spans(checked, stands, at);
    let due_on = due_on(&spans, policy);
    let used = used(&spans, at, policy);
    let not_known = spans.iter().filter(|span| span.on_maintainer.is_none());
    let missing: Vec<Asked> = not_known
        .map(|_| Asked::at("/stands", "Whether the battery is on a maintainer, and since when."))
        .take(1)
        .collect();
    let grade = if missing.is_empty() { Grade::A } else { Grade::C };
    trace.extend(spans.iter().map(|span| traced(span, policy)));
    let later = stands.iter().filter(|stand| stand.from > at);
    trace.extend(later.map(|stand| StandingTrace::LeftOutLater { from: stand.from }));
    let state = match due_on {
        _ if at > due_on => DueState::Overdue,
        _ if at == due_on => DueState::Due,
        _ if used >= policy.coming_due_share => DueState::ComingDue,
        _ => DueState::Ok,
    };
    Standing {
        state,
        due_on: Some(due_on),
        used: Some(used),
        grade,
        missing,
        trace,
        cautions: CAUTIONS.to_vec(),
    }
}

/// How it stood from the check on, in order; before anything is written down it is not known.
fn spans(checked: LocalDate, stands: &[Stand], at: LocalDate) -> Vec<Stand> {
    let mut sorted: Vec<Stand> = stands.iter().copied().filter(|stand| stand.from <= at).collect();
    sorted.sort_by_key(|stand| stand.from);
    let before = sorted.iter().rfind(|stand| stand.from <= checked);
    let first = Stand { from: checked, on_maintainer: before.and_then(|stand| stand.on_maintainer) };
    let after = sorted.iter().copied().filter(|stand| stand.from > checked);
    [first].into_iter().chain(after).collect()
}

fn days(stand: Stand, policy: &BatteryPolicy) -> i128 {
    let days = if stand.on_maintainer == Some(true) {
        policy.days_on_maintainer
    } else {
        policy.days_off_maintainer
    };
    i128::from(days.max(1))
}

/// Each span with the day on which the next begins.
fn with_ends(spans: &[Stand]) -> impl Iterator<Item = (Stand, Option<LocalDate>)> {
    let ends = spans.iter().skip(1).map(|next| Some(next.from)).chain([None]);
    spans.iter().copied().zip(ends)
}

/// The last day on which no more than all is used up. Time is counted in parts: on and off days make up a whole together.
fn due_on(spans: &[Stand], policy: &BatteryPolicy) -> LocalDate {
    let whole = whole(policy);
    let (mut used, mut due) = (0, LocalDate::FIRST);
    for (span, until) in with_ends(spans) {
        let a_day = whole / days(span, policy);
        let left = (whole - used) / a_day;
        due = span.from.plus_days(i32::try_from(left).unwrap_or(i32::MAX));
        let lasts = until.map_or(i128::MAX, |until| i128::from(until.days_since(span.from)));
        if left < lasts {
            break;
        }
        used += lasts * a_day;
    }
    due
}

fn used(spans: &[Stand], at: LocalDate, policy: &BatteryPolicy) -> Fraction {
    let whole = whole(policy);
    let used: i128 = with_ends(spans)
        .map(|(span, until)| {
            let lasted = until.unwrap_or(at).min(at).days_since(span.from).max(0);
            i128::from(lasted) * whole / days(span, policy)
        })
        .sum();
    let number = |of: i128| i64::try_from(of).unwrap_or(i64::MAX);
    Fraction::of(number(used), number(whole))
}

fn whole(policy: &BatteryPolicy) -> i128 {
    i128::from(policy.days_on_maintainer.max(1)) * i128::from(policy.days_off_maintainer.max(1))
}

fn traced(span: &Stand, policy: &BatteryPolicy) -> StandingTrace {
    let days = i64::try_from(days(*span, policy)).unwrap_or(i64::MAX);
    match span.on_maintainer {
        Some(on_maintainer) => StandingTrace::Stood { from: span.from, on_maintainer, days },
        None => StandingTrace::MaintainerNotKnown { from: span.from },
    }
}
