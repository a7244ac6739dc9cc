//! What height and heat take from a nameplate, by a rule that is data.

use std::borrow::Cow;

use model::{
    Metres,
    derating::Derating,
    quantity::{Celsius, Percent},
};
use serde::{Deserialize, Serialize, Serializer};
use utoipa::ToSchema;

use super::Watts;

const BILLION: i128 = 1_000_000_000;

/// A share of a nameplate in billionths, between nothing and all of it; told to five places.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Factor(u32);

impl Factor {
    /// All of it.
    pub const ALL: Self = Self(1_000_000_000);

    /// The billionths.
    #[must_use]
    pub const fn billionths(self) -> u32 {
        self.0
    }

    /// What is left of a power, rounded down, since a capacity must never look bigger.
    #[must_use]
    pub fn of(self, watts: Watts) -> Watts {
        let left = u64::from(watts.watts()) * u64::from(self.0) / 1_000_000_000;
        Watts::from_whole(u32::try_from(left).unwrap_or(u32::MAX))
    }

    /// What is left when so many billionths are lost.
    fn less(lost: i128) -> Self {
        Self(u32::try_from((BILLION - lost).clamp(0, BILLION)).unwrap_or(0))
    }

    const fn lost(self) -> i128 {
        BILLION - self.0 as i128
    }
}

impl Serialize for Factor {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(f64::from((self.0 + 5000) / 10_000) / 100_000.0)
    }
}

/// The rule of a model, or a rule of thumb.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DerateRule {
    /// Its name.
    pub rule: Cow<'static, str>,
    /// Where it comes from.
    pub source: Cow<'static, str>,
    /// Whose rule it is.
    pub of: RuleOf,
    /// What height takes, in metres.
    pub altitude: Slope,
    /// What heat takes, in degrees Celsius.
    pub temperature: Slope,
    /// How both come together.
    pub together: Together,
}

impl DerateRule {
    /// The rule of a model, as it was entered of a unit; none where a step takes more than all.
    #[must_use]
    pub fn of_model(entered: &Derating) -> Option<Self> {
        let slope = |percent: Percent, per: i64, above: i64| {
            let percent = u16::try_from(percent.hundredths()).ok()?;
            let (per, above) = (u16::try_from(per).ok()?, i32::try_from(above).ok()?);
            Slope::new(percent, per, above, Growth::Linear, None).ok()
        };
        let (from_height, from_heat) = (entered.altitude_above_metres, entered.temperature_above_celsius);
        let temperature = (entered.temperature_percent, entered.temperature_per_celsius);
        Some(Self {
            rule: "of_the_model".into(),
            source: entered.source.to_string().into(),
            of: RuleOf::Model,
            altitude: slope(entered.altitude_percent, entered.altitude_per_metres, from_height.unwrap_or(0))?,
            temperature: slope(temperature.0, temperature.1, from_heat.unwrap_or(USUAL_CELSIUS))?,
            together: Together::Multiplied,
        })
    }
}

/// Up to which temperature of the air a set gives what its plate says, where its manual names no other (common practice).
pub const USUAL_CELSIUS: i64 = 25;

/// Whose rule it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RuleOf {
    /// The maker's, for this model.
    Model,
    /// A rule of thumb for sets of its kind: an estimate.
    Thumb,
}

/// How what height takes and what heat takes come together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Together {
    /// What is left after the one, times what is left after the other.
    Multiplied,
    /// Both percentages are added.
    Added,
}

/// How a loss grows with the steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Growth {
    /// Each step takes the same from the nameplate; a part of a step takes its part.
    Linear,
    /// Each step takes the same share of what the one before left.
    Compounding,
}

