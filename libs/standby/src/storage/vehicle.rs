//! What may be carried in a vehicle to the job without the papers of a carrier: materials of trade.

use interval::Grade;
use model::quantity::Litres;
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    Container, StoredFuel,
    answer::StorageTrace,
    check::CAUTIONS,
    policy::{StoragePolicy, TRADE},
};
use crate::{
    asked::Asked,
    caution::Caution,
    convert::{Kilograms, UsGallons},
};

/// What is carried in a vehicle against the limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct VehicleLoad {
    /// Whether it may be carried as materials of trade; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept: Option<bool>,
    /// Mass of all of it that is known or estimated; diesel is left out, the trace says which.
    #[schema(value_type = f64, example = 132.8)]
    pub mass_kg: Kilograms,
    /// What may be.
    #[schema(value_type = f64, example = 200.0)]
    pub most_kg: Kilograms,
    /// The largest packaging of liquid.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 18.93)]
    pub largest_litres: Option<Litres>,
    /// What may be: of the published figures, 30 L and 8 gallons, the larger.
    #[schema(value_type = f64, example = 30.28)]
    pub most_litres: Litres,
    /// The places in the list of packagings that are too large or too heavy.
    pub too_large: Vec<usize>,
    /// Where that is written.
    #[schema(value_type = String, example = "49 CFR 173.6")]
    pub source: &'static str,
    /// How well it is known.
    pub grade: Grade,
    /// What to enter.
    pub missing: Vec<Asked>,
    /// What the answer rests on.
    pub trace: Vec<StorageTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

const TELL_THE_DRIVER: Caution = Caution {
    caution: "tell_the_driver",
    text: "The driver must know what is carried; close containers tightly and secure them against moving.",
    source: TRADE,
};

/// How much a packaging weighs, as far as is known.
enum Mass {
    Weighed(Kilograms),
    /// The fuel alone, and with an estimate for the can.
    Estimated {
        fuel: Kilograms,
        with_can: Kilograms,
    },
    NotKnown,
    /// Not counted by the rule.
    NotCounted,
    /// Diesel in a packaging too large to be left out.
    LargeDiesel,
}

/// Checks what is carried in one vehicle: containers and how many of each. Diesel in packagings of
/// less than 119 gallons is not counted: it is not regulated on the road (49 CFR 173.150(f), value from memory, so that the answer
/// is of grade C); of larger ones it is not known here what is asked.
#[must_use]
pub fn vehicle_load(carried: &[(Container, u32)], policy: &StoragePolicy) -> VehicleLoad {
    let masses: Vec<Mass> = carried.iter().map(|(container, _)| mass(container, policy)).collect();
    let total = |of: &dyn Fn(&Mass) -> i64| {
        let grams = carried
            .iter()
            .zip(&masses)
            .map(|((_, number), mass)| of(mass).saturating_mul(i64::from(*number)));
        Kilograms::from_grams(grams.fold(0, i64::saturating_add))
    };
    let least = total(&|mass| match mass {
        Mass::Weighed(mass) | Mass::Estimated { fuel: mass, .. } => mass.grams(),
        Mass::NotKnown | Mass::NotCounted | Mass::LargeDiesel => 0,
    });
    let likely = total(&|mass| match mass {
        Mass::Weighed(mass) | Mass::Estimated { with_can: mass, .. } => mass.grams(),
        Mass::NotKnown | Mass::NotCounted | Mass::LargeDiesel => 0,
    });
    let too_large: Vec<usize> = places(carried, |container| is_too_large(container, policy));
    let missing: Vec<Asked> = missing(carried, &masses, least <= policy.vehicle && likely > policy.vehicle);
    let kept = if !too_large.is_empty() || least > policy.vehicle {
        Some(false)
    } else {
        missing.is_empty().then_some(true)
    };
    let weighed = masses.iter().all(|mass| matches!(mass, Mass::Weighed(_) | Mass::NotCounted));
    let from_memory = masses.iter().any(|mass| matches!(mass, Mass::NotCounted));
    let liquids = carried.iter().filter(|(container, _)| container.fuel == StoredFuel::Petrol);
    VehicleLoad {
        kept,
        mass_kg: likely,
        most_kg: policy.vehicle,
        largest_litres: liquids.map(|(container, _)| container.capacity.litres()).max(),
        most_litres: policy.packaging.litres(),
        too_large,
        source: TRADE,
        grade: if kept.is_none() {
            Grade::D
        } else if weighed && !from_memory {
            Grade::A
        } else {
            Grade::C
        },
        missing,
        trace: trace(&masses, policy),
        cautions: [TELL_THE_DRIVER].into_iter().chain(CAUTIONS).collect(),
    }
}

