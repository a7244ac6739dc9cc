//! What a dry run would change: due items before and after.

use interval::{DueState, Reason};
use model::{Code, Instant, ScheduleId, UnitId};
use serde::Serialize;
use store::view::{ItemChange, ItemThen};
use utoipa::ToSchema;

/// A due item that would be another, or is another than it was.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueChange {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// The schedule that asks for the work.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "oil_change")]
    task: Code,
    /// What it was; absent if there was no such item.
    #[serde(skip_serializing_if = "Option::is_none")]
    before: Option<DueThen>,
    /// What it is; absent if there is no such item any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    after: Option<DueThen>,
}

/// What a due item is at a moment.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueThen {
    /// The state.
    state: DueState,
    /// Why it is unknown, or what holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<Reason>,
    /// The first instant of being due, given no new data; absent if never.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    due_at: Option<Instant>,
}

impl From<ItemChange> for DueChange {
    fn from(change: ItemChange) -> Self {
        Self {
            unit_id: change.unit,
            schedule_id: change.key.schedule,
            task: change.key.task,
            before: change.before.map(DueThen::from),
            after: change.after.map(DueThen::from),
        }
    }
}

impl From<ItemThen> for DueThen {
    fn from(then: ItemThen) -> Self {
        Self {
            state: then.state,
            reason: then.reason,
            due_at: (then.due_at < Instant::LAST).then_some(then.due_at),
        }
    }
}
