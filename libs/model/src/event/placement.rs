use serde::Serialize;
use utoipa::ToSchema;

use crate::{id::SiteId, read::Object};

/// The unit stands at a site from then until its next placement.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Placement {
    /// Where.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
}

impl Placement {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        o.required("site_id", SiteId::read).map(|site_id| Self { site_id })
    }
}
