//! Amounts of fuel and how fast it is burned, exact to the microlitre: sums of many stops stay what they are, and laws hold
//! without a margin.

use std::ops::{Add, AddAssign, Sub, SubAssign};

use model::quantity::{Litres, LitresPerHour};

/// Microlitres in a hundredth of a litre.
const IN_HUNDREDTH: i64 = 10_000;
const SECONDS_PER_HOUR: i128 = 3600;

/// An amount of liquid fuel or oil in whole microlitres; never below nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Volume(i64);

impl Volume {
    /// Nothing.
    pub const ZERO: Self = Self(0);

    /// From microlitres; less than nothing is nothing.
    #[must_use]
    pub const fn from_microlitres(microlitres: i64) -> Self {
        Self(if microlitres < 0 { 0 } else { microlitres })
    }

    /// The microlitres.
    #[must_use]
    pub const fn microlitres(self) -> i64 {
        self.0
    }

    /// The amount as it is told: hundredths of a litre, rounded half up.
    #[must_use]
    pub const fn litres(self) -> Litres {
        Litres::from_hundredths(self.0.saturating_add(IN_HUNDREDTH / 2) / IN_HUNDREDTH)
    }

    /// The smaller of two.
    #[must_use]
    pub fn or_less(self, most: Self) -> Self {
        self.min(most)
    }

    /// How many whole seconds it lasts at a rate; for ever where nothing is burned.
    #[must_use]
    pub fn lasts_seconds(self, rate: BurnRate) -> Option<i64> {
        let burned = i128::from(rate.0);
        (burned > 0)
            .then(|| i64::try_from(i128::from(self.0) * SECONDS_PER_HOUR / burned).unwrap_or(i64::MAX))
    }
}

impl From<Litres> for Volume {
    fn from(litres: Litres) -> Self {
        Self::from_microlitres(litres.hundredths().saturating_mul(IN_HUNDREDTH))
    }
}

impl Add for Volume {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}
impl AddAssign for Volume {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}
/// What is left; where more is taken than there is, nothing.
impl Sub for Volume {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::from_microlitres(self.0.saturating_sub(other.0))
    }
}
impl SubAssign for Volume {
    fn sub_assign(&mut self, other: Self) {
        *self = *self - other;
    }
}

/// How fast fuel is burned, in microlitres per hour; never below nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BurnRate(i64);

impl BurnRate {
    /// From microlitres per hour; less than nothing is nothing.
    #[must_use]
    pub const fn from_microlitres_per_hour(microlitres: i64) -> Self {
        Self(if microlitres < 0 { 0 } else { microlitres })
    }

    /// Microlitres per hour.
    #[must_use]
    pub const fn microlitres_per_hour(self) -> i64 {
        self.0
    }

    /// The rate as it is told: hundredths of a litre per hour, rounded half up.
    #[must_use]
    pub const fn litres_per_hour(self) -> LitresPerHour {
        LitresPerHour::from_hundredths(self.0.saturating_add(IN_HUNDREDTH / 2) / IN_HUNDREDTH)
    }

    /// What is burned in so many seconds, rounded up, since a reserve must hold.
    #[must_use]
    pub fn over(self, seconds: i64) -> Volume {
        let burned = i128::from(self.0) * i128::from(seconds.max(0));
        Volume(i64::try_from((burned + SECONDS_PER_HOUR - 1) / SECONDS_PER_HOUR).unwrap_or(i64::MAX))
    }
}

impl From<LitresPerHour> for BurnRate {
    fn from(rate: LitresPerHour) -> Self {
        Self::from_microlitres_per_hour(rate.hundredths().saturating_mul(IN_HUNDREDTH))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_lasts_no_longer_than_it_burns() {
        let (tank, rate) =
            (Volume::from(Litres::from_hundredths(1920)), BurnRate::from_microlitres_per_hour(2_140_000));
        let lasts = tank.lasts_seconds(rate).unwrap();
        // 19.2 L at 2.14 L/h: 8.97 h.
        assert_eq!(lasts, 32_299);
        assert!(rate.over(lasts) <= tank && rate.over(lasts + 1) > tank);
        assert_eq!(tank.lasts_seconds(BurnRate::default()), None);
        assert_eq!(tank - rate.over(lasts + 1), Volume::ZERO);
    }

    #[test]
    fn the_most_there_is_stays_the_most() {
        let (most, rate) =
            (Volume::from_microlitres(i64::MAX), BurnRate::from_microlitres_per_hour(i64::MAX));
        let told = Litres::from_hundredths(i64::MAX / IN_HUNDREDTH);
        assert_eq!((most + most).litres(), told);
        assert_eq!(Volume::from(Litres::from_hundredths(i64::MAX)).litres(), told);
        assert_eq!(rate.over(i64::MAX).litres(), told);
        assert_eq!(rate.litres_per_hour(), LitresPerHour::from_hundredths(i64::MAX / IN_HUNDREDTH));
    }
}
