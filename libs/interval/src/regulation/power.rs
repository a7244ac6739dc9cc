//! Horsepower from kilowatts, without rounding.

use std::cmp::Ordering;

use model::Kilowatts;

/// One horsepower in units of 10⁻¹⁴ W: 550 pounds by 0.45359237 kg, 9.80665 m/s² and 0.3048 m a foot, a second.
const HORSEPOWER: i128 = 74_569_987_158_227_022;

/// Ten watts, a hundredth of a kilowatt, in the same units.
const TEN_WATTS: i128 = 1_000_000_000_000_000;

/// Compares a power with whole horsepower.
pub(super) fn compared(power: Kilowatts, horsepower: i64) -> Ordering {
    (i128::from(power.hundredths()) * TEN_WATTS).cmp(&(i128::from(horsepower) * HORSEPOWER))
}
