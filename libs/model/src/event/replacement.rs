use serde::Serialize;
use utoipa::ToSchema;

use super::{
    Adoption, BatteryCheck, Commissioning, ComponentChange, Deferral, Details, Duty, EventKind, Finding,
    FuelChange, Placement, Reading, Run, Service, Storage, Tag, UnitSetting, content,
};
use crate::{
    read::{Flaw, Object},
    time::{Occurred, Precision, TimeSource},
};

/// The content that takes the place of an amended event's: when it happened, and what.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Replacement {
    /// When it happened.
    #[serde(flatten)]
    pub occurred: Occurred,
    /// What happened; never a correction.
    #[serde(flatten)]
    pub details: Details,
}

impl Replacement {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        if o.is("kind", EventKind::Correction.as_str()) {
            o.ignore_rest();
            return o.fail("kind", Flaw::new("not_corrected", "A correction is not itself corrected."));
        }
        let (occurred, details) = content(o)?;
        Some(Self { occurred, details })
    }

    /// The kind, which is that of the event it replaces.
    pub fn kind(&self) -> EventKind {
        self.details.kind()
    }
}

/// What takes the place of an amended event: when it happened, and what.
#[derive(ToSchema)]
#[schema(as = Replacement)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
struct ReplacementMembers {
    /// When it happened, with the offset from UTC; or `occurred_on`.
    #[schema(value_type = Option<String>, format = DateTime, example = "2026-08-01T06:00:00-06:00")]
    occurred_at: Option<String>,
    /// The day it happened, where only that is known.
    #[schema(value_type = Option<String>, format = Date)]
    occurred_on: Option<String>,
    /// How exactly the time is known; absent means `instant`. Not with `occurred_on`.
    occurred_precision: Option<Precision>,
    /// Where the time came from; absent means `typed`.
    occurred_source: Option<TimeSource>,
    #[serde(flatten)]
    details: ReplacedDetails,
}

/// What happened, by kind: every kind but a correction.
#[derive(ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
enum ReplacedDetails {
    /// The unit came into service.
    Commissioning(Commissioning),
    /// Jobs were done.
    Service(Service),
    /// The hour meter was read.
    Reading(Reading),
    /// The engine ran, started or stopped.
    Run(Run),
    /// A component was fitted or rebuilt.
    Component(ComponentChange),
    /// Fuel went into its tank or out of it, was treated, or was measured.
    Fuel(FuelChange),
    /// The starting battery was checked, replaced, or put on a maintainer or taken off it.
    Battery(BatteryCheck),
    /// Something was found to be wrong, or is so no more.
    Finding(Finding),
    /// The unit stands somewhere else from then on.
    Placement(Placement),
    /// The unit was stored, or taken out of storage.
    Storage(Storage),
    /// The unit works under severe conditions.
    Duty(Duty),
    /// Something was decided for the unit alone.
    Setting(UnitSetting),
    /// An edition of a schedule holds for the unit.
    Adoption(Adoption),
    /// A task may wait.
    Deferral(Deferral),
    /// A tag was hung or removed.
    Tag(Tag),
}

impl utoipa::PartialSchema for Replacement {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
        ReplacementMembers::schema()
    }
}

impl ToSchema for Replacement {
    fn schemas(schemas: &mut Vec<(String, utoipa::openapi::RefOr<utoipa::openapi::Schema>)>) {
        ReplacementMembers::schemas(schemas);
    }
}
