//! Quantities with their unit in the type: never a bare number where hours or litres are meant.

use std::{
    fmt,
    ops::{Add, Neg, Sub},
};

use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::{entry, read::Flaw};

/// A JSON number with at most two decimal places, in hundredths, exactly.
pub(crate) fn hundredths(value: &Value) -> Result<i64, Flaw> {
    let Value::Number(number) = value else { return Err(Flaw::wrong_type("a number")) };
    scaled(&number.to_string(), 2).ok_or_else(|| {
        Flaw::new("too_precise", "This takes at most two decimal places and no extreme values.")
    })
}

/// The decimal `text` times ten to the `places`, if that is a whole number of moderate size.
pub(crate) fn scaled(text: &str, places: i32) -> Option<i64> {
    let (mantissa, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let (negative, digits) = mantissa.strip_prefix('-').map_or((false, mantissa), |rest| (true, rest));
    let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
    let all = format!("{whole}{fraction}");
    let significant = all.trim_end_matches('0');
    if significant.bytes().all(|b| b == b'0') {
        // A negative nought is a sign of a broken sender.
        return (!negative).then_some(0);
    }
    let dropped = i32::try_from(all.len() - significant.len()).ok()?;
    let shift = exponent
        .parse::<i32>()
        .ok()?
        .checked_add(dropped)?
        .checked_add(places)?
        .checked_sub(i32::try_from(fraction.len()).ok()?)?;
    let number: i64 = significant.parse().ok()?;
    let number = number.checked_mul(10_i64.checked_pow(u32::try_from(shift).ok()?)?)?;
    Some(if negative { -number } else { number })
}

/// Hours, of a meter or of an engine since new, kept as whole seconds.
///
/// A hundredth of an hour is 36 seconds, so meter readings, run logs in minutes and interpolated hours all add
/// up exactly. It serializes as hours rounded to two decimal places.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Hours(i64);

impl Hours {
    /// No hours.
    pub const ZERO: Self = Self(0);
    /// The most that can be entered: more than a century of running.
    pub const MOST: Self = Self(1_000_000 * 3600);

    /// Hours from whole seconds.
    pub const fn from_seconds(seconds: i64) -> Self {
        Self(seconds)
    }

    /// Hours from hundredths of an hour.
    pub const fn from_hundredths(hundredths: i64) -> Self {
        Self(hundredths * 36)
    }

    /// The whole seconds.
    pub const fn seconds(self) -> i64 {
        self.0
    }

    /// Hundredths of an hour, rounded half away from zero.
    pub const fn hundredths(self) -> i64 {
        (self.0 + if self.0 < 0 { -18 } else { 18 }) / 36
    }

    /// Reads hours between 0 and [`Hours::MOST`]: a number of at most two decimal places, the same as text, or hours
    /// and minutes (`231:30`).
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        if let Value::String(text) = value {
            return entry::hours(text);
        }
        bounded(value, 0, 100_000_000, "Hours", "1000000").map(Self::from_hundredths)
    }

    /// Reads an interval of more than no hours.
    pub fn read_positive(value: &Value) -> Result<Self, Flaw> {
        match Self::read(value)? {
            Self::ZERO => Err(Flaw::new("out_of_range", "This is more than 0 hours.")),
            hours => Ok(hours),
        }
    }
}

impl Add for Hours {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}
impl Sub for Hours {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}
impl Neg for Hours {
    type Output = Self;
    fn neg(self) -> Self {
        Self(self.0.saturating_neg())
    }
}
impl fmt::Display for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        show(self.hundredths(), f)
    }
}
impl Serialize for Hours {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        number(self.hundredths(), s)
    }
}

macro_rules! quantities {
    ($($name:ident $low:literal $high:literal $what:literal $doc:literal;)*) => {$(
        #[doc = $doc]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(i64);

        impl $name {
            /// From hundredths of the unit.
            pub const fn from_hundredths(hundredths: i64) -> Self {
                Self(hundredths)
            }
            /// Hundredths of the unit.
            pub const fn hundredths(self) -> i64 {
                self.0
            }
            /// Reads a number within its bounds, at most two decimal places.
            pub fn read(value: &Value) -> Result<Self, Flaw> {
                bounded(value, $low * 100, $high * 100, $what, stringify!($high)).map(Self)
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                show(self.0, f)
            }
        }
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                number(self.0, s)
            }
        }
    )*};
}

