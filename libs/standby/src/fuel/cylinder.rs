//! Propane does not age, but its cylinder must be requalified.

use interval::Grade;
use model::LocalDate;
use serde::Serialize;
use utoipa::ToSchema;

use crate::{asked::Asked, caution::Caution};

/// From when on and until when a cylinder must be requalified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CylinderPolicy {
    /// Its name.
    pub policy: &'static str,
    /// Years after the last date stamped from which it should be.
    pub from_years: i32,
    /// Years by which it must be.
    pub by_years: i32,
    /// Where that is written.
    pub source: &'static str,
}

impl CylinderPolicy {
    /// 10 to 12 years, as published; which of them holds depends on the method stamped on the cylinder.
    #[must_use]
    pub const fn standard() -> Self {
        Self {
            policy: "cylinder_requalification",
            from_years: 10,
            by_years: 12,
            source: "published advice on stored fuel: requalification every 10 to 12 years; the stamp on the cylinder decides",
        }
    }
}

/// Whether a cylinder must be requalified.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CylinderState {
    /// Not yet.
    Ok,
    /// In the years in which it is done.
    Due,
    /// Past them: not to be filled.
    Overdue,
    /// No date is known.
    Unknown,
}

/// When a cylinder must be requalified.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Requalification {
    /// Whether it must be.
    pub state: CylinderState,
    /// From when on.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub due_on: Option<LocalDate>,
    /// The last day.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub last_on: Option<LocalDate>,
    /// How well it is known.
    pub grade: Grade,
    /// What to enter: the stamp, or between the years by which method it was made or requalified last.
    pub missing: Vec<Asked>,
    /// What to heed.
    pub cautions: Vec<Caution>,
    /// The policy.
    #[schema(value_type = String)]
    pub policy: &'static str,
    /// Where that is written.
    #[schema(value_type = String)]
    pub source: &'static str,
}

const NOT_TO_BE_FILLED: Caution = Caution {
    caution: "cylinder_not_to_be_filled",
    text: "A cylinder past its requalification is not filled; who sells the gas or a requalifier looks at it first.",
    source: "published advice on stored fuel; the stamp on the cylinder and local codes first",
};

/// When a cylinder with that date stamped last (made or requalified) must be requalified.
#[must_use]
pub fn requalification(
    stamped_on: Option<LocalDate>,
    at: LocalDate,
    policy: &CylinderPolicy,
) -> Requalification {
    let years = |years: i32| stamped_on.map(|on| on.plus_months(years.saturating_mul(12)));
    let (due_on, last_on) = (years(policy.from_years), years(policy.by_years));
    let state = match (due_on, last_on) {
        (_, Some(last)) if at > last => CylinderState::Overdue,
        (Some(due), _) if at >= due => CylinderState::Due,
        (Some(_), _) => CylinderState::Ok,
        (None, _) => CylinderState::Unknown,
    };
    let grade = match state {
        CylinderState::Unknown => Grade::D,
        CylinderState::Due => Grade::C,
        CylinderState::Ok | CylinderState::Overdue => Grade::B,
    };
    let missing = match state {
        CylinderState::Unknown => {
            Some("The date stamped on the cylinder when it was made or requalified last.")
        }
        CylinderState::Due => {
            Some("The letter after the date on the stamp: some methods end in the first of these years.")
        }
        CylinderState::Ok | CylinderState::Overdue => None,
    };
    let missing = missing.map(|enter| Asked::at("/stamped_on", enter)).into_iter().collect();
    // By some methods it may be past already where it is due.
    let past = matches!(state, CylinderState::Due | CylinderState::Overdue);
    let cautions = if past { vec![NOT_TO_BE_FILLED] } else { Vec::new() };
    Requalification {
        state,
        due_on,
        last_on,
        grade,
        missing,
        cautions,
        policy: policy.policy,
        source: policy.source,
    }
}
