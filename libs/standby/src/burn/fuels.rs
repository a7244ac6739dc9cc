//! Rules of thumb for petrol and propane, and what a litre of a fuel weighs and holds.

use model::{quantity::Kilowatts, unit::Fuel};

use super::BurnCurve;
use crate::{
    amount::{BurnRate, Volume},
    convert::Kilograms,
    load::Share,
};

const MICROLITRES_PER_GALLON: i128 = 3_785_412;
/// Liquid propane at 15 C in grams per litre; 4.24 lb per US gallon, value from memory.
const PROPANE_GRAMS_PER_LITRE: i128 = 508;

/// How much liquid a mass of propane is, at 0.508 kg per litre (15 C, value from memory).
#[must_use]
pub fn propane(mass: Kilograms) -> Volume {
    let microlitres = i128::from(mass.grams()) * 1_000_000 / PROPANE_GRAMS_PER_LITRE;
    Volume::from_microlitres(i64::try_from(microlitres).unwrap_or(i64::MAX))
}

/// What an amount of liquid propane weighs, by the same figure.
#[must_use]
pub fn propane_mass(volume: Volume) -> Kilograms {
    let grams = (i128::from(volume.microlitres()) * PROPANE_GRAMS_PER_LITRE + 500_000) / 1_000_000;
    Kilograms::from_grams(i64::try_from(grams).unwrap_or(i64::MAX))
}

/// How much of one fuel holds the heat of an amount of another; none where a fuel is not a liquid in a tank.
///
/// Lower heating values in Btu per US gallon: petrol (E10) 116,090, diesel 128,488, propane 84,250 (published by the US Department
/// of Energy).
#[must_use]
pub fn same_heat(amount: Volume, of: Fuel, as_fuel: Fuel) -> Option<Volume> {
    let held = i128::from(amount.microlitres()) * i128::from(heat(of)?);
    i64::try_from(held / i128::from(heat(as_fuel)?)).ok().map(Volume::from_microlitres)
}

const fn heat(fuel: Fuel) -> Option<i64> {
    match fuel {
        Fuel::Petrol => Some(116_090),
        Fuel::Diesel => Some(128_488),
        Fuel::Propane => Some(84_250),
        Fuel::NaturalGas | Fuel::Dual => None,
    }
}

/// Half load: 1 US gallon for 5 kWh; full load: 1 for 6.5 kWh. Common practice.
pub(super) fn petrol_rule(rated: Kilowatts) -> Option<BurnCurve> {
    let hundredths = i128::from(rated.hundredths());
    // At half load the set gives half its rating: rating / 2 / 5 gallons in an hour.
    let half = hundredths * MICROLITRES_PER_GALLON / 1000;
    let full = hundredths * MICROLITRES_PER_GALLON / 650;
    two_points(half, full)
}

/// Full load: 22 % of the heat becomes power (3,412.14 Btu per kWh); half load burns 65 % of that, as petrol sets do. Common
/// practice.
pub(super) fn propane_rule(rated: Kilowatts) -> Option<BurnCurve> {
    let hundredths = i128::from(rated.hundredths());
    // Btu per hour times 10^4: hundredths of a kW x 341,214; of 0.22 x 84,250 = 18,535 Btu used per gallon.
    let full = hundredths * 341_214 * MICROLITRES_PER_GALLON / (18_535 * 10_000);
    two_points(full * 65 / 100, full)
}

fn two_points(half: i128, full: i128) -> Option<BurnCurve> {
    let rate = |microlitres: i128| i64::try_from(microlitres).ok().map(BurnRate::from_microlitres_per_hour);
    BurnCurve::new(vec![(Share::from_percent(50), rate(half)?), (Share::FULL, rate(full)?)]).ok()
}
