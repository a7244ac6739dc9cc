use serde::Serialize;
use utoipa::ToSchema;

use crate::{entry, entry::HoursEntry, id::SiteId, quantity::Hours, read::Object};

/// A unit came into service; its first placement, and an anchor for every task.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Commissioning {
    /// Where it stood first.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// What the hour meter showed, if there is one.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub meter_hours: Option<Hours>,
    /// Hours of the engine since new; absent means what the meter shows, or none without a meter.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub engine_hours: Option<Hours>,
}

impl Commissioning {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let site_id = o.required("site_id", SiteId::read);
        let meter_hours = o.optional("meter_hours", Hours::read);
        let engine_hours = o.optional("engine_hours", Hours::read);
        Some(Self { site_id: site_id?, meter_hours, engine_hours })
    }
}
