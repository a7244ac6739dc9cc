use serde::Serialize;
use utoipa::ToSchema;

use super::Effective;
use crate::{
    id::{EditionId, ScheduleId},
    read::Object,
    time::LocalDate,
};

/// An edition of a schedule holds for the unit; a later adoption of the same schedule takes its place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Adoption {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// Its edition.
    #[schema(value_type = String, format = "uuid")]
    pub edition_id: EditionId,
    /// The first day it holds, at the unit's site; absent means from when it was decided.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub effective_from: Option<LocalDate>,
    /// The first day it holds no more.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub effective_until: Option<LocalDate>,
}

impl Adoption {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let schedule_id = o.required("schedule_id", ScheduleId::read);
        let edition_id = o.required("edition_id", EditionId::read);
        let effective = Effective::read(o);
        let Effective { from: effective_from, until: effective_until } = effective?;
        Some(Self { schedule_id: schedule_id?, edition_id: edition_id?, effective_from, effective_until })
    }
}
