//! What would clear a reason, and what to heed in doing so.

use super::reason::{Reason, ReasonCode};
use crate::caution::Caution;

impl ReasonCode {
    /// What would clear it.
    pub(super) const fn clears(self) -> &'static str {
        match self {
            Self::CriticalFindingOpen => "Put the fault right and record it.",
            Self::TaggedOut => "Have whoever hung the lock or tag take it off, once it is safe.",
            Self::JobOverdue | Self::JobDue | Self::JobComingDue => "Do the job and record it.",
            Self::JobDeferred => "Do the job before the deferral ends.",
            Self::LastStartFailed => "Find out why it did not start, put that right and start it once.",
            Self::StartedAtLaterTry => "Have a start at the first try recorded.",
            Self::BatteryFailed => "Replace or charge the battery and test it again.",
            Self::BatteryDue => "Check the battery and record it.",
            Self::RecommissionOpen => "Do what is still to be done after storage or repair, and record it.",
            Self::FuelEmpty | Self::FuelShort => "Bring fuel, or have less to carry.",
            Self::FuelStale => "Burn or drain old fuel and fill up with fresh.",
            Self::TestOld | Self::TestSoonOld => "Run a test under load that counts.",
            Self::StartRateLow => "Record more starts; each that succeeds raises what is proved.",
            Self::Overloaded => "Take off loads, or bring a bigger set.",
            Self::ReadingOld => "Read the hour meter.",
            Self::CoAlarmMissing => "Put up an alarm for carbon monoxide and test it.",
            Self::PlacedTooNear => "Move the set away from openings.",
            Self::NotKnown => "Enter what is missing.",
        }
    }

    const fn caution(self) -> Option<&'static Caution> {
        match self {
            Self::TaggedOut => Some(&LOCKED_OUT),
            Self::FuelEmpty | Self::FuelShort | Self::FuelStale => Some(&ENGINE_OFF_FOR_FUEL),
            Self::BatteryFailed | Self::BatteryDue => Some(&BATTERY_GAS),
            Self::TestOld | Self::TestSoonOld | Self::StartRateLow => Some(&CARBON_MONOXIDE),
            Self::CoAlarmMissing | Self::PlacedTooNear => Some(&CARBON_MONOXIDE),
            Self::CriticalFindingOpen | Self::LastStartFailed | Self::RecommissionOpen => {
                Some(&BATTERY_DISCONNECT)
            }
            Self::JobOverdue | Self::JobDue | Self::JobComingDue | Self::JobDeferred => {
                Some(&BATTERY_DISCONNECT)
            }
            Self::StartedAtLaterTry | Self::Overloaded | Self::ReadingOld | Self::NotKnown => None,
        }
    }
}

/// What to heed when reasons are cleared, each once.
pub(super) fn of(reasons: &[Reason]) -> Vec<Caution> {
    let mut cautions: Vec<Caution> = Vec::new();
    for caution in reasons.iter().filter_map(|reason| reason.code.caution()) {
        if !cautions.iter().any(|known| known.caution == caution.caution) {
            cautions.push(*caution);
        }
    }
    cautions.sort_unstable_by_key(|caution| caution.caution);
    cautions
}

const CARBON_MONOXIDE: Caution = Caution {
    caution: "carbon_monoxide",
    text: "Run a portable set outdoors only, at least 20 ft from openings, exhaust away from them.",
    source: "published safety advice for portable sets; the unit's manual and local codes first",
};
const BATTERY_DISCONNECT: Caution = Caution {
    caution: "battery_disconnect",
    text: "Before work on the set disconnect the starting battery, the grounded clamp first, and keep it from starting by itself.",
    source: "29 CFR 1910.147 by analogy; the unit's manual first",
};
const LOCKED_OUT: Caution = Caution {
    caution: "locked_out",
    text: "Somebody may be working on it: do not start it, and take off no lock or tag that another hung.",
    source: "29 CFR 1910.147",
};
const BATTERY_GAS: Caution = Caution {
    caution: "battery_gas",
    text: "A battery gives off explosive gas: ventilate, keep sparks and flames away, switch off before clamps are moved.",
    source: "29 CFR 1926.441 (from memory); the battery's label first",
};
const ENGINE_OFF_FOR_FUEL: Caution = Caution {
    caution: "engine_off_for_fuel",
    text: "Fill or drain with the engine stopped and cooled, outdoors, away from flames and sparks.",
    source: "29 CFR 1926.152(g)(10); the unit's manual and local codes first",
};
