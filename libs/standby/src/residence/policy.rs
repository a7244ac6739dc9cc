//! What the rule says, and what it leaves open, as data.

use serde::Serialize;
use utoipa::ToSchema;

use super::ResidenceError;

/// How "twelve months" is read: 40 CFR 1068.30 says more than twelve, the examples of 1068.31 say at least twelve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Boundary {
    /// Twelve months to the day are enough: the more careful reading.
    AtLeast,
    /// A day more is needed.
    MoreThan,
}

/// The rules that clocks run by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ResidencePolicy {
    pub(super) name: String,
    pub(super) edition: String,
    pub(super) source: String,
    pub(super) months: u16,
    /// Which reading decides; both are told.
    pub boundary: Boundary,
    /// The longest time without a unit that does not end the clock; every one continues it where absent.
    pub gap_days_max: Option<u16>,
    /// Whether days in storage are left out. Then they neither count nor end the clock.
    pub storage_excluded: bool,
    /// Whether a full season at a seasonal place makes a unit stationary.
    pub seasonal: bool,
    /// The least months of a season for a place to be a seasonal one.
    pub season_months_min: u16,
    /// The least months for which such a place is meant to work in all.
    pub permanent_months_min: u16,
}

impl ResidencePolicy {
    /// The standard rules with another name and another limit in months.
    ///
    /// # Errors
    ///
    /// Where the limit is no months.
    pub fn new(
        name: impl Into<String>,
        edition: impl Into<String>,
        source: impl Into<String>,
        months: u16,
    ) -> Result<Self, ResidenceError> {
        if months == 0 {
            return Err(ResidenceError::NoMonths);
        }
        let (name, edition, source) = (name.into(), edition.into(), source.into());
        Ok(Self { name, edition, source, months, ..Self::standard() })
    }

    /// Twelve months, to the day enough; gaps count and storage does; seasons of three months and more at places that are meant
    /// for two years and more (40 CFR 1068.30, 1068.31). The rule gives no length of a gap: 30 days are a value of this
    /// project that the municipality sets, and each gap is named for review.
    #[must_use]
    pub fn standard() -> Self {
        Self {
            name: "twelve_month_residence".to_owned(),
            edition: "1".to_owned(),
            source: "40 CFR 1068.30, 1068.31".to_owned(),
            months: 12,
            boundary: Boundary::AtLeast,
            gap_days_max: Some(30),
            storage_excluded: false,
            seasonal: true,
            season_months_min: 3,
            permanent_months_min: 24,
        }
    }
}
