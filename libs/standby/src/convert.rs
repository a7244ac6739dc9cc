//! Units that sources are written in (US gallons, pounds, feet, degrees Fahrenheit, Btu) and those that are kept, with the
//! exact definitions between them; rounded to the nearest step of the type, halves away from nought.
//!
//! Definitions: the gallon is 231 cubic inches, the inch 25.4 mm, the foot 0.3048 m, the pound 0.45359237 kg
//! (international yard and pound agreement of 1959; NIST Handbook 44, Appendix C); the Btu is the international table one,
//! 1055.05585262 J (ISO 80000-5).

use std::fmt;

use model::quantity::{self, Celsius, Metres};
use serde::{Serialize, Serializer};

use crate::amount::Volume;

/// `value` times `numerator` by `denominator`, to the nearest, halves away from nought; extremes stay at the ends.
pub(crate) fn ratio(value: i64, numerator: i128, denominator: i128) -> i64 {
    let product = i128::from(value) * numerator;
    let half = denominator / 2 * product.signum();
    i64::try_from((product + half) / denominator.max(1)).unwrap_or(if product < 0 {
        i64::MIN
    } else {
        i64::MAX
    })
}

macro_rules! units {
    ($($name:ident $per:literal $from:ident $steps:ident $doc:literal $steps_doc:literal;)*) => {$(
        #[doc = $doc]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl $name {
            #[doc = concat!("From ", $steps_doc, ".")]
            #[must_use]
            pub const fn $from(steps: i64) -> Self {
                Self(steps)
            }
            #[doc = concat!("The ", $steps_doc, ".")]
            #[must_use]
            pub const fn $steps(self) -> i64 {
                self.0
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}", told(self.0, $per))
            }
        }
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_f64(told(self.0, $per))
            }
        }
    )*};
}

#[allow(clippy::cast_precision_loss, reason = "what is told of a site or a set lies far below 2^53 steps")]
fn told(steps: i64, per: i64) -> f64 {
    steps as f64 / per as f64
}

units! {
    UsGallons 100 from_hundredths hundredths "A volume in US gallons." "hundredths of a gallon";
    Kilograms 1000 from_grams grams "A mass in kilograms." "grams";
    Pounds 100 from_hundredths hundredths "A mass in pounds (avoirdupois)." "hundredths of a pound";
    Feet 100 from_hundredths hundredths "A length in feet." "hundredths of a foot";
    Fahrenheit 100 from_hundredths hundredths "A temperature in degrees Fahrenheit." "hundredths of a degree";
    Days 100 from_hundredths hundredths "A span of time in days." "hundredths of a day";
    Btu 1 from_whole whole "Heat in British thermal units of the international table." "whole units";
    KilowattHours 100 from_hundredths hundredths "Energy in kilowatt-hours." "hundredths of a kilowatt-hour";
}

/// Nanolitres in a US gallon, exactly.
const NANOLITRES_PER_GALLON: i128 = 3_785_411_784;
/// Ten-millionths of a gram in a hundredth of a pound: 4.5359237 g.
const TEN_MILLIONTHS_OF_GRAM_PER_STEP: i128 = 45_359_237;
const TEN_MILLION: i128 = 10_000_000;
/// Hundred-millionths of a joule in a Btu.
const BTU: i128 = 105_505_585_262;
/// The same in a hundredth of a kilowatt-hour: 36,000 J.
const KILOWATT_HOUR_STEP: i128 = 36_000 * 100_000_000;

impl From<UsGallons> for Volume {
    /// To the microlitre; less than nothing is nothing.
    fn from(gallons: UsGallons) -> Self {
        Self::from_microlitres(ratio(gallons.0, NANOLITRES_PER_GALLON, 100_000))
    }
}
impl From<Volume> for UsGallons {
    fn from(volume: Volume) -> Self {
        Self(ratio(volume.microlitres(), 100_000, NANOLITRES_PER_GALLON))
    }
}
impl From<quantity::Kilograms> for Kilograms {
    fn from(written: quantity::Kilograms) -> Self {
        Self(written.hundredths().saturating_mul(10))
    }
}
impl From<Pounds> for Kilograms {
    fn from(pounds: Pounds) -> Self {
        Self(ratio(pounds.0, TEN_MILLIONTHS_OF_GRAM_PER_STEP, TEN_MILLION))
    }
}
impl From<Kilograms> for Pounds {
    fn from(kilograms: Kilograms) -> Self {
        Self(ratio(kilograms.0, TEN_MILLION, TEN_MILLIONTHS_OF_GRAM_PER_STEP))
    }
}
impl From<Feet> for Metres {
    fn from(feet: Feet) -> Self {
        Self::from_hundredths(ratio(feet.0, 3048, 10_000))
    }
}
impl From<Metres> for Feet {
    fn from(metres: Metres) -> Self {
        Self(ratio(metres.hundredths(), 10_000, 3048))
    }
}
impl From<Fahrenheit> for Celsius {
    fn from(fahrenheit: Fahrenheit) -> Self {
        Self::from_hundredths(ratio(fahrenheit.0.saturating_sub(3200), 5, 9))
    }
}
impl From<Celsius> for Fahrenheit {
    fn from(celsius: Celsius) -> Self {
        Self(ratio(celsius.hundredths(), 9, 5).saturating_add(3200))
    }
}
impl From<Btu> for KilowattHours {
    fn from(btu: Btu) -> Self {
        Self(ratio(btu.0, BTU, KILOWATT_HOUR_STEP))
    }
}
impl From<KilowattHours> for Btu {
    fn from(energy: KilowattHours) -> Self {
        Self(ratio(energy.0, KILOWATT_HOUR_STEP, BTU))
    }
}
