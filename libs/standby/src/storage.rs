//! How much fuel may be kept on a site and carried in a vehicle, by three federal rules; local fire codes often ask for less.
//!
//! Where the contents of a container are not known it counts as full, and is named. Limits are data of a dated policy that a
//! person confirms for the place, never legal advice.
//!
//! ```
//! use standby::convert::UsGallons;
//! use standby::storage::{Container, ContainerKind, Place, Placed, StoragePolicy, StoredFuel, site_storage};
//!
//! let gallons = |whole: i64| UsGallons::from_hundredths(whole * 100).into();
//! let can = Container::new(StoredFuel::Petrol, ContainerKind::Can, gallons(5), Some(gallons(5)), None).unwrap();
//! let place = Place::Room("pump house".to_owned());
//! let cans = Placed { container: can, number: 6, place, from_building: None, from_other_pile: None };
//! // 30 gallons in a room, where 25 may be.
//! assert!(!site_storage(&[cans], &StoragePolicy::standard()).kept);
//! ```

mod answer;
mod check;
mod policy;
mod vehicle;

use model::quantity::Metres;
use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    answer::{Advice, Finding, FindingCode, Measure, SiteStorage, StorageTrace},
    check::site_storage,
    policy::StoragePolicy,
    vehicle::{VehicleLoad, vehicle_load},
};
use crate::{amount::Volume, convert::Kilograms};

/// What a container holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StoredFuel {
    /// Petrol: a flammable liquid of category 1 or 2, packing group II.
    Petrol,
    /// Diesel; of category 3 unless its flash point is known to be above 60 °C.
    Diesel,
    /// Diesel or oil with a flash point above 60 °C: category 4.
    HighFlashPoint,
    /// Propane, in cylinders.
    Propane,
}

/// What kind of container it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ContainerKind {
    /// A can that is carried by hand.
    Can,
    /// A drum.
    Drum,
    /// A tank that stays where it is.
    Tank,
    /// A gas cylinder.
    Cylinder,
}

/// Where a container stands.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// In a room, outside a cabinet.
    Room(String),
    /// In a cabinet for flammable liquids in a room.
    Cabinet {
        /// The room.
        room: String,
        /// The cabinet.
        cabinet: String,
    },
    /// Outdoors, in a pile or group.
    Outdoors {
        /// The pile.
        pile: String,
    },
    /// Wholly below ground.
    Buried,
}

/// A container of fuel.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Container {
    fuel: StoredFuel,
    kind: ContainerKind,
    capacity: Volume,
    contents: Option<Volume>,
    /// With what is in it, if it was weighed.
    pub gross: Option<Kilograms>,
}

/// Why a container cannot be what was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum StorageError {
    /// It holds nothing.
    #[error("A container holds more than 0 litres.")]
    NoCapacity,
    /// More is in it than it holds.
    #[error("More is in the container than it holds.")]
    Overfull,
    /// Propane is kept in cylinders, and nothing else is.
    #[error("Propane is kept in cylinders, and only propane is.")]
    WrongContainer,
    /// It weighs nothing.
    #[error("A container weighs more than 0 kilograms.")]
    NoMass,
}

impl StorageError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoCapacity | Self::NoMass => "out_of_range",
            Self::Overfull => "overfull",
            Self::WrongContainer => "wrong_container",
        }
    }

    /// The member that is wrong, below the container.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::NoCapacity => "/capacity_litres",
            Self::Overfull => "/contents_litres",
            Self::WrongContainer => "/kind",
            Self::NoMass => "/gross_kg",
        }
    }
}

impl Container {
    /// A container; contents and mass as far as they are known.
    ///
    /// # Errors
    ///
    /// Where it cannot be.
    pub fn new(
        fuel: StoredFuel,
        kind: ContainerKind,
        capacity: Volume,
        contents: Option<Volume>,
        gross: Option<Kilograms>,
    ) -> Result<Self, StorageError> {
        if (fuel == StoredFuel::Propane) != (kind == ContainerKind::Cylinder) {
            return Err(StorageError::WrongContainer);
        }
        if capacity == Volume::ZERO {
            return Err(StorageError::NoCapacity);
        }
        if contents.is_some_and(|contents| contents > capacity) {
            return Err(StorageError::Overfull);
        }
        if gross.is_some_and(|gross| gross.grams() <= 0) {
            return Err(StorageError::NoMass);
        }
        Ok(Self { fuel, kind, capacity, contents, gross })
    }

    /// What it holds.
    #[must_use]
    pub const fn fuel(&self) -> StoredFuel {
        self.fuel
    }

    /// How much fits in.
    #[must_use]
    pub const fn capacity(&self) -> Volume {
        self.capacity
    }

    /// What is in it; as much as fits where that is not known.
    #[must_use]
    pub fn counted(&self) -> Volume {
        self.contents.unwrap_or(self.capacity)
    }
}

/// A container on a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placed {
    /// The container.
    pub container: Container,
    /// How many of the same.
    pub number: u32,
    /// Where they stand.
    pub place: Place,
    /// How far from the nearest building, outdoors.
    pub from_building: Option<Metres>,
    /// How far from the nearest other pile, outdoors.
    pub from_other_pile: Option<Metres>,
}
