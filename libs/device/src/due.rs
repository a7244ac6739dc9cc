//! What is due on one unit.

use interval::{Compliance, DueItem, EngineHours, UnitState};
use model::{Instant, SiteId, UnitId};
use serde::Serialize;

use crate::{
    item::{
        DeviceItem, EditionInUse, Include, NotUnderstood, PolicyInUse, SetAsideReading, editions_in_use,
        policy_in_use, set_aside, with_task,
    },
    records::Records,
    remark::{Bears, Remarks},
    subject::Subject,
};

/// All that is due on one unit.
#[derive(Clone, Debug, Serialize)]
pub struct UnitDue {
    /// The unit.
    pub unit_id: UnitId,
    /// The unit that it is the same machine as, and that has the items; mostly itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub machine_id: Option<UnitId>,
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit_label: Option<String>,
    /// The instant of the answer.
    pub as_of: Instant,
    /// What is known of it; nothing where its own record could not be read.
    #[serde(flatten)]
    pub known: Option<DueKnown>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

/// What is known of a unit that could be read.
#[derive(Clone, Debug, Serialize)]
pub struct DueKnown {
    /// Where the unit stands.
    pub standing_site_id: SiteId,
    /// Hours of the engine since new.
    pub engine_hours: EngineHours,
    /// Readings that are not used, with what was probably meant.
    pub set_aside: Vec<SetAsideReading>,
    /// How many of the items that are for the unit are known not to be overdue.
    pub compliance: Compliance,
    /// What it goes by where schedules are silent.
    pub policy: PolicyInUse,
    /// The adopted editions that ask for the items.
    pub editions: Vec<EditionInUse>,
    /// The items, by schedule and task.
    pub items: Vec<DeviceItem>,
}

impl Records {
    /// What is due on a unit; nothing where no record of the unit is here.
    #[must_use]
    pub fn due(&self, unit: UnitId, at: Instant, include: Include) -> Option<UnitDue> {
        self.units.get(&unit)?.fields.as_ref()?;
        let Some(subject) = Subject::of(self, unit) else { return Some(self.not_known(unit, at)) };
        let state = subject.fold();
        let remarks = subject.remarks(Bears::Due);
        let items = items(&subject, &state, at, include, &remarks);
        let due: Vec<DueItem> = items.iter().map(|item| item.due.item.clone()).collect();
        let known = DueKnown {
            standing_site_id: state.site_at(at),
            engine_hours: state.hours_at(at),
            set_aside: set_aside(&state),
            compliance: Compliance::of(&due),
            policy: policy_in_use(&state),
            editions: editions_in_use(&state, &due),
            items,
        };
        let machine_id = Some(subject.machine).filter(|machine| *machine != unit);
        let unit_label = self.label(unit);
        Some(UnitDue { unit_id: unit, machine_id, unit_label, as_of: at, known: Some(known), remarks })
    }

    /// The answer about a unit whose own record could not be read.
    fn not_known(&self, unit: UnitId, at: Instant) -> UnitDue {
        let remarks = Remarks::of(self.about_unit(unit), Bears::Due);
        let unit_label = self.label(unit);
        UnitDue { unit_id: unit, machine_id: None, unit_label, as_of: at, known: None, remarks }
    }

    /// What people call a unit.
    #[must_use]
    pub fn label(&self, unit: UnitId) -> Option<String> {
        self.units.get(&unit)?.fields.as_ref()?.label.as_ref().map(ToString::to_string)
    }
}

/// The items of a state, none of them more certain than the records are.
pub(crate) fn items(
    subject: &Subject<'_>,
    state: &UnitState,
    at: Instant,
    include: Include,
    remarks: &Remarks,
) -> Vec<DeviceItem> {
    let why = |item: &DueItem| {
        if !remarks.are_harmless() {
            Some(NotUnderstood::Unreadable)
        } else if subject.has_newer_limit(item) {
            Some(NotUnderstood::NewerLimit)
        } else {
            None
        }
    };
    let told = |item: DueItem| {
        let why = why(&item);
        DeviceItem::of(with_task(state, item, at, include), why)
    };
    state.items_at(at).into_iter().map(told).collect()
}
