//! How many of the tasks that apply are known not to be overdue.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    item::{DueItem, Fraction},
    words::DueState,
};

/// The share of applicable items that are known not to be overdue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Compliance {
    /// Items of tasks that are for their unit.
    pub applicable: usize,
    /// Those that are overdue.
    pub overdue: usize,
    /// Those of which it is not known, such as those without history.
    pub unknown: usize,
    /// The share of those that are neither; absent where no task applies.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.8)]
    pub share: Option<Fraction>,
}

impl Compliance {
    /// Of a list of items, of one unit or of many.
    pub fn of(items: &[DueItem]) -> Self {
        let applicable = items.iter().filter(|item| item.state != DueState::NotApplicable).count();
        let overdue = items.iter().filter(|item| item.state == DueState::Overdue).count();
        let unknown = items.iter().filter(|item| item.state == DueState::Unknown).count();
        let share = || {
            let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
            Fraction::of(number(applicable - overdue - unknown), number(applicable))
        };
        Self { applicable, overdue, unknown, share: (applicable > 0).then(share) }
    }
}
