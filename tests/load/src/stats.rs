//! What was measured, and what it comes to.

use std::time::Duration;

/// One measurement: how often something was done, in what time, and how long each took.
#[derive(Clone, Debug, Default)]
pub(crate) struct Measured {
    seconds: f64,
    /// In order of length.
    each: Vec<Duration>,
}

impl Measured {
    pub(crate) fn new(took: Duration, mut each: Vec<Duration>) -> Self {
        each.sort_unstable();
        Self { seconds: took.as_secs_f64(), each }
    }

    /// How often a second; nothing if nothing was done.
    pub(crate) fn rate(&self) -> f64 {
        if self.seconds > 0.0 { count(self.each.len()) / self.seconds } else { 0.0 }
    }

    /// The nearest-rank percentile of how long one took, in milliseconds.
    pub(crate) fn percentile(&self, percent: usize) -> f64 {
        let rank = (self.each.len() * percent).div_ceil(100).max(1);
        self.each.get(rank - 1).map_or(0.0, |d| d.as_secs_f64() * 1000.0)
    }
}

/// The same thing measured in several rounds, one after the other with what it is compared to.
#[derive(Clone, Debug, Default)]
pub(crate) struct Rounds {
    pub(crate) candidate: Vec<Measured>,
    pub(crate) baseline: Vec<Measured>,
}

impl Rounds {
    /// The 99th percentile of the candidate by the baseline's in each round, smallest first.
    pub(crate) fn tails(&self) -> Vec<f64> {
        let pairs = self.candidate.iter().zip(&self.baseline);
        let mut tails: Vec<f64> = pairs.map(|(c, b)| c.percentile(99) / b.percentile(99)).collect();
        tails.sort_by(f64::total_cmp);
        tails
    }

    /// Rate of the candidate as a share of the baseline's in each round, smallest first.
    pub(crate) fn ratios(&self) -> Vec<f64> {
        let pairs = self.candidate.iter().zip(&self.baseline);
        let mut ratios: Vec<f64> = pairs.map(|(c, b)| c.rate() / b.rate()).collect();
        ratios.sort_by(f64::total_cmp);
        ratios
    }
}

/// The median of some figures about the rounds of one thing.
pub(crate) fn median(rounds: &[Measured], figure: impl Fn(&Measured) -> f64) -> f64 {
    let mut figures: Vec<f64> = rounds.iter().map(figure).collect();
    figures.sort_by(f64::total_cmp);
    middle(&figures)
}

/// The middle one of ordered figures, or half-way between the two in the middle.
pub(crate) fn middle(ordered: &[f64]) -> f64 {
    let at = |i: usize| ordered.get(i).copied().unwrap_or_default();
    let half = ordered.len() / 2;
    if ordered.len().is_multiple_of(2) {
        f64::midpoint(at(half.saturating_sub(1)), at(half))
    } else {
        at(half)
    }
}

/// A count as a number to reckon with.
pub(crate) fn count(n: usize) -> f64 {
    // Counts here are far below the 52 bits that a double holds.
    u32::try_from(n).map_or(f64::INFINITY, f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured(milliseconds: &[u64]) -> Measured {
        Measured::new(
            Duration::from_secs(2),
            milliseconds.iter().map(|ms| Duration::from_millis(*ms)).collect(),
        )
    }

    #[test]
    fn percentiles_are_of_the_nearest_rank() {
        let cases: &[(&[u64], usize, f64)] = &[
            (&[], 50, 0.0),
            (&[7], 50, 7.0),
            (&[7], 99, 7.0),
            (&[3, 1, 2], 50, 2.0),
            (&[4, 3, 1, 2], 50, 2.0),
            (&[4, 3, 1, 2], 99, 4.0),
            (&[4, 3, 1, 2], 0, 1.0),
        ];
        for (of, percent, is) in cases {
            assert_eq!(measured(of).percentile(*percent), *is, "{percent} % of {of:?}");
        }
    }

    #[test]
    fn a_rate_is_per_second() {
        assert_eq!(measured(&[1, 1, 1]).rate(), 1.5);
        assert_eq!(Measured::default().rate(), 0.0);
    }

    #[test]
    fn medians() {
        for (of, is) in [(vec![], 0.0), (vec![2.0], 2.0), (vec![1.0, 2.0], 1.5), (vec![1.0, 2.0, 9.0], 2.0)] {
            assert_eq!(middle(&of), is, "{of:?}");
        }
    }

    #[test]
    fn ratios_are_of_the_same_round() {
        let rounds = Rounds {
            candidate: vec![measured(&[1, 1]), measured(&[1])],
            baseline: vec![measured(&[1]), measured(&[1, 1])],
        };
        assert_eq!(rounds.ratios(), [0.5, 2.0]);
        let slower = Rounds { candidate: vec![measured(&[1, 6])], baseline: vec![measured(&[1, 2])] };
        assert_eq!(slower.tails(), [3.0]);
    }
}
