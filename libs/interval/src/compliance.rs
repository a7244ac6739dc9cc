//! How many of the tasks that apply are not overdue.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    item::{DueItem, Fraction},
    words::DueState,
};

/// The share of applicable items that are not overdue.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Compliance {
    /// Items of tasks that are for their unit.
    pub applicable: usize,
    /// Those that are overdue.
    pub overdue: usize,
    /// The share of those that are not; absent where no task applies.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.8)]
    pub share: Option<Fraction>,
}

impl Compliance {
    /// Of a list of items, of one unit or of many.
    pub fn of(items: &[DueItem]) -> Self {
        let applicable = items.iter().filter(|item| item.state != DueState::NotApplicable).count();
        let overdue = items.iter().filter(|item| item.state == DueState::Overdue).count();
        let share = || {
            let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
            Fraction::of(number(applicable - overdue), number(applicable))
        };
        Self { applicable, overdue, share: (applicable > 0).then(share) }
    }
}
