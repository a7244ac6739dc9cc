use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    quantity::{Celsius, Kilograms, Litres, more_than_nought},
    read::{Flaw, Object, word},
    time::LocalDate,
};

/// Fuel went into the unit's tank or out of it, was treated, or was measured.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FuelChange {
    /// What was done.
    #[serde(flatten)]
    #[schema(value_type = FuelMembers)]
    pub action: FuelAction,
}

/// What was done with fuel.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "action", rename_all = "snake_case")]
pub enum FuelAction {
    /// It was filled in.
    Filled(Filled),
    /// It was taken out, but not burned.
    Taken {
        /// How much.
        #[serde(flatten)]
        amount: FuelAmount,
    },
    /// Stabiliser was added to all that is in the tank.
    Treated,
    /// What is in the tank was measured, by dipstick, gauge or scales.
    Measured {
        /// How much there was.
        #[serde(flatten)]
        amount: FuelAmount,
    },
}

/// How much fuel, as it was measured: propane is weighed, what is poured has a volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FuelAmount {
    /// By volume.
    Litres(Litres),
    /// By mass.
    Kilograms(Kilograms),
}

/// Fuel that was filled in, and what is known of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Filled {
    /// How much.
    #[serde(flatten)]
    pub amount: FuelAmount,
    /// When it was bought.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bought_on: Option<LocalDate>,
    /// Until when it was kept sealed and sheltered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened_on: Option<LocalDate>,
    /// When stabiliser was added.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub treated_on: Option<LocalDate>,
    /// How much ethanol is in it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ethanol: Option<EthanolWord>,
    /// At which temperature it is usually kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stored_at_celsius: Option<Celsius>,
}

/// The members of [`FuelAction`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct FuelMembers {
    /// What was done.
    action: FuelActionWord,
    /// How much, in litres; of all but a treatment, where it is not weighed.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 20)]
    litres: Option<f64>,
    /// How much, in kilograms: of propane that is weighed, in the place of litres.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 100_000, example = 9)]
    kilograms: Option<f64>,
    /// When it was bought; of what is filled in.
    #[schema(value_type = Option<String>, format = Date)]
    bought_on: Option<String>,
    /// Until when it was kept sealed and sheltered; of what is filled in, absent means since it was bought it was not.
    #[schema(value_type = Option<String>, format = Date)]
    opened_on: Option<String>,
    /// When stabiliser was added; of what is filled in.
    #[schema(value_type = Option<String>, format = Date)]
    treated_on: Option<String>,
    /// How much ethanol is in it; of what is filled in.
    ethanol: Option<EthanolWord>,
    /// At which temperature in degrees Celsius it is usually kept; of what is filled in.
    #[schema(value_type = Option<f64>, minimum = -60, maximum = 80, example = 18)]
    stored_at_celsius: Option<f64>,
}

/// What was done with fuel, as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FuelActionWord {
    /// It was filled in.
    Filled,
    /// It was taken out, but not burned.
    Taken,
    /// Stabiliser was added to all that is in the tank.
    Treated,
    /// What is in the tank was measured.
    Measured,
}

/// How much ethanol is in petrol.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EthanolWord {
    /// None.
    Free,
    /// Up to a tenth (E10).
    UpTo10,
    /// More than a tenth (E15, E85).
    Above10,
}

const ACTIONS: &[(&str, FuelActionWord)] = &[
    ("filled", FuelActionWord::Filled),
    ("taken", FuelActionWord::Taken),
    ("treated", FuelActionWord::Treated),
    ("measured", FuelActionWord::Measured),
];
const ETHANOL: &[(&str, EthanolWord)] =
    &[("free", EthanolWord::Free), ("up_to10", EthanolWord::UpTo10), ("above10", EthanolWord::Above10)];
const OF_FILLED: [&str; 5] = ["bought_on", "opened_on", "treated_on", "ethanol", "stored_at_celsius"];

impl FuelChange {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let action = o.required("action", word(ACTIONS));
        let amount = FuelAmount::read(o, action);
        let bought_on = o.optional("bought_on", LocalDate::read);
        let opened_on = o.optional("opened_on", LocalDate::read);
        let treated_on = o.optional("treated_on", LocalDate::read);
        let ethanol = o.optional("ethanol", word(ETHANOL));
        let stored_at_celsius = o.optional("stored_at_celsius", Celsius::read);
        let action = action?;
        let misplaced: &[&str] = match action {
            FuelActionWord::Filled => &[],
            FuelActionWord::Treated => &[
                "litres",
                "kilograms",
                "bought_on",
                "opened_on",
                "treated_on",
                "ethanol",
                "stored_at_celsius",
            ],
            FuelActionWord::Taken | FuelActionWord::Measured => &OF_FILLED,
        };
        if let Some(name) = misplaced.iter().find(|name| o.has(name)) {
            return o.fail(name, Flaw::new("misplaced", "This does not belong to this action."));
        }
        if o.has("litres") && o.has("kilograms") {
            return o.fail(
                "kilograms",
                Flaw::new("misplaced", "Say how many litres or how many kilograms, not both."),
            );
        }
        if action != FuelActionWord::Treated && !o.has("litres") && !o.has("kilograms") {
            return o.fail(
                "litres",
                Flaw::new("required", "Say how many litres, or of propane how many kilograms."),
            );
        }
        let action = match action {
            FuelActionWord::Treated => FuelAction::Treated,
            FuelActionWord::Taken => FuelAction::Taken { amount: amount? },
            FuelActionWord::Measured => FuelAction::Measured { amount: amount? },
            FuelActionWord::Filled => {
                let filled =
                    Filled { amount: amount?, bought_on, opened_on, treated_on, ethanol, stored_at_celsius };
                filled.in_order(o)?;
                FuelAction::Filled(filled)
            }
        };
        Some(Self { action })
    }

    /// Fuel that was bought after a day cannot have been filled in on it.
    pub(super) fn bought_after(&self, on: LocalDate) -> bool {
        matches!(&self.action, FuelAction::Filled(filled) if filled.bought_on.is_some_and(|bought| bought > on))
    }
}

impl FuelAmount {
    /// Only what is measured may be nothing.
    fn read(o: &mut Object<'_>, action: Option<FuelActionWord>) -> Option<Self> {
        let (litres, kilograms) = if action == Some(FuelActionWord::Measured) {
            (o.optional("litres", Litres::read), o.optional("kilograms", Kilograms::read))
        } else {
            let litres = o.optional("litres", more_than_nought(Litres::read));
            (litres, o.optional("kilograms", more_than_nought(Kilograms::read)))
        };
        litres.map(Self::Litres).or(kilograms.map(Self::Kilograms))
    }
}

impl Filled {
    /// Nothing is opened or treated before it is bought.
    fn in_order(&self, o: &mut Object<'_>) -> Option<()> {
        let Some(bought) = self.bought_on else { return Some(()) };
        let early = [("opened_on", self.opened_on), ("treated_on", self.treated_on)]
            .into_iter()
            .find(|(_, on)| on.is_some_and(|on| on < bought));
        match early {
            Some((name, _)) => {
                o.fail(name, Flaw::new("before_bought", "Fuel is not opened or treated before it is bought."))
            }
            None => Some(()),
        }
    }
}
