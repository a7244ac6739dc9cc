//! Due items as the service tells them, and as a device does where not all of its records could be read.

use interval::{DueItem, DueState, ItemKey, Projection, SetAside, TraceEntry, UnitState};
use model::{
    EditionId, EventId, Hours, Instant, Label, ScheduleId,
    quantity::Quantity,
    schedule::{Caution, Part, Setting, Task},
};
use serde::Serialize;
use std::collections::BTreeMap;
use utoipa::ToSchema;

/// A reading that the engine hours do not rest on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct SetAsideReading {
    /// The event that carries it.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// What was read.
    #[schema(value_type = f64, example = 4231.7)]
    pub meter_hours: Hours,
    /// What was probably meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 423.2)]
    pub suggested_meter_hours: Option<Hours>,
}

/// The policy that answers go by, of which their trace tells the same.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct PolicyInUse {
    /// Its name.
    #[schema(value_type = String, example = "standard")]
    pub policy: &'static str,
    /// Its edition.
    #[schema(value_type = String, example = "1")]
    pub edition: &'static str,
}

/// An edition that asks for some of the items.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct EditionInUse {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The edition.
    #[schema(value_type = String, format = "uuid")]
    pub edition_id: EditionId,
    /// Its label.
    pub edition: String,
    /// Where its figures come from.
    pub source: String,
    /// What must be said wherever it is used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notice: Option<String>,
}

/// One task on the unit, with what it takes and what to beware of.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct UnitDueItem {
    /// The state and what it rests on.
    #[serde(flatten)]
    pub item: DueItem,
    /// What to bring.
    pub parts: Vec<Part>,
    /// What to set.
    pub settings: Vec<Setting>,
    /// What can hurt somebody, each with its source.
    pub cautions: Vec<Caution>,
    /// What the state rests on and what was left out, in codes with values; with `include=trace`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trace: Option<Vec<TraceEntry>>,
    /// When it will probably be due, by how the unit was used; with `include=projection`, where use or the calendar
    /// tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub projection: Option<Projection>,
}

/// What to tell of an item besides.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Include {
    /// What each state rests on.
    pub trace: bool,
    /// When each item will probably be due.
    pub projection: bool,
}

/// Readings that are not used, as they are told.
#[must_use]
pub fn set_aside(state: &UnitState) -> Vec<SetAsideReading> {
    let told = |reading: &SetAside| SetAsideReading {
        event_id: reading.event_id,
        meter_hours: reading.meter_hours,
        suggested_meter_hours: reading.suggested,
    };
    state.set_aside().iter().map(told).collect()
}

/// The editions that ask for some items, each once.
#[must_use]
pub fn editions_in_use(state: &UnitState, items: &[DueItem]) -> Vec<EditionInUse> {
    let mut editions: Vec<EditionInUse> = Vec::new();
    for item in items {
        if let Some(edition) = state
            .edition(item.edition_id)
            .filter(|_| !editions.iter().any(|e| e.edition_id == item.edition_id))
        {
            editions.push(EditionInUse {
                schedule_id: item.schedule_id,
                edition_id: item.edition_id,
                edition: edition.edition.to_string(),
                source: edition.source.to_string(),
                notice: edition.notice.as_deref().map(str::to_owned),
            });
        }
    }
    editions
}

/// The policy of a state.
#[must_use]
pub fn policy_in_use(state: &UnitState) -> PolicyInUse {
    PolicyInUse { policy: state.policy().name, edition: state.policy().edition }
}

/// An item with what its task takes.
#[must_use]
pub fn with_task(state: &UnitState, item: DueItem, at: Instant, include: Include) -> UnitDueItem {
    let edition = state.edition(item.edition_id);
    let task: Option<&Task> =
        edition.and_then(|edition| edition.tasks.iter().find(|task| task.task == item.task));
    let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
    UnitDueItem {
        parts: task.map(|task| task.parts.clone()).unwrap_or_default(),
        settings: task.map(|task| task.settings.clone()).unwrap_or_default(),
        cautions: task.map(|task| task.cautions.clone()).unwrap_or_default(),
        trace: include.trace.then(|| state.trace_at(&key, at)),
        projection: include.projection.then(|| state.projection(&key, at)).flatten(),
        item,
    }
}

/// Whether work on an item in this state makes sense on a visit.
#[must_use]
pub fn is_open(state: DueState) -> bool {
    match state {
        DueState::ComingDue | DueState::Due | DueState::Overdue | DueState::Deferred | DueState::Unknown => {
            true
        }
        DueState::Ok | DueState::Suspended | DueState::NotApplicable => false,
    }
}

/// The quantity of each part in each unit, in the order in which they are first named.
#[must_use]
pub fn summed<'p>(parts: impl Iterator<Item = &'p Part>) -> Vec<Part> {
    let mut sums: BTreeMap<(Label, Label), i64> = BTreeMap::new();
    let mut order = Vec::new();
    for part in parts {
        let name = (part.part.clone(), part.unit.clone());
        let sum = sums.entry(name.clone()).or_insert_with(|| {
            order.push(name);
            0
        });
        *sum = sum.saturating_add(part.quantity.hundredths());
    }
    let sum = |(part, unit): (Label, Label)| {
        let quantity = sums.get(&(part.clone(), unit.clone())).copied().unwrap_or_default();
        Part { part, unit, quantity: Quantity::from_hundredths(quantity) }
    };
    order.into_iter().map(sum).collect()
}

/// What is there, each once.
#[must_use]
pub fn each_once<'t, T: Clone + PartialEq + 't>(all: impl Iterator<Item = &'t T>) -> Vec<T> {
    let mut seen: Vec<T> = Vec::new();
    for one in all {
        if !seen.contains(one) {
            seen.push(one.clone());
        }
    }
    seen
}

/// An item on a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct DeviceItem {
    /// The item as the service tells it; where not all was understood, its state is unknown and the rest by what was.
    #[serde(flatten)]
    pub due: UnitDueItem,
    /// Why its state is unknown, beside the reasons that the service has.
    #[serde(rename = "reason", skip_serializing_if = "Option::is_none")]
    pub not_understood: Option<NotUnderstood>,
    /// The state by what was understood.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state_otherwise: Option<DueState>,
}

/// Why a device does not know a state that a service may know.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NotUnderstood {
    /// Records that it rests on could not be read, or are not here.
    Unreadable,
    /// Its task may have limits that only a newer program knows.
    NewerLimit,
}

impl DeviceItem {
    pub(crate) fn of(mut due: UnitDueItem, why: Option<NotUnderstood>) -> Self {
        let state_otherwise = why.map(|_| due.item.state);
        if why.is_some() {
            due.item.state = DueState::Unknown;
            due.item.reason = None;
        }
        Self { due, not_understood: why, state_otherwise }
    }
}