fn places(carried: &[(Container, u32)], which: impl Fn(&Container) -> bool) -> Vec<usize> {
    carried
        .iter()
        .enumerate()
        .filter(|(_, (container, number))| *number > 0 && which(container))
        .map(|(place, _)| place)
        .collect()
}

/// A packaging counts by what it can hold, a cylinder by what it weighs.
fn is_too_large(container: &Container, policy: &StoragePolicy) -> bool {
    match container.fuel {
        StoredFuel::Petrol => container.capacity > policy.packaging,
        StoredFuel::Propane => container.gross.is_some_and(|gross| gross > policy.cylinder),
        StoredFuel::Diesel | StoredFuel::HighFlashPoint => false,
    }
}

fn mass(container: &Container, policy: &StoragePolicy) -> Mass {
    match (container.fuel, container.gross) {
        (StoredFuel::Diesel | StoredFuel::HighFlashPoint, _)
            if UsGallons::from(container.capacity) < policy.diesel_packaging =>
        {
            Mass::NotCounted
        }
        (StoredFuel::Diesel | StoredFuel::HighFlashPoint, _) => Mass::LargeDiesel,
        (_, Some(gross)) => Mass::Weighed(gross),
        (StoredFuel::Propane, None) => Mass::NotKnown,
        (StoredFuel::Petrol, None) => {
            let fuel = policy.petrol_mass(container.counted());
            // A can weighs by its size, not by what is in it.
            let full = policy.petrol_mass(container.capacity);
            let can = full.grams().saturating_mul(policy.can_percent) / 100;
            Mass::Estimated { fuel, with_can: Kilograms::from_grams(fuel.grams().saturating_add(can)) }
        }
    }
}

/// A mass that is not known is asked for, and one that was estimated where the estimate alone decides.
fn missing(carried: &[(Container, u32)], masses: &[Mass], estimate_decides: bool) -> Vec<Asked> {
    let asked = |mass: &Mass| match mass {
        Mass::NotKnown | Mass::LargeDiesel => true,
        Mass::Estimated { .. } => estimate_decides,
        Mass::Weighed(_) | Mass::NotCounted => false,
    };
    let pointer = |place, mass: &Mass| match mass {
        Mass::LargeDiesel => {
            let enter = "Ask the authority what holds for diesel in a packaging of 119 gallons or more, or use smaller ones.";
            Asked::at(format!("/containers/{place}/capacity_litres"), enter)
        }
        _ => Asked::at(format!("/containers/{place}/gross_kg"), "What it weighs with what is in it."),
    };
    let unknown =
        masses.iter().zip(carried).enumerate().filter(|(_, (mass, (_, number)))| *number > 0 && asked(mass));
    unknown.map(|(place, (mass, _))| pointer(place, mass)).collect()
}

fn trace(masses: &[Mass], policy: &StoragePolicy) -> Vec<StorageTrace> {
    let mut trace = vec![StorageTrace::PolicyUsed { policy: policy.policy, edition: policy.edition }];
    for (container, mass) in masses.iter().enumerate() {
        match mass {
            Mass::Weighed(_) => {}
            Mass::Estimated { .. } => {
                trace.push(StorageTrace::MassByVolume { container });
                trace.push(StorageTrace::CansEstimated { container, percent: policy.can_percent });
            }
            Mass::NotKnown | Mass::LargeDiesel => trace.push(StorageTrace::MassNotKnown { container }),
            Mass::NotCounted => trace.push(StorageTrace::NotCounted { container, source: TRADE }),
        }
    }
    trace
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        amount::Volume,
        convert::{Pounds, UsGallons},
    };

    #[test]
    fn forty_gallons_weigh_244_pounds() {
        let forty = Volume::from(UsGallons::from_hundredths(4000));
        let pounds = Pounds::from(StoragePolicy::standard().petrol_mass(forty));
        assert!((pounds.hundredths() - 24_400).abs() <= 1, "{pounds}");
    }
}
