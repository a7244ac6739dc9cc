use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    quantity::Quantity,
    read::{Flaw, Object, boolean},
    time::LocalDate,
};

/// What a laboratory found in a sample of oil, beside the figures of the new oil; at least one thing was looked at. A
/// figure that is absent is not judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Analysis {
    /// The day the results came.
    #[schema(value_type = String, format = Date)]
    pub results_on: LocalDate,
    /// Whether the engine was in operation then; absent means yes.
    #[serde(skip_serializing_if = "is_true")]
    #[schema(required = false)]
    pub running: bool,
    /// Total base number of the new oil, in milligrams of potassium hydroxide for each gram.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub base_number_new: Option<Quantity>,
    /// Total base number of the sample.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub base_number_used: Option<Quantity>,
    /// Total acid number of the new oil, in milligrams of potassium hydroxide for each gram.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub acid_number_new: Option<Quantity>,
    /// Total acid number of the sample.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub acid_number_used: Option<Quantity>,
    /// Viscosity of the new oil, at the temperature and in the unit of `viscosity_used`.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub viscosity_new: Option<Quantity>,
    /// Viscosity of the sample.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub viscosity_used: Option<Quantity>,
    /// Water in the sample, in per cent by volume.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub water_percent: Option<Quantity>,
}

impl Analysis {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let results_on = o.required("results_on", LocalDate::read);
        let running = o.optional("running", boolean).unwrap_or(true);
        let mut figure = |name| o.optional(name, Quantity::read);
        let found = Self {
            base_number_new: figure("base_number_new"),
            base_number_used: figure("base_number_used"),
            acid_number_new: figure("acid_number_new"),
            acid_number_used: figure("acid_number_used"),
            viscosity_new: figure("viscosity_new"),
            viscosity_used: figure("viscosity_used"),
            water_percent: figure("water_percent"),
            results_on: results_on?,
            running,
        };
        Self::check(o)?;
        Some(found)
    }

    /// Without figures, or with half of a pair, nothing would be judged, and so oil would pass unseen.
    fn check(o: &mut Object<'_>) -> Option<()> {
        for (new, used) in [
            ("base_number_new", "base_number_used"),
            ("acid_number_new", "acid_number_used"),
            ("viscosity_new", "viscosity_used"),
        ] {
            let missing = match (o.has(new), o.has(used)) {
                (true, false) => used,
                (false, true) => new,
                _ => continue,
            };
            let detail = "The figure of the sample is compared with that of the new oil: give both.";
            return o.fail(missing, Flaw::new("required", detail));
        }
        if !["base_number_used", "acid_number_used", "viscosity_used", "water_percent"]
            .iter()
            .any(|name| o.has(name))
        {
            return o.fail("water_percent", Flaw::new("required", "An analysis has at least one figure."));
        }
        Some(())
    }
}

#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde asks with a reference")]
fn is_true(value: &bool) -> bool {
    *value
}
