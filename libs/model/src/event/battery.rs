use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    entry,
    entry::HoursEntry,
    quantity::{Amperes, Celsius, Hours, Volts, more_than_nought},
    read::{Flaw, Object, boolean, integer, word},
};

/// The starting battery was checked, replaced, or put on a maintainer or taken off it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct BatteryCheck {
    /// Whether it is on a maintainer from then on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_maintainer: Option<bool>,
    /// Whether a new one was fitted; absent means not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub replaced: bool,
    /// What who checked it found, all in all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub result: Option<BatteryResult>,
    /// Its voltage without load, in volts.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000, example = 12.6)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts: Option<Volts>,
    /// How long it had rested before, in hours.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub rested_hours: Option<Hours>,
    /// Its temperature in degrees Celsius.
    #[schema(value_type = Option<f64>, minimum = -60, maximum = 80, example = 21)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub celsius: Option<Celsius>,
    /// A test under load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_test: Option<BatteryLoad>,
}

/// A battery under load.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct BatteryLoad {
    /// Its voltage at the end, in volts.
    #[schema(value_type = f64, minimum = 0, maximum = 1000, example = 9.8)]
    pub volts: Volts,
    /// The current drawn, in amperes.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 10_000, example = 250)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub amperes: Option<Amperes>,
    /// For how many seconds.
    #[schema(value_type = Option<i64>, minimum = 1, maximum = 3600, example = 15)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seconds: Option<i64>,
}

/// What a check of a battery found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BatteryResult {
    /// It is fit.
    Passed,
    /// It is not fit.
    Failed,
}

const RESULTS: &[(&str, BatteryResult)] =
    &[("passed", BatteryResult::Passed), ("failed", BatteryResult::Failed)];
const TELLING: [&str; 5] = ["on_maintainer", "replaced", "result", "volts", "load_test"];

impl BatteryCheck {
    /// Whether something was checked, and not only where it is charged from then on.
    #[must_use]
    pub const fn is_check(&self) -> bool {
        self.replaced || self.result.is_some() || self.volts.is_some() || self.load_test.is_some()
    }

    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let check = Self {
            on_maintainer: o.optional("on_maintainer", boolean),
            replaced: o.optional("replaced", boolean).unwrap_or(false),
            result: o.optional("result", word(RESULTS)),
            volts: o.optional("volts", Volts::read),
            rested_hours: o.optional("rested_hours", Hours::read),
            celsius: o.optional("celsius", Celsius::read),
            load_test: o.object("load_test", BatteryLoad::read),
        };
        if !TELLING.iter().any(|name| o.has(name)) {
            let flaw = "Say what was found: result, volts or load_test; or on_maintainer or replaced.";
            return o.fail("result", Flaw::new("required", flaw));
        }
        if o.has("rested_hours") && !o.has("volts") {
            return o.fail("rested_hours", Flaw::new("misplaced", "This belongs to a voltage without load."));
        }
        if o.has("celsius") && !o.has("volts") && !o.has("load_test") {
            return o.fail("celsius", Flaw::new("misplaced", "This belongs to a measurement."));
        }
        Some(check)
    }
}

impl BatteryLoad {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let volts = o.required("volts", Volts::read);
        let amperes = o.optional("amperes", more_than_nought(Amperes::read));
        let seconds = o.optional("seconds", integer(1, 3600));
        Some(Self { volts: volts?, amperes, seconds })
    }
}
