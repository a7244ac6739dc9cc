use serde::Serialize;
use utoipa::ToSchema;

use crate::{entry, entry::HoursEntry, quantity::Hours, read::Object};

/// The hour meter was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Reading {
    /// What the meter showed.
    #[serde(serialize_with = "entry::write")]
    #[schema(value_type = HoursEntry)]
    pub meter_hours: Hours,
}

impl Reading {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        o.required("meter_hours", Hours::read).map(|meter_hours| Self { meter_hours })
    }
}
