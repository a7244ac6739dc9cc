//! The limits, as data in the units of their sources.

use model::quantity::Metres;

use crate::{
    amount::Volume,
    convert::{Feet, Kilograms, Pounds, UsGallons, ratio},
};

/// Limits of 29 CFR 1926.152, 40 CFR 112.1(d) and 49 CFR 173.6 (text of 2015; to be confirmed for the place).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoragePolicy {
    /// Its name.
    pub policy: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// In a room outside cabinets.
    pub indoors: UsGallons,
    /// In a cabinet, of categories 1 to 3.
    pub cabinet: UsGallons,
    /// In a cabinet, of category 4 and in all.
    pub cabinet_category_4: UsGallons,
    /// Cabinets in one storage area.
    pub cabinets: usize,
    /// An approved can.
    pub can: UsGallons,
    /// A pile outdoors.
    pub pile: UsGallons,
    /// From one pile to the next.
    pub pile_apart: Feet,
    /// From a pile to a building.
    pub pile_from_building: Feet,
    /// A site may hold so much above ground without a plan against spills.
    pub spill_plan: UsGallons,
    /// Only containers of this size or more count for that.
    pub spill_plan_counts: UsGallons,
    /// A packaging of liquid in a vehicle: 30 L or 8 gallons are published; the larger is allowed.
    pub packaging: Volume,
    /// Diesel in packagings of less than this is not regulated on the road (49 CFR 173.150(f), value from memory).
    pub diesel_packaging: UsGallons,
    /// A gas cylinder in a vehicle, with what is in it.
    pub cylinder: Kilograms,
    /// All of it in one vehicle, with its packagings.
    pub vehicle: Kilograms,
    /// What a gallon of petrol weighs.
    pub petrol_pounds_per_gallon: Pounds,
    /// Percent of the fuel's mass that cans add where they were not weighed.
    pub can_percent: i64,
}

/// Where the limits of storage come from.
pub(super) const OSHA: &str = "29 CFR 1926.152";
/// Where the limit for a plan against spills comes from.
pub(super) const SPILL: &str = "40 CFR 112.1(d)";
/// Where the limits of materials of trade come from.
pub(super) const TRADE: &str = "49 CFR 173.6";

impl StoragePolicy {
    /// The federal limits.
    #[must_use]
    pub const fn standard() -> Self {
        Self {
            policy: "fuel_storage",
            edition: "1",
            indoors: UsGallons::from_hundredths(2500),
            cabinet: UsGallons::from_hundredths(6000),
            cabinet_category_4: UsGallons::from_hundredths(12_000),
            cabinets: 3,
            can: UsGallons::from_hundredths(500),
            pile: UsGallons::from_hundredths(110_000),
            pile_apart: Feet::from_hundredths(500),
            pile_from_building: Feet::from_hundredths(2000),
            spill_plan: UsGallons::from_hundredths(132_000),
            spill_plan_counts: UsGallons::from_hundredths(5500),
            packaging: Volume::from_microlitres(30_283_294),
            diesel_packaging: UsGallons::from_hundredths(11_900),
            cylinder: Kilograms::from_grams(100_000),
            vehicle: Kilograms::from_grams(200_000),
            petrol_pounds_per_gallon: Pounds::from_hundredths(610),
            can_percent: 20,
        }
    }

    /// What so much petrol weighs, to the gram.
    pub(super) fn petrol_mass(&self, volume: Volume) -> Kilograms {
        let million = UsGallons::from_hundredths(100_000_000);
        let mass =
            Kilograms::from(Pounds::from_hundredths(self.petrol_pounds_per_gallon.hundredths() * 1_000_000));
        let (grams, gallons) = (mass.grams(), Volume::from(million).microlitres());
        Kilograms::from_grams(ratio(volume.microlitres(), i128::from(grams), i128::from(gallons)))
    }

    /// Distances in metres.
    pub(super) fn metres(feet: Feet) -> Metres {
        feet.into()
    }
}
