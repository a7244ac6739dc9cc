//! What would clear a reason, and what to heed in doing so.

use super::reason::{Reason, ReasonCode};
use crate::caution::{
    BATTERY_DISCONNECT, BATTERY_GAS, CARBON_MONOXIDE, Caution, ENGINE_OFF_FOR_FUEL, LOCKED_OUT,
};

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
