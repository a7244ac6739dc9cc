//! The limits of a ledger, as data.

use model::{Hours, LocalDate};
use serde::Serialize;
use utoipa::ToSchema;

use super::LedgerError;

/// Five years from each occurrence (40 CFR 63.6660).
const KEPT_MONTHS: u16 = 60;

/// What class a second has that runs of several classes cover; each second counts once in any case.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OverlapRule {
    /// The most limited class that somebody named: non-emergency, else maintenance or test, else emergency.
    MostLimitedClass,
    /// None, until somebody settles it, where the named classes differ.
    UnclassifiedUntilSettled,
}

/// The limits that a ledger is judged by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LedgerPolicy {
    pub(super) name: String,
    pub(super) edition: String,
    pub(super) source: String,
    pub(super) most_counted: Hours,
    pub(super) most_non_emergency: Hours,
    pub(super) reconciles_within: Hours,
    pub(super) overlap: OverlapRule,
    kept_months: u16,
}

impl LedgerPolicy {
    /// Limits of a municipality or a regulation: maintenance, tests and non-emergency use together, non-emergency use within
    /// that, and by how much the meter and the runs may differ and still agree.
    ///
    /// # Errors
    ///
    /// Where the part is more than the whole, or a limit is nought.
    pub fn new(
        name: impl Into<String>,
        edition: impl Into<String>,
        source: impl Into<String>,
        most_counted: Hours,
        most_non_emergency: Hours,
        reconciles_within: Hours,
        overlap: OverlapRule,
    ) -> Result<Self, LedgerError> {
        let positive = most_non_emergency > Hours::ZERO && reconciles_within >= Hours::ZERO;
        if !positive || most_non_emergency > most_counted {
            return Err(LedgerError::LimitsContradict);
        }
        Ok(Self {
            name: name.into(),
            edition: edition.into(),
            source: source.into(),
            most_counted,
            most_non_emergency,
            reconciles_within,
            overlap,
            kept_months: KEPT_MONTHS,
        })
    }

    /// 100 h in a calendar year, of which 50 h non-emergency, by 40 CFR 63.6640(f), 60.4211(f) and 60.4243(d) (2015, without
    /// the demand-response uses that 785 F.3d 1 struck). Meter and runs agree within a tenth of an hour, one tick of the
    /// usual meter (common practice).
    #[must_use]
    pub fn standard() -> Self {
        Self {
            name: "emergency_engine_hours".to_owned(),
            edition: "1".to_owned(),
            source: "40 CFR 63.6640(f), 60.4211(f), 60.4243(d)".to_owned(),
            most_counted: Hours::from_hundredths(10_000),
            most_non_emergency: Hours::from_hundredths(5_000),
            reconciles_within: Hours::from_hundredths(10),
            overlap: OverlapRule::MostLimitedClass,
            kept_months: KEPT_MONTHS,
        }
    }

    /// The same with records kept for so many months.
    #[must_use]
    pub const fn kept_for(mut self, months: u16) -> Self {
        self.kept_months = months;
        self
    }

    /// The last day on which the record of a day must still be kept: five years on, unless the policy says otherwise.
    #[must_use]
    pub fn kept_until(&self, recorded_for: LocalDate) -> LocalDate {
        recorded_for.plus_months(self.kept_months.into())
    }
}
