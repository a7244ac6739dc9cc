//! What was seen of a set while it ran.

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    quantity::{Hertz, Kilowatts, Litres, Percent, Volts},
    read::{Flaw, Object, boolean, integer},
};

/// What was seen of a run: whether it started at once, what it carried, and what went in.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct RunMeasured {
    /// How many times it was tried to start it; of a run that began with a start, or of one that did not come about.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<i64>, minimum = 1, maximum = 100, example = 1)]
    pub start_attempts: Option<i64>,
    /// The load that it carried, in kilowatts; with `load_percent`, one of the two.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 100_000, example = 3.7)]
    pub load_kw: Option<Kilowatts>,
    /// The load that it carried, in percent of its rating.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 110, example = 40)]
    pub load_percent: Option<Percent>,
    /// Minutes of the run without load, to warm up and to cool down.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<i64>, minimum = 0, maximum = 10_000, example = 12)]
    pub unloaded_minutes: Option<i64>,
    /// Its voltage under load.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000, example = 121.5)]
    pub volts: Option<Volts>,
    /// Its frequency under load.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 500, example = 60.2)]
    pub hertz: Option<Hertz>,
    /// Whether the exhaust reached the temperature that the maker asks for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub exhaust_temperature_reached: Option<bool>,
    /// Whether water temperature and oil pressure settled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operating_temperature_reached: Option<bool>,
    /// Whether it took over the load of the site by transfer equipment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub transferred_load: Option<bool>,
    /// Whether it had been running before it took over the load.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ran_before_transfer: Option<bool>,
    /// Fuel that it burned, in litres, where that was measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 4.2)]
    pub fuel_used_litres: Option<Litres>,
    /// Engine oil that was added, in litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 0.2)]
    pub oil_added_litres: Option<Litres>,
}

/// What can only be seen of a run that lasted.
const OF_A_RUN: [&str; 11] = [
    "load_kw",
    "load_percent",
    "unloaded_minutes",
    "volts",
    "hertz",
    "exhaust_temperature_reached",
    "operating_temperature_reached",
    "transferred_load",
    "ran_before_transfer",
    "fuel_used_litres",
    "oil_added_litres",
];

/// What can be seen of a part of a run.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Seen {
    /// All of it: it is told as a whole.
    Whole,
    /// Its start alone, or that there was none.
    Start,
    /// Its end.
    Stop,
}

impl RunMeasured {
    pub(super) fn read(o: &mut Object<'_>) -> Self {
        Self {
            start_attempts: o.optional("start_attempts", integer(1, 100)),
            load_kw: o.optional("load_kw", Kilowatts::read),
            load_percent: o.optional("load_percent", Percent::read),
            unloaded_minutes: o.optional("unloaded_minutes", integer(0, 10_000)),
            volts: o.optional("volts", Volts::read),
            hertz: o.optional("hertz", Hertz::read),
            exhaust_temperature_reached: o.optional("exhaust_temperature_reached", boolean),
            operating_temperature_reached: o.optional("operating_temperature_reached", boolean),
            transferred_load: o.optional("transferred_load", boolean),
            ran_before_transfer: o.optional("ran_before_transfer", boolean),
            fuel_used_litres: o.optional("fuel_used_litres", Litres::read),
            oil_added_litres: o.optional("oil_added_litres", Litres::read),
        }
    }

    /// Refuses what cannot be seen of that part of a run, and what contradicts itself.
    pub(super) fn check(o: &mut Object<'_>, seen: Seen) -> Option<()> {
        let misplaced = match seen {
            Seen::Whole => None,
            Seen::Start => OF_A_RUN.iter().find(|name| o.has(name)).copied(),
            Seen::Stop => o.has("start_attempts").then_some("start_attempts"),
        };
        if let Some(name) = misplaced {
            return o.fail(name, Flaw::new("misplaced", "This does not belong to a run told in this way."));
        }
        if o.has("load_kw") && o.has("load_percent") {
            return o.fail("load_percent", Flaw::new("two_loads", "Give load_kw or load_percent, not both."));
        }
        Some(())
    }
}
