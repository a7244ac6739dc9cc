use serde::Serialize;
use utoipa::ToSchema;

use super::Effective;
use crate::{
    code::Code,
    read::{Flaw, Object},
};

/// The unit works under severe conditions for a time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Duty {
    /// What makes it severe: dust, heat and the like.
    #[schema(value_type = Vec<String>, min_items = 1, max_items = 10, example = json!(["dust"]))]
    pub causes: Vec<Code>,
    /// From which day until which.
    #[serde(flatten)]
    pub effective: Effective,
}

impl Duty {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let causes = o.values("causes", 10, Code::read);
        let effective = Effective::read(o);
        if !o.has("causes") || causes.as_ref().is_some_and(Vec::is_empty) {
            return o.fail("causes", Flaw::new("required", "Say at least one cause."));
        }
        Some(Self { causes: causes?, effective: effective? })
    }
}
