//! How sure a share of successes is: two-sided bounds for a count of trials.
//!
//! Wilson's bounds are close and are for display; the exact ones (Clopper and Pearson) never claim too much, and are what a
//! claim is held against. Values agree with Newcombe (1998), table I.

/// One tail of a two-sided interval of 95 %.
pub const TWO_SIDED_95: f64 = 0.025;
/// The tail of a one-sided bound of 95 %.
pub const ONE_SIDED_95: f64 = 0.05;
/// The standard normal quantile at 97.5 %.
const Z_95: f64 = 1.959_963_984_540_054;
/// Halvings: the last digit of a share that is told to four places is right many times over.
const HALVINGS: u32 = 40;

/// A number of trials and how many of them succeeded: at least one trial, and no more successes than trials.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Trials {
    succeeded: u32,
    trials: u32,
}

/// Why there can be no such counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TrialsError {
    /// No trial at all.
    #[error("A share needs at least one trial.")]
    None,
    /// More successes than trials.
    #[error("There cannot be more successes than trials.")]
    TooMany,
}

impl TrialsError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::None => "no_trials",
            Self::TooMany => "more_successes_than_trials",
        }
    }

    /// The member that is wrong.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::None => "/trials",
            Self::TooMany => "/succeeded",
        }
    }
}

impl Trials {
    /// From counts.
    ///
    /// # Errors
    /// Where there is no trial, or more successes than trials.
    pub const fn new(succeeded: u32, trials: u32) -> Result<Self, TrialsError> {
        match (succeeded, trials) {
            (_, 0) => Err(TrialsError::None),
            (succeeded, trials) if succeeded > trials => Err(TrialsError::TooMany),
            (succeeded, trials) => Ok(Self { succeeded, trials }),
        }
    }

    /// How many succeeded.
    #[must_use]
    pub const fn succeeded(self) -> u32 {
        self.succeeded
    }

    /// How many there were.
    #[must_use]
    pub const fn trials(self) -> u32 {
        self.trials
    }

    /// The lowest share that is still believable: the chance of so many successes or more is `tail` there (Clopper-Pearson).
    #[must_use]
    pub fn exact_lower(self, tail: f64) -> f64 {
        if self.succeeded == 0 {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..HALVINGS {
            let middle: f64 = f64::midpoint(low, high);
            if self.chance_of_so_many(middle) > tail { high = middle } else { low = middle }
        }
        low
    }

    /// The highest share that is still believable (Clopper-Pearson).
    #[must_use]
    pub fn exact_upper(self, tail: f64) -> f64 {
        let failures = Self { succeeded: self.trials - self.succeeded, trials: self.trials };
        1.0 - failures.exact_lower(tail)
    }

    /// Lower and upper bound of 95 % by Wilson's formula.
    #[must_use]
    pub fn wilson_95(self) -> (f64, f64) {
        let (n, x) = (f64::from(self.trials), f64::from(self.succeeded));
        let z2 = Z_95 * Z_95;
        let middle = (x + z2 / 2.0) / (n + z2);
        let reach = Z_95 / (n + z2) * (x * (n - x) / n + z2 / 4.0).sqrt();
        // Rounding would leave a trace of less than nothing, or of more than all.
        let lower = if self.succeeded == 0 { 0.0 } else { middle - reach };
        let upper = if self.succeeded == self.trials { 1.0 } else { middle + reach };
        (lower, upper)
    }

    /// The chance of at least so many successes where each has the chance `p`, by its logarithm so that nothing vanishes.
    fn chance_of_so_many(self, p: f64) -> f64 {
        let (n, failures) = (f64::from(self.trials), self.trials - self.succeeded);
        let odds = ((1.0 - p) / p).ln();
        let mut term = n * p.ln();
        let mut sum = term.exp();
        for failed in (1..=failures).map(f64::from) {
            term += ((n - failed + 1.0) / failed).ln() + odds;
            sum += term.exp();
        }
        sum
    }
}

/// How many trials in a row must all succeed to claim a share with a one-sided bound of 95 %; never enough to claim all.
#[must_use]
pub fn straight_successes_for(share: f64) -> Option<u32> {
    (share < 1.0).then(|| (1..=1_000_000).find(|n| share.max(0.0).powi(*n) <= ONE_SIDED_95))??.try_into().ok()
}
