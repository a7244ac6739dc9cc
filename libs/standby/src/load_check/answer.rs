//! What is told of a load.

use std::borrow::Cow;

use interval::{Fraction, Grade};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    Watts,
    derate::{Factor, RuleOf, Together},
};
use crate::{asked::Asked, caution::Caution};

/// Whether a set carries its loads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LoadVerdict {
    /// It runs all of them, and starts them in the order told.
    Carries,
    /// It does not.
    Overloaded,
    /// Something that has to be known is not.
    Unknown,
}

/// In what it is overloaded.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum Over {
    /// All loads together take more than it can give all the time.
    Running {
        /// What they take.
        #[schema(value_type = u32)]
        value: Watts,
        /// What it can give; where height or heat is not known, at most this.
        #[schema(value_type = u32)]
        threshold: Watts,
    },
    /// Even in the best order a start takes more than it can give for a moment.
    Starting {
        /// What starts then.
        name: String,
        /// What is taken at that moment.
        #[schema(value_type = u32)]
        value: Watts,
        /// What it can give; where height or heat is not known, at most this.
        #[schema(value_type = u32)]
        threshold: Watts,
    },
}

/// One start, in the order in which to start.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct StartStep {
    /// The load's place in the list that was entered.
    pub place: usize,
    /// The load.
    pub name: String,
    /// What is taken while it starts, with all that runs by then.
    #[schema(value_type = u32, example = 4500)]
    pub peak_watts: Watts,
    /// What is taken once it runs.
    #[schema(value_type = u32, example = 1500)]
    pub then_watts: Watts,
}

/// Whether a set carries its loads where it stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LoadCheck {
    /// Whether it does.
    pub verdict: LoadVerdict,
    /// In what it is overloaded.
    pub over: Vec<Over>,
    /// What it can give all the time; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<u32>, example = 4357)]
    pub capacity_watts: Option<Watts>,
    /// What it can give while something starts; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<u32>, example = 5466)]
    pub start_capacity_watts: Option<Watts>,
    /// What all loads take while they run, as far as that is known.
    #[schema(value_type = u32, example = 3850)]
    pub running_watts: Watts,
    /// That as a share of what it can give.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.8836)]
    pub share_of_capacity: Option<Fraction>,
    /// That as a share of the nameplate, which hides what height and heat take.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.7)]
    pub share_of_nameplate: Option<Fraction>,
    /// In which order to start: the largest surge first; loads of unknown surge are left out.
    pub order: Vec<StartStep>,
    /// The highest moment of that order.
    #[schema(value_type = u32, example = 4500)]
    pub peak_watts: Watts,
    /// The highest moment of the worst order, as far as loads are known.
    #[schema(value_type = u32, example = 6850)]
    pub worst_order_watts: Watts,
    /// What is taken if all known loads start at once, as when the power comes back to loads that are switched on.
    #[schema(value_type = u32, example = 9350)]
    pub all_at_once_watts: Watts,
    /// Whether they may all start at once; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub may_start_at_once: Option<bool>,
    /// How well the capacity is known.
    pub grade: Grade,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// What it rests on.
    pub trace: Vec<LoadTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// One thing that a load check rests on, or that was left out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum LoadTrace {
    /// The rule by which height and heat were reckoned.
    RuleUsed {
        /// Its name.
        #[schema(value_type = String)]
        rule: Cow<'static, str>,
        /// Where it comes from.
        #[schema(value_type = String)]
        source: Cow<'static, str>,
        /// Whose rule it is.
        of: RuleOf,
        /// How both come together.
        together: Together,
    },
    /// What height leaves.
    AltitudeFactor {
        /// A share of the nameplate.
        #[schema(value_type = f64, example = 0.81333)]
        factor: Factor,
    },
    /// What heat leaves.
    TemperatureFactor {
        /// A share of the nameplate.
        #[schema(value_type = f64, example = 0.974)]
        factor: Factor,
    },
    /// What both leave.
    Factor {
        /// A share of the nameplate.
        #[schema(value_type = f64, example = 0.79219)]
        factor: Factor,
    },
    /// What it can give for a moment is not known, but is not needed: it can give as much all the time.
    StartNotNeeded,
    /// Height or heat is not known; that there can be no more than this was enough to tell.
    AtMost {
        /// What is left of the nameplate by what is known.
        #[schema(value_type = u32)]
        watts: Watts,
    },
    /// A load was left out of the order of starts, since its surge or its running power is not known.
    LeftOutOfOrder {
        /// Its place in the list.
        place: usize,
    },
}
