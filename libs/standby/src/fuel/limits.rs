//! How long fuel keeps: rules as data, each with its source. No standard states a shelf life; ASTM D4814 and D975 specify
//! quality at delivery only.

use interval::{Fraction, Grade};
use model::{LocalDate, quantity::Celsius};
use serde::Serialize;
use utoipa::ToSchema;

use super::{Ethanol, TankFuel};

/// How long a kind of fuel keeps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AgeLength {
    /// So many days; the last of them is still within.
    Days(i32),
    /// Calendar months; on the same day of the month it is past.
    Months(i32),
}

impl AgeLength {
    /// In days, counted from a day.
    pub(super) fn days_from(self, from: LocalDate) -> i64 {
        match self {
            Self::Days(days) => i64::from(days),
            Self::Months(months) => i64::from(from.plus_months(months).days_since(from)),
        }
        .max(1)
    }

    /// Whether fuel is within its limit on the last day itself.
    pub(super) const fn last_day_counts(self) -> bool {
        matches!(self, Self::Days(_))
    }
}

/// How long fuel keeps under some conditions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AgeRule {
    /// Its name.
    pub name: &'static str,
    /// The fuel.
    pub fuel: TankFuel,
    /// With that much ethanol; empty: any.
    pub ethanol: &'static [Ethanol],
    /// Opened or sealed; none: either.
    pub opened: Option<bool>,
    /// With stabiliser or without.
    pub treated: bool,
    /// Stored at that temperature or above.
    pub at_least: Option<Celsius>,
    /// Stored at that temperature or below.
    pub at_most: Option<Celsius>,
    /// How long it keeps.
    pub keeps: AgeLength,
    /// How good the figure is: B published, C common practice or taken from the cautious side.
    pub grade: Grade,
    /// Where it comes from.
    pub source: &'static str,
}

impl AgeRule {
    /// Whether another rule is for the same fuel in the same state at some temperature only.
    pub(super) fn is_sibling(&self, other: &Self) -> bool {
        let same = (self.fuel, self.ethanol, self.opened, self.treated)
            == (other.fuel, other.ethanol, other.opened, other.treated);
        same && (other.at_least.is_some() || other.at_most.is_some())
    }
}

/// What becomes of fuel that is treated late.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = FuelCredit)]
pub enum Credit {
    /// Each part of its life is used up in proportion: days untreated by the life untreated, days treated by that treated.
    Proportional,
    /// Stabiliser gives nothing.
    NoCredit,
}

/// The rules about the age of fuel, in order: the first that fits holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AgePolicy {
    /// Its name.
    pub policy: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// The rules.
    pub rules: Vec<AgeRule>,
    /// Fuel is stale when more than this share is past its limit.
    pub stale_share: Fraction,
    /// What treatment gives.
    pub credit: Credit,
}

const E10: &[Ethanol] = &[Ethanol::UpTo10, Ethanol::NotKnown];
const NOT_ABOVE_10: &[Ethanol] = &[Ethanol::Free, Ethanol::UpTo10, Ethanol::NotKnown];
const FREE: &[Ethanol] = &[Ethanol::Free];
const PRESS: &str = "an oil company's advice, quoted in the press: 1 year sealed and sheltered, once opened 6 months at 20 °C, 3 months at 30 °C";
const DIESEL: &str = "published storage advice: at least 12 months at 20 °C, 6 to 12 months above 30 °C";

impl AgePolicy {
    /// The standard rules; the share of a quarter is a value of this project.
    #[must_use]
    pub fn standard() -> Self {
        Self {
            policy: "fuel_age",
            edition: "1",
            rules: [petrol(), diesel()].concat(),
            stale_share: Fraction::of(1, 4),
            credit: Credit::Proportional,
        }
    }

    /// The same, but stabiliser gives nothing.
    #[must_use]
    pub fn without_credit() -> Self {
        Self { credit: Credit::NoCredit, ..Self::standard() }
    }
}

fn rule(name: &'static str, fuel: TankFuel, keeps: AgeLength, grade: Grade, source: &'static str) -> AgeRule {
    AgeRule {
        name,
        fuel,
        ethanol: &[],
        opened: None,
        treated: false,
        at_least: None,
        at_most: None,
        keeps,
        grade,
        source,
    }
}

fn petrol() -> Vec<AgeRule> {
    let rule = |name, keeps, grade, source| rule(name, TankFuel::Petrol, keeps, grade, source);
    let degrees = |celsius: i64| Some(Celsius::from_hundredths(celsius * 100));
    let (days, months) = (AgeLength::Days, AgeLength::Months);
    vec![
        AgeRule {
            treated: true,
            ethanol: NOT_ABOVE_10,
            ..rule(
                "petrol_treated",
                days(365),
                Grade::C,
                "common practice: claims of 12 to 24 months, the shorter taken",
            )
        },
        AgeRule { ethanol: FREE, opened: Some(false), ..rule("petrol_sealed", months(12), Grade::B, PRESS) },
        AgeRule {
            ethanol: FREE,
            at_most: degrees(20),
            ..rule("petrol_opened_cool", months(6), Grade::B, PRESS)
        },
        AgeRule {
            ethanol: FREE,
            at_least: degrees(20),
            at_most: degrees(30),
            ..rule("petrol_opened_warm", months(3), Grade::B, PRESS)
        },
        // Hotter than any figure, or not known: the shortest there is.
        AgeRule { ethanol: FREE, ..rule("petrol_opened", months(3), Grade::C, PRESS) },
        AgeRule {
            ethanol: E10,
            at_least: degrees(30),
            ..rule(
                "petrol_e10_hot",
                days(30),
                Grade::C,
                "common practice: 30 to 90 days untreated, the shorter in heat",
            )
        },
        AgeRule {
            ethanol: E10,
            ..rule("petrol_e10", days(90), Grade::C, "common practice: 30 to 90 days untreated")
        },
    ]
}

fn diesel() -> Vec<AgeRule> {
    let rule = |name, keeps, grade| rule(name, TankFuel::Diesel, keeps, grade, DIESEL);
    let cool = Some(Celsius::from_hundredths(2000));
    vec![
        AgeRule { at_most: cool, ..rule("diesel_cool", AgeLength::Months(12), Grade::B) },
        // Warmer, or not known: the shorter of what is published.
        rule("diesel_warm", AgeLength::Months(6), Grade::C),
    ]
}
