//! How old the fuel in a tank is, how much of it is past its limit, and what brings it back within.
//!
//! A tank is well mixed: whatever is taken out takes of each parcel its share. No standard decides whether the oldest litre
//! or the volume-weighted age counts; here it is the share of the volume that is past its limit, and every answer says so.
//! Shares are whole microlitres that always sum to what is in the tank.
//!
//! ```
//! use model::{LocalDate, quantity::Litres};
//! use standby::fuel::{AgePolicy, Batch, FuelVerdict, Tank, TankFuel, fuel_age};
//!
//! let day = |text| LocalDate::parse(text).unwrap();
//! let litres = |whole: i64| Litres::from_hundredths(whole * 100).into();
//! let mut tank = Tank::empty(TankFuel::Petrol, None);
//! tank.fill(Batch::bought(Some(day("2025-01-10"))), litres(10));
//! tank.take(litres(4));
//! tank.fill(Batch::bought(Some(day("2025-03-01"))), litres(8));
//!
//! let age = fuel_age(&tank, day("2025-04-15"), &AgePolicy::standard());
//! assert_eq!(age.verdict, FuelVerdict::Stale);
//! assert_eq!(age.past_share.unwrap().ten_thousandths(), 4286);
//! assert_eq!(age.replace.unwrap().litres, Litres::from_hundredths(584));
//! ```

mod answer;
mod cylinder;
mod ledger;
mod life;
mod limits;
mod remedy;
mod told;

use std::collections::BTreeMap;

use model::{LocalDate, quantity::Celsius, unit::Fuel};
use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    answer::{FuelAge, FuelTrace, FuelVerdict, ParcelAge, ShareStep},
    cylinder::{CylinderPolicy, CylinderState, Requalification, requalification},
    ledger::{Dated, Ledger, Movement, TankNote, fold},
    limits::{AgeLength, AgePolicy, AgeRule, Credit},
    remedy::{Replacement, TopUp},
    told::{fuel_age, fuel_age_of},
};
use crate::amount::Volume;

/// What a tank holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TankFuel {
    /// Petrol (gasoline).
    Petrol,
    /// Diesel.
    Diesel,
    /// Propane (LP gas), which does not age.
    Propane,
}

impl TankFuel {
    /// What the tank of a unit holds; none where it has none (piped gas), or may hold either of two fuels.
    #[must_use]
    pub const fn of(fuel: Fuel) -> Option<Self> {
        match fuel {
            Fuel::Petrol => Some(Self::Petrol),
            Fuel::Diesel => Some(Self::Diesel),
            Fuel::Propane => Some(Self::Propane),
            Fuel::NaturalGas | Fuel::Dual => None,
        }
    }
}

/// How much ethanol is in petrol.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ethanol {
    /// None.
    Free,
    /// Up to a tenth (E10).
    UpTo10,
    /// More than a tenth (E15, E85).
    Above10,
    /// Nobody wrote it down.
    NotKnown,
}

/// Fuel that ages alike: bought, opened and treated on the same days.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Batch {
    bought_on: Option<LocalDate>,
    opened_on: Option<LocalDate>,
    treated_on: Option<LocalDate>,
    ethanol: Ethanol,
    stored_at: Option<Celsius>,
}

/// Why fuel cannot be what was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FuelError {
    /// The can was opened before it was bought.
    #[error("Fuel cannot be opened before it is bought.")]
    OpenedBeforeBought,
    /// It was treated before it was bought.
    #[error("Fuel cannot be treated before it is bought.")]
    TreatedBeforeBought,
    /// It was filled in before it was bought.
    #[error("Fuel cannot be filled in before it is bought.")]
    FilledBeforeBought,
    /// No fuel is stored that hot or cold.
    #[error("Fuel is stored between -60 and 80 degrees Celsius.")]
    TemperatureOutOfRange,
    /// A movement of no fuel.
    #[error("A movement of fuel is more than 0 litres.")]
    NothingMoved,
}

impl FuelError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::OpenedBeforeBought => "opened_before_bought",
            Self::TreatedBeforeBought => "treated_before_bought",
            Self::FilledBeforeBought => "filled_before_bought",
            Self::TemperatureOutOfRange | Self::NothingMoved => "out_of_range",
        }
    }

    /// The member that is wrong, below the parcel or movement.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::OpenedBeforeBought => "/opened_on",
            Self::TreatedBeforeBought => "/treated_on",
            Self::FilledBeforeBought => "/bought_on",
            Self::TemperatureOutOfRange => "/stored_at_celsius",
            Self::NothingMoved => "/litres",
        }
    }
}

impl Batch {
    /// Fuel bought on a day, or on one that nobody knows; all else is not known yet.
    #[must_use]
    pub const fn bought(on: Option<LocalDate>) -> Self {
        Self { bought_on: on, opened_on: None, treated_on: None, ethanol: Ethanol::NotKnown, stored_at: None }
    }

    /// With so much ethanol.
    #[must_use]
    pub const fn with_ethanol(self, ethanol: Ethanol) -> Self {
        Self { ethanol, ..self }
    }

