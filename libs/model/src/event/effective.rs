use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    read::{Flaw, Object},
    time::LocalDate,
};

/// From which day until which a decision holds, at the unit's site.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct Effective {
    /// The first day it holds; absent means from when it was decided.
    #[serde(rename = "effective_from", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub from: Option<LocalDate>,
    /// The first day it holds no more; absent means for good.
    #[serde(rename = "effective_until", skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub until: Option<LocalDate>,
}

impl Effective {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let from = o.optional("effective_from", LocalDate::read);
        let until = o.optional("effective_until", LocalDate::read);
        if let (Some(from), Some(until)) = (from, until)
            && until <= from
        {
            return o.fail("effective_until", Flaw::new("not_after_start", "The end lies after the start."));
        }
        Some(Self { from, until })
    }
}
