//! Litres per hour by load, drawn straight between points that somebody measured or a maker published.

use interval::Grade;
use serde::Serialize;
use thiserror::Error;
use utoipa::ToSchema;

use crate::{amount::BurnRate, load::Share};

/// A burn curve: shares of the rating strictly rising, and rates that never fall with load.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BurnCurve(Vec<(Share, BurnRate)>);

/// A rate read off a curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BurnAt {
    /// The rate.
    pub rate: BurnRate,
    /// Whether the load lies outside the points.
    pub beyond: Option<Beyond>,
    /// The best that the reading can be, however well the points are known: A at a point, B between two, C beyond them or off a
    /// curve of one point.
    pub grade: Grade,
}

/// On which side of its points a curve was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = BeyondCurve)]
pub enum Beyond {
    /// Below the first: the first rate is taken, which is rather too much. Grade C at best.
    BelowFirst,
    /// Above the last: the last rate is taken, which is rather too little. Grade C at best.
    AboveLast,
}

/// What is wrong with a burn curve.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum BurnError {
    /// No points.
    #[error("A burn curve has at least one point.")]
    Empty,
    /// A load outside what a set can carry.
    #[error("The load of point {point} lies between 0 and 1.1 of the rated output.")]
    LoadOutOfRange {
        /// Its place, from 0.
        point: usize,
    },
    /// Loads do not rise.
    #[error("The load of point {point} is above that of the point before it.")]
    LoadNotRising {
        /// Its place, from 0.
        point: usize,
    },
    /// Nothing burned while running.
    #[error(
        "The rate of point {point} is more than 0 litres per hour: an engine without load burns fuel, too."
    )]
    RateNotPositive {
        /// Its place, from 0.
        point: usize,
    },
    /// More load, less fuel.
    #[error("The rate of point {point} is below that of the point before it: more load never burns less.")]
    RateFalls {
        /// Its place, from 0.
        point: usize,
    },
}

impl BurnError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::Empty => "empty_list",
            Self::LoadOutOfRange { .. } => "out_of_range",
            Self::LoadNotRising { .. } => "load_not_rising",
            Self::RateNotPositive { .. } => "rate_not_positive",
            Self::RateFalls { .. } => "rate_falls_with_load",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> String {
        match self {
            Self::Empty => "/burn_curve".to_owned(),
            Self::LoadOutOfRange { point } | Self::LoadNotRising { point } => {
                format!("/burn_curve/{point}/load")
            }
            Self::RateNotPositive { point } | Self::RateFalls { point } => {
                format!("/burn_curve/{point}/litres_per_hour")
            }
        }
    }
}

impl BurnCurve {
    /// A curve through points, in order of load.
    ///
    /// # Errors
    /// Names the first point that is out of order, out of range, or burns less at more load.
    pub fn new(points: Vec<(Share, BurnRate)>) -> Result<Self, BurnError> {
        if points.is_empty() {
            return Err(BurnError::Empty);
        }
        let mut before: Option<(Share, BurnRate)> = None;
        for (point, (share, rate)) in points.iter().copied().enumerate() {
            if share > Share::MOST {
                return Err(BurnError::LoadOutOfRange { point });
            }
            if rate == BurnRate::default() {
                return Err(BurnError::RateNotPositive { point });
            }
            if let Some((last_share, last_rate)) = before {
                if share <= last_share {
                    return Err(BurnError::LoadNotRising { point });
                }
                if rate < last_rate {
                    return Err(BurnError::RateFalls { point });
                }
            }
            before = Some((share, rate));
        }
        Ok(Self(points))
    }

    /// The same rate at every load from none to full; none of a rate of nothing.
    #[must_use]
    pub fn flat(rate: BurnRate) -> Option<Self> {
        (rate > BurnRate::default()).then(|| Self(vec![(Share::NONE, rate), (Share::FULL, rate)]))
    }

    /// Its points.
    #[must_use]
    pub fn points(&self) -> &[(Share, BurnRate)] {
        &self.0
    }

    /// The rate at a load, straight between the two points beside it.
    #[must_use]
    pub fn at(&self, share: Share) -> BurnAt {
        let next = self.0.partition_point(|(at, _)| *at < share);
        let above = self.0.get(next);
        let below = next.checked_sub(1).and_then(|last| self.0.get(last));
        let (rate, beyond, grade) = match (below, above) {
            (_, Some((at, rate))) if *at == share => (*rate, None, Grade::A),
            (Some(below), Some(above)) => (between(*below, *above, share), None, Grade::B),
            (None, Some((_, rate))) => (*rate, Some(Beyond::BelowFirst), Grade::C),
            (Some((_, rate)), None) => (*rate, Some(Beyond::AboveLast), Grade::C),
            (None, None) => (BurnRate::default(), None, Grade::D),
        };
        // One point says nothing of how the rate changes with load.
        let grade = if self.0.len() == 1 { grade.max(Grade::C) } else { grade };
        BurnAt { rate, beyond, grade }
    }
}

/// The rate at `share` on the line through two points, to the nearest microlitre.
fn between(below: (Share, BurnRate), above: (Share, BurnRate), share: Share) -> BurnRate {
    let rise = i128::from(above.1.microlitres_per_hour() - below.1.microlitres_per_hour());
    let width = i128::from(above.0.millionths() - below.0.millionths());
    let along = i128::from(share.millionths() - below.0.millionths());
    let more = (2 * rise * along + width) / (2 * width);
    let rate = i128::from(below.1.microlitres_per_hour()) + more;
    BurnRate::from_microlitres_per_hour(i64::try_from(rate).unwrap_or(i64::MAX))
}
