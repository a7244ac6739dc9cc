//! What a set loses in height and heat, as its manual says.

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    quantity::{Percent, more_than_nought},
    read::{Flaw, Object, integer},
    text::Label,
};

/// The maker's rule for a model: so many percent of the rating for so many metres and degrees above a base.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Derating {
    /// What each step of height takes, in percent of the rating.
    #[schema(value_type = f64, minimum = 0.01, maximum = 100, example = 3.5)]
    pub altitude_percent: Percent,
    /// How many metres a step of height has.
    #[schema(minimum = 1, maximum = 5000, example = 300)]
    pub altitude_per_metres: i64,
    /// From which height on, in metres above the sea; absent means 0.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 5000, example = 0)]
    pub altitude_above_metres: Option<i64>,
    /// What each step of heat takes, in percent.
    #[schema(value_type = f64, minimum = 0.01, maximum = 100, example = 1)]
    pub temperature_percent: Percent,
    /// How many degrees Celsius a step of heat has.
    #[schema(minimum = 1, maximum = 50, example = 5)]
    pub temperature_per_celsius: i64,
    /// From which temperature on, in degrees Celsius; absent means 25.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = -20, maximum = 60, example = 25)]
    pub temperature_above_celsius: Option<i64>,
    /// Where it is written.
    #[schema(value_type = String, max_length = 200, example = "manual, page 14")]
    pub source: Label,
}

impl Derating {
    /// Reads the rule.
    pub(crate) fn read(o: &mut Object<'_>) -> Option<Self> {
        let altitude_percent = o.required("altitude_percent", share);
        let altitude_per_metres = o.required("altitude_per_metres", integer(1, 5000));
        let altitude_above_metres = o.optional("altitude_above_metres", integer(0, 5000));
        let temperature_percent = o.required("temperature_percent", share);
        let temperature_per_celsius = o.required("temperature_per_celsius", integer(1, 50));
        let temperature_above_celsius = o.optional("temperature_above_celsius", integer(-20, 60));
        let source = o.required("source", Label::read);
        Some(Self {
            altitude_percent: altitude_percent?,
            altitude_per_metres: altitude_per_metres?,
            altitude_above_metres,
            temperature_percent: temperature_percent?,
            temperature_per_celsius: temperature_per_celsius?,
            temperature_above_celsius,
            source: source?,
        })
    }
}

/// A step takes more than nothing and at most all.
fn share(value: &Value) -> Result<Percent, Flaw> {
    let percent = more_than_nought(Percent::read)(value)?;
    if percent.hundredths() > 10_000 {
        return Err(Flaw::new("out_of_range", "A step takes at most 100 percent."));
    }
    Ok(percent)
}
