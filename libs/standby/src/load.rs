//! What a set carries while the mains is away: one load, loads by the local clock, or loads step by step.
//!
//! A profile is laid over an outage once, with its zone and the set's rating, and is from then on a row of shares of the rating.

mod bands;

use std::fmt;

use model::{
    Instant, Zone,
    mail::TimeOfDay,
    quantity::{Factor, Kilowatts},
};
use serde::{Serialize, Serializer};
use thiserror::Error;

/// A share of the rated output in millionths: 0.6 is 60 %.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Share(i64);

impl Share {
    /// No load at all.
    pub const NONE: Self = Self(0);
    /// All that the set is rated for.
    pub const FULL: Self = Self(1_000_000);

    /// The most that a set carries: the overload of 10 % that ratings allow for an hour. Common practice.
    pub const MOST: Self = Self(1_100_000);

    /// From millionths that somebody entered; none of less than nothing.
    #[must_use]
    pub const fn entered(millionths: i64) -> Option<Self> {
        if millionths < 0 { None } else { Some(Self(millionths)) }
    }

    /// From millionths; less than nothing is nothing, so what was entered goes through [`Self::entered`].
    #[must_use]
    pub const fn from_millionths(millionths: i64) -> Self {
        Self(if millionths < 0 { 0 } else { millionths })
    }

    /// From hundredths of the rating.
    #[must_use]
    pub const fn from_percent(percent: i64) -> Self {
        Self::from_millionths(percent.saturating_mul(10_000))
    }

    /// The millionths.
    #[must_use]
    pub const fn millionths(self) -> i64 {
        self.0
    }

    /// What share `load` is of `rated`, rounded up, since a load must never look smaller; none of a rating of nothing.
    #[must_use]
    pub fn of(load: Kilowatts, rated: Kilowatts) -> Option<Self> {
        let (load, rated) = (i128::from(load.hundredths()), i128::from(rated.hundredths()));
        (rated > 0 && load >= 0).then(|| {
            Self(i64::try_from((load * i128::from(Self::FULL.0) + rated - 1) / rated).unwrap_or(i64::MAX))
        })
    }
}

impl From<Factor> for Share {
    fn from(factor: Factor) -> Self {
        Self::from_percent(factor.hundredths())
    }
}
impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (whole, part) = (self.0 / 10_000, self.0 % 10_000);
        if part == 0 {
            return write!(f, "{whole} %");
        }
        write!(f, "{whole}.{} %", format!("{part:04}").trim_end_matches('0'))
    }
}
impl Serialize for Share {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(self.0 as f64 / 1_000_000.0)
    }
}

/// A load as it is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Load {
    /// A share of the rated output.
    Share(Share),
    /// Kilowatts; a share of the rating only once that is known.
    Kilowatts(Kilowatts),
}

/// A load between two times by the clock on the wall; one that ends before it begins goes over midnight.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    /// When it begins.
    pub from: TimeOfDay,
    /// When the next one begins; the same as `from` means all day.
    pub until: TimeOfDay,
    /// The load meanwhile.
    pub load: Load,
}

/// A load from some time after the start on, until the next one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    /// Seconds after the start.
    pub after_seconds: i64,
    /// The load from then on.
    pub load: Load,
}

/// What is expected of a set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Profile {
    /// The same load throughout.
    Constant(Load),
    /// Loads by the local clock, which cover the day once.
    Bands(Vec<Band>),
    /// Loads one after the other; the first from the start.
    Steps(Vec<Step>),
}

/// What an outage spans, and where.
#[derive(Clone, Copy, Debug)]
pub struct Window<'a> {
    /// When it begins.
    pub start: Instant,
    /// How long it lasts in seconds.
    pub seconds: i64,
    /// The zone of the site.
    pub zone: &'a Zone,
}

