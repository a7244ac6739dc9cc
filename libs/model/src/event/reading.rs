use serde::Serialize;
use utoipa::ToSchema;

use crate::{quantity::Hours, read::Object};

/// The hour meter was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Reading {
    /// What the meter showed.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 212.4)]
    pub meter_hours: Hours,
}

impl Reading {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        o.required("meter_hours", Hours::read).map(|meter_hours| Self { meter_hours })
    }
}