quantities! {
    Litres 0 1_000_000 "Litres" "A volume in litres.";
    Kilograms 0 100_000 "Kilograms" "A mass in kilograms.";
    Kilowatts 0 100_000 "Kilowatts" "A power in kilowatts.";
    Volts 0 1_000 "Volts" "A potential in volts.";
    Metres -500 9_000 "Metres" "A height above sea level in metres.";
    LitresPerHour 0 100_000 "Litres per hour" "A rate of burning fuel in litres per hour.";
    Percent 0 110 "Percentages" "A share of a set's rating in percent: what a set may carry for a short time is a tenth over it.";
    Hertz 0 500 "Hertz" "A frequency in hertz.";
    Celsius -60 80 "Temperatures" "A temperature in degrees Celsius.";
    Amperes 0 10_000 "Amperes" "A current in amperes.";
    AmpereHours 0 10_000 "Ampere-hours" "A charge in ampere-hours.";
    Factor 0 1 "Factors" "A share of a whole.";
    Seconds -10_000_000_000 10_000_000_000 "Seconds" "By how much one clock is ahead of another in seconds.";
    Quantity 0 1_000_000 "Quantities" "How much of a part or setting, in a unit named beside it.";
}

impl Metres {
    /// Reads a distance of at most a kilometre.
    ///
    /// # Errors
    ///
    /// Where it is no number, too precise or out of range.
    pub fn read_distance(value: &Value) -> Result<Self, Flaw> {
        bounded(value, 0, 100_000, "Distances in metres", "1000").map(Self)
    }
}

/// Reads with `read`, refusing nought.
pub fn more_than_nought<T>(read: impl Fn(&Value) -> Result<T, Flaw>) -> impl Fn(&Value) -> Result<T, Flaw> {
    move |value| match hundredths(value)? {
        0 => Err(Flaw::new("out_of_range", "This is more than 0.")),
        _ => read(value),
    }
}

fn bounded(value: &Value, low: i64, high: i64, what: &str, most: &str) -> Result<i64, Flaw> {
    let number = hundredths(value)?;
    if (low..=high).contains(&number) {
        Ok(number)
    } else {
        Err(Flaw::new(
            "out_of_range",
            format!("{what} lie between {} and {}.", low / 100, most.replace('_', "")),
        ))
    }
}

fn show(hundredths: i64, f: &mut fmt::Formatter<'_>) -> fmt::Result {
    let sign = if hundredths < 0 { "-" } else { "" };
    let (whole, rest) = (hundredths.unsigned_abs() / 100, hundredths.unsigned_abs() % 100);
    match (rest, rest % 10) {
        (_, 0) => write!(f, "{sign}{whole}.{}", rest / 10),
        _ => write!(f, "{sign}{whole}.{rest:02}"),
    }
}

#[allow(
    clippy::cast_precision_loss,
    reason = "bounded to 10^8 hundredths and far below 2^53, so exact to two places"
)]
fn number<S: Serializer>(hundredths: i64, s: S) -> Result<S::Ok, S::Error> {
    s.serialize_f64(hundredths as f64 / 100.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_exact() {
        let cases: &[(&str, Option<i64>)] = &[
            ("231.3", Some(23130)),
            ("231.30", Some(23130)),
            ("231.300", Some(23130)),
            ("231.305", None),
            ("231.30000000000000001", None),
            ("1e2", Some(10000)),
            ("1.5E1", Some(1500)),
            ("15e-1", Some(150)),
            ("1e308", None),
            ("1e99999999999", None),
            ("-0", None),
            ("-0.00", None),
            ("-0.01", Some(-1)),
            ("0", Some(0)),
            ("1000000000000000000", None),
        ];
        for (text, expected) in cases {
            assert_eq!(scaled(text, 2), *expected, "{text}");
        }
    }

    #[test]
    fn hours_show_and_serialize_alike() {
        for (hundredths, text) in
            [(24000, "240.0"), (42295, "422.95"), (5, "0.05"), (-39970, "-399.7"), (23105, "231.05")]
        {
            let hours = Hours::from_hundredths(hundredths);
            assert_eq!(hours.to_string(), text);
            assert_eq!(serde_json::to_string(&hours).unwrap(), text);
        }
    }

    #[test]
    fn three_times_twenty_minutes_is_one_hour() {
        let twenty = Hours::from_seconds(20 * 60);
        assert_eq!(twenty + twenty + twenty, Hours::from_hundredths(100));
    }
}