/// What is wrong with a load profile.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LoadError {
    /// The set cannot carry that.
    #[error("The load at {pointer} is {share} of the rated output; a set carries no more than 110 %.")]
    AboveCapacity {
        /// Where the load stands.
        pointer: String,
        /// What share it is.
        share: Share,
    },
    /// A load below nothing.
    #[error("The load at {pointer} is not below 0.")]
    BelowNothing {
        /// Where the load stands.
        pointer: String,
    },
    /// A load in kilowatts says nothing without the rating.
    #[error("A load in kilowatts needs the rated output: enter rated_kw.")]
    RatingMissing,
    /// The rating is nothing.
    #[error("The rated output is more than 0 kW.")]
    RatingNotPositive,
    /// There is no load in the list.
    #[error("The list of loads is empty.")]
    Empty {
        /// The list.
        pointer: &'static str,
    },
    /// Two bands share a time of day, or none has it.
    #[error(
        "The bands cover the day once: the one at {pointer} does not begin where the one before it ends."
    )]
    BandsDoNotMeet {
        /// The band.
        pointer: String,
    },
    /// Steps are not in order, or the first is not at the start.
    #[error("The first step begins at 0 seconds, and each later one after the one before it.")]
    StepsOutOfOrder {
        /// The step.
        pointer: String,
    },
}

impl LoadError {
    /// A short name for it.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::AboveCapacity { .. } => "load_above_capacity",
            Self::BelowNothing { .. } => "below_nothing",
            Self::RatingMissing => "rating_missing",
            Self::RatingNotPositive => "out_of_range",
            Self::Empty { .. } => "empty_list",
            Self::BandsDoNotMeet { .. } => "bands_do_not_meet",
            Self::StepsOutOfOrder { .. } => "steps_out_of_order",
        }
    }

    /// Which field it is about.
    #[must_use]
    pub fn pointer(&self) -> &str {
        match self {
            Self::AboveCapacity { pointer, .. }
            | Self::BelowNothing { pointer }
            | Self::BandsDoNotMeet { pointer }
            | Self::StepsOutOfOrder { pointer } => pointer,
            Self::RatingMissing | Self::RatingNotPositive => "/rated_kw",
            Self::Empty { pointer } => pointer,
        }
    }
}

/// The shares of the rating that a set carries, from seconds after the start on; the first from 0, in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Timeline(Vec<(i64, Share)>);

impl Timeline {
    /// Lays a profile over an outage.
    ///
    /// # Errors
    /// Where a load is below nothing or above [`Share::MOST`], is in kilowatts without a rating, or where the list has gaps.
    pub fn of(profile: &Profile, rated: Option<Kilowatts>, window: &Window<'_>) -> Result<Self, LoadError> {
        match profile {
            Profile::Constant(load) => Ok(Self(vec![(0, share(*load, rated, "/load")?)])),
            Profile::Bands(list) => bands::laid_over(list, rated, window).map(Self),
            Profile::Steps(list) => steps(list, rated).map(Self),
        }
    }

    /// Each share with the seconds after the start from which it holds.
    #[must_use]
    pub fn steps(&self) -> &[(i64, Share)] {
        &self.0
    }
}

fn share(load: Load, rated: Option<Kilowatts>, pointer: &str) -> Result<Share, LoadError> {
    let share = match load {
        Load::Share(share) => share,
        Load::Kilowatts(load) => {
            if load.hundredths() < 0 {
                return Err(LoadError::BelowNothing { pointer: pointer.to_owned() });
            }
            let rated = rated.ok_or(LoadError::RatingMissing)?;
            Share::of(load, rated).ok_or(LoadError::RatingNotPositive)?
        }
    };
    if share > Share::MOST {
        return Err(LoadError::AboveCapacity { pointer: pointer.to_owned(), share });
    }
    Ok(share)
}

fn steps(list: &[Step], rated: Option<Kilowatts>) -> Result<Vec<(i64, Share)>, LoadError> {
    let mut laid: Vec<(i64, Share)> = Vec::with_capacity(list.len());
    for (place, step) in list.iter().enumerate() {
        let pointer = format!("/load/steps/{place}");
        let in_order = laid.last().map_or(step.after_seconds == 0, |(last, _)| step.after_seconds > *last);
        if !in_order {
            return Err(LoadError::StepsOutOfOrder { pointer });
        }
        laid.push((step.after_seconds, share(step.load, rated, &pointer)?));
    }
    if laid.is_empty() { Err(LoadError::Empty { pointer: "/load/steps" }) } else { Ok(laid) }
}