/// So many percent for so many metres or degrees above a base; below the base nothing is gained.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "Draft")]
pub struct Slope {
    percent_hundredths: u16,
    per: u16,
    above: i32,
    growth: Growth,
    up_to: Option<i32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Draft {
    percent_hundredths: u16,
    per: u16,
    above: i32,
    growth: Growth,
    #[serde(default)]
    up_to: Option<i32>,
}

/// Why there can be no such slope.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SlopeError {
    /// More than all of it.
    #[error("A step takes at most 100 percent.")]
    MoreThanAll,
    /// A step of no width.
    #[error("A step is more than 0.")]
    NoStep,
    /// It would hold nowhere.
    #[error("A rule holds up to its base at least.")]
    UpToBelowBase,
}

impl SlopeError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::MoreThanAll | Self::NoStep => "out_of_range",
            Self::UpToBelowBase => "up_to_below_base",
        }
    }

    /// The member that is wrong.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::MoreThanAll => "/percent_hundredths",
            Self::NoStep => "/per",
            Self::UpToBelowBase => "/up_to",
        }
    }
}

impl TryFrom<Draft> for Slope {
    type Error = SlopeError;
    fn try_from(draft: Draft) -> Result<Self, SlopeError> {
        Self::new(draft.percent_hundredths, draft.per, draft.above, draft.growth, draft.up_to)
    }
}

impl Slope {
    /// Hundredths of a percent for each step of so many metres or degrees above a base; beyond `up_to` the rule says nothing.
    ///
    /// # Errors
    /// Where a step takes more than all or has no width, or where the rule ends below its base.
    pub const fn new(
        percent_hundredths: u16,
        per: u16,
        above: i32,
        growth: Growth,
        up_to: Option<i32>,
    ) -> Result<Self, SlopeError> {
        match up_to {
            _ if percent_hundredths > 10_000 => Err(SlopeError::MoreThanAll),
            _ if per == 0 => Err(SlopeError::NoStep),
            Some(up_to) if up_to < above => Err(SlopeError::UpToBelowBase),
            _ => Ok(Self { percent_hundredths, per, above, growth, up_to }),
        }
    }

    /// What is left at so many metres.
    #[must_use]
    pub fn at_metres(self, metres: Metres) -> Option<Factor> {
        self.at(metres.hundredths())
    }

    /// What is left at so many degrees.
    #[must_use]
    pub fn at_celsius(self, celsius: Celsius) -> Option<Factor> {
        self.at(celsius.hundredths())
    }

    /// What is left at so many hundredths; nothing can be said beyond the end of the rule.
    fn at(self, hundredths: i64) -> Option<Factor> {
        if self.up_to.is_some_and(|up_to| hundredths > i64::from(up_to) * 100) {
            return None;
        }
        let excess = hundredths.saturating_sub(i64::from(self.above) * 100).max(0);
        Some(match self.growth {
            Growth::Linear => self.linear(excess),
            Growth::Compounding => self.compounding(excess),
        })
    }

    fn linear(self, excess: i64) -> Factor {
        let (lost, per) = (i128::from(self.percent_hundredths) * 100_000, i128::from(self.per) * 100);
        // Rounded up: a loss must never look smaller.
        Factor::less((lost * i128::from(excess) + per - 1) / per)
    }

    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        reason = "metres and degrees are small, and a share of 0 to 1 in billionths is far below 2^53"
    )]
    fn compounding(self, excess: i64) -> Factor {
        let steps = excess as f64 / (f64::from(self.per) * 100.0);
        let left = (1.0 - f64::from(self.percent_hundredths) / 10_000.0).powf(steps);
        Factor::less(BILLION - (left * 1e9).floor() as i128)
    }
}

impl Together {
    /// What is left after both.
    #[must_use]
    pub fn of(self, altitude: Factor, temperature: Factor) -> Factor {
        match self {
            Self::Multiplied => {
                let left = u64::from(altitude.0) * u64::from(temperature.0) / 1_000_000_000;
                Factor(u32::try_from(left).unwrap_or(Factor::ALL.0))
            }
            Self::Added => Factor::less(altitude.lost() + temperature.lost()),
        }
    }
}
