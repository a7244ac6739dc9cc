use serde::Serialize;
use utoipa::ToSchema;

use crate::{id::SiteId, quantity::Metres, read::Object};

/// The unit stands at a site from then until its next placement.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Placement {
    /// Where.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// How far its exhaust is from doors, windows and vents, in metres.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000, example = 6.1)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from_openings_metres: Option<Metres>,
}

impl Placement {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let site_id = o.required("site_id", SiteId::read);
        let from_openings_metres = o.optional("from_openings_metres", Metres::read_distance);
        Some(Self { site_id: site_id?, from_openings_metres })
    }
}