    /// Kept sealed and sheltered until that day. Fuel of which no such day is known counts as open since it was bought.
    pub fn opened(self, on: LocalDate) -> Result<Self, FuelError> {
        let before = self.bought_on.is_some_and(|bought| on < bought);
        (!before).then_some(Self { opened_on: Some(on), ..self }).ok_or(FuelError::OpenedBeforeBought)
    }

    /// With stabiliser added on that day.
    pub fn treated(self, on: LocalDate) -> Result<Self, FuelError> {
        let before = self.bought_on.is_some_and(|bought| on < bought);
        (!before).then_some(Self { treated_on: Some(on), ..self }).ok_or(FuelError::TreatedBeforeBought)
    }

    /// Stored at a usual temperature.
    pub fn stored_at(self, celsius: Celsius) -> Result<Self, FuelError> {
        let within = (-6000..=8000).contains(&celsius.hundredths());
        within.then_some(Self { stored_at: Some(celsius), ..self }).ok_or(FuelError::TemperatureOutOfRange)
    }

    /// When it was bought.
    #[must_use]
    pub const fn bought_on(&self) -> Option<LocalDate> {
        self.bought_on
    }

    /// When stabiliser was added.
    #[must_use]
    pub const fn treated_on(&self) -> Option<LocalDate> {
        self.treated_on
    }

    /// The temperature it is stored at.
    #[must_use]
    pub const fn stored_at_celsius(&self) -> Option<Celsius> {
        self.stored_at
    }

    /// Its ethanol.
    #[must_use]
    pub const fn ethanol(&self) -> Ethanol {
        self.ethanol
    }
}

/// A tank and what is in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tank {
    fuel: TankFuel,
    capacity: Option<Volume>,
    parcels: BTreeMap<Batch, Volume>,
}

impl Tank {
    /// An empty tank, of a size if that is known.
    #[must_use]
    pub const fn empty(fuel: TankFuel, capacity: Option<Volume>) -> Self {
        Self { fuel, capacity, parcels: BTreeMap::new() }
    }

    /// What it holds.
    #[must_use]
    pub const fn fuel(&self) -> TankFuel {
        self.fuel
    }

    /// How much fits in.
    #[must_use]
    pub const fn capacity(&self) -> Option<Volume> {
        self.capacity
    }

    /// All that is in it.
    #[must_use]
    pub fn volume(&self) -> Volume {
        self.parcels.values().fold(Volume::ZERO, |sum, volume| sum + *volume)
    }

    /// The parcels, each batch once.
    pub fn parcels(&self) -> impl Iterator<Item = (&Batch, Volume)> {
        self.parcels.iter().map(|(batch, volume)| (batch, *volume))
    }

    /// Adds fuel; what is over its capacity is added all the same, since it happened.
    pub fn fill(&mut self, batch: Batch, volume: Volume) {
        if volume > Volume::ZERO {
            *self.parcels.entry(batch).or_default() += volume;
        }
    }

    /// Takes fuel out, of each parcel its share, and says how much there was to take.
    pub fn take(&mut self, volume: Volume) -> Volume {
        let held = self.volume();
        let taken = volume.or_less(held);
        let left = shares(&self.parcels.values().copied().collect::<Vec<_>>(), held - taken);
        self.parcels =
            self.parcels.keys().copied().zip(left).filter(|(_, left)| *left > Volume::ZERO).collect();
        taken
    }

    /// Adds stabiliser to all that is in it and was not treated before: a second dose gives no further credit.
    pub fn treat(&mut self, on: LocalDate) {
        let parcels = std::mem::take(&mut self.parcels);
        for (batch, volume) in parcels {
            let treated_on = batch.treated_on.or(Some(on.max(batch.bought_on.unwrap_or(on))));
            self.fill(Batch { treated_on, ..batch }, volume);
        }
    }
}

/// `total` shared out in proportion to `parts`, in whole microlitres by largest remainder; ties go to the earlier part.
fn shares(parts: &[Volume], total: Volume) -> Vec<Volume> {
    let micro = |volume: Volume| i128::from(volume.microlitres());
    let whole: i128 = parts.iter().copied().map(micro).sum::<i128>().max(1);
    let exact = parts.iter().map(|part| micro(*part) * micro(total));
    let mut floors: Vec<(usize, i128, i128)> =
        exact.enumerate().map(|(at, product)| (at, product / whole, product % whole)).collect();
    let missing = micro(total) - floors.iter().map(|(_, floor, _)| floor).sum::<i128>();
    floors.sort_by_key(|(at, _, remainder)| (-remainder, *at));
    for (_, floor, _) in floors.iter_mut().take(usize::try_from(missing).unwrap_or(0)) {
        *floor += 1;
    }
    floors.sort_by_key(|(at, ..)| *at);
    let volume = |micro: i128| Volume::from_microlitres(i64::try_from(micro).unwrap_or(i64::MAX));
    floors.into_iter().map(|(_, floor, _)| volume(floor)).collect()
}
