//! What must be said where the work can hurt somebody; each caution with its source.

use serde::Serialize;
use utoipa::ToSchema;

/// A caution as it is shown: the unit's manual, local codes and licensed practice come first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = StandbyCaution)]
pub struct Caution {
    /// A short name for it.
    #[schema(value_type = String, example = "carbon_monoxide")]
    pub caution: &'static str,
    /// What to heed.
    #[schema(value_type = String)]
    pub text: &'static str,
    /// Where that is written.
    #[schema(value_type = String, example = "29 CFR 1926.152(g)(10)")]
    pub source: &'static str,
}

/// Exhaust kills: sets run outdoors.
pub const CARBON_MONOXIDE: Caution = Caution {
    caution: "carbon_monoxide",
    text: "Run a portable set outdoors only, at least 20 ft (6 m) from every door, window and vent, exhaust pointing away.",
    source: "published safety advice for portable sets; the unit's manual and local codes first",
};
/// Back-feed kills.
pub const BACK_FEED: Caution = Caution {
    caution: "back_feed",
    text: "Feed a building only through transfer equipment that a licensed electrician installed: a set that feeds back kills people \
           who work on the line.",
    source: "NEC 702.5 (from memory); local codes first",
};
/// Fuel and a hot engine.
pub const ENGINE_OFF_FOR_FUEL: Caution = Caution {
    caution: "engine_off_for_fuel",
    text: "Fill or drain with the engine stopped and cooled, outdoors, away from flames and sparks.",
    source: "29 CFR 1926.152(g)(10); the unit's manual and local codes first",
};
/// What was drained.
pub const WASTE_FUEL: Caution = Caution {
    caution: "waste_fuel",
    text: "Drained fuel goes into approved cans and to a collection point, never on the ground or into a drain.",
    source: "common practice; local codes first",
};
/// Burns.
pub const HOT_PARTS: Caution = Caution {
    caution: "hot_parts",
    text: "After hours of running the engine, exhaust and oil burn skin: wait, and wear gloves.",
    source: "common practice; the unit's manual first",
};
/// A set that starts under somebody's hands.
pub const BATTERY_DISCONNECT: Caution = Caution {
    caution: "battery_disconnect",
    text: "Before work on the set disconnect the starting battery, the grounded clamp first, and keep it from starting by itself.",
    source: "29 CFR 1910.147 by analogy; the unit's manual first",
};
/// A set on automatic.
pub const AUTOMATIC_START: Caution = Caution {
    caution: "automatic_start",
    text: "A set on automatic may start at any time: switch it off and disconnect the starting battery before work.",
    source: "29 CFR 1910.147 by analogy; the unit's manual first",
};
/// A set that somebody has locked or tagged.
pub const LOCKED_OUT: Caution = Caution {
    caution: "locked_out",
    text: "Somebody may be working on it: do not start it, and take off no lock or tag that another hung.",
    source: "29 CFR 1910.147",
};
/// Hydrogen.
pub const BATTERY_GAS: Caution = Caution {
    caution: "battery_gas",
    text: "A battery gives off explosive gas: ventilate, keep sparks and flames away, switch off before clamps are moved.",
    source: "29 CFR 1926.441 (from memory); the battery's label first",
};
/// Acid.
pub const BATTERY_ACID: Caution = Caution {
    caution: "battery_acid",
    text: "Wear goggles and gloves; flush acid from eyes and skin with plenty of water and get help.",
    source: "29 CFR 1926.441 (from memory); the battery's label first",
};
/// Used oil.
pub const USED_OIL: Caution = Caution {
    caution: "used_oil",
    text: "Keep used oil off skin and soil, in closed and marked containers, and hand it in.",
    source: "40 CFR 279.22",
};
/// Gas from a main.
pub const GAS_MAIN_MAY_FAIL: Caution = Caution {
    caution: "gas_main_may_fail",
    text: "Gas from a main has no stock on the site: what took the power may take the pressure, too.",
    source: "common practice",
};
/// More than the rating.
pub const OVERLOAD: Caution = Caution {
    caution: "overload",
    text: "More than the rated output is carried for an hour at most, and only where the rating of the set allows an overload at all.",
    source: "common practice; the unit's manual first",
};
/// What comes before all of this.
pub const MANUAL_FIRST: Caution = Caution {
    caution: "manual_first",
    text: "The unit's manual and local codes come before all of this.",
    source: "common practice",
};
