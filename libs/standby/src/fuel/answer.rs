//! What is told of the fuel in a tank on a day.

use interval::{Fraction, Grade};
use model::{LocalDate, quantity::Litres};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    ledger::TankNote,
    limits::Credit,
    remedy::{Replacement, TopUp},
};
use crate::{asked::Asked, caution::Caution, convert::Days};

/// Whether the fuel is fit to be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FuelVerdict {
    /// No more than the allowed share is past its limit, even with all that is not known.
    Fresh,
    /// More than the allowed share is past its limit.
    Stale,
    /// It cannot be told; see what to enter.
    Unknown,
    /// There is no fuel in the tank.
    Empty,
    /// This fuel does not age.
    DoesNotAge,
}

/// The age of the fuel in a tank.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FuelAge {
    /// The day it is told for.
    #[schema(value_type = String, format = Date)]
    pub on: LocalDate,
    /// The verdict.
    pub verdict: FuelVerdict,
    /// Litres in the tank.
    #[schema(value_type = f64, example = 14.0)]
    pub litres: Litres,
    /// Mean age in days, each litre counting alike; absent where the age of a part is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 66.43)]
    pub mean_age_days: Option<Days>,
    /// Age in days of the oldest fuel whose age is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 95)]
    pub oldest_days: Option<i32>,
    /// The share past its limit; absent where that cannot be told of a part.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.4286)]
    pub past_share: Option<Fraction>,
    /// The least the share past its limit can be.
    #[schema(value_type = f64, example = 0.4286)]
    pub past_share_at_least: Fraction,
    /// The most the share past its limit can be: all of unknown age counted as past.
    #[schema(value_type = f64, example = 0.4286)]
    pub past_share_at_most: Fraction,
    /// The share above which fuel is stale.
    #[schema(value_type = f64, example = 0.25)]
    pub stale_share: Fraction,
    /// The first day on which the share is above that, if nothing is filled in or taken out; at the latest, where something
    /// is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub stale_from: Option<LocalDate>,
    /// The days on which the share rises, and to what, if nothing is filled in or taken out.
    pub steps: Vec<ShareStep>,
    /// What to burn or drain and fill in again, so that it is no longer stale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replace: Option<Replacement>,
    /// What to fill in, taking nothing out, so that it is no longer stale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub top_up: Option<TopUp>,
    /// Each parcel: those of unknown age, then the oldest first.
    pub parcels: Vec<ParcelAge>,
    /// How well it is known; a rule of thumb is C.
    pub grade: Grade,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// What did not add up in what went in and out.
    pub notes: Vec<TankNote>,
    /// What the answer rests on.
    pub trace: Vec<FuelTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// From a day on, that share is past its limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ShareStep {
    /// The day.
    #[schema(value_type = String, format = Date)]
    pub on: LocalDate,
    /// The share past its limit from then on.
    #[schema(value_type = f64, example = 1.0)]
    pub past_share: Fraction,
}

/// One parcel in the tank.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ParcelAge {
    /// Litres left of it.
    #[schema(value_type = f64, example = 6.0)]
    pub litres: Litres,
    /// When it was bought.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub bought_on: Option<LocalDate>,
    /// Its age in days.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 95)]
    pub age_days: Option<i32>,
    /// The share of its life that is used up; more than 1 when past.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 1.0556)]
    pub life_used: Option<Fraction>,
    /// After how many days its life is used up.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 90.0)]
    pub life_days: Option<Days>,
    /// The first day past its limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub past_from: Option<LocalDate>,
}

/// One thing that the answer rests on, or that it leaves out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum FuelTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
        /// What treatment gives.
        credit: Credit,
    },
    /// The tank counts as mixed, and by volume; no standard decides how old topped-up fuel is.
    MixedByVolume,
    /// A rule that a part of a parcel's life fell under.
    RuleUsed {
        /// The parcel.
        parcel: usize,
        /// The rule.
        #[schema(value_type = String)]
        rule: &'static str,
        /// From that day on.
        #[schema(value_type = String, format = Date)]
        from: LocalDate,
        /// The life under it in days.
        life_days: i64,
        /// How good the figure is.
        grade: Grade,
        /// Where it comes from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// Stabiliser was added, and gives nothing by this policy for this fuel.
    TreatmentNotCredited {
        /// The parcel.
        parcel: usize,
        /// When it was added.
        #[schema(value_type = String, format = Date)]
        treated_on: LocalDate,
    },
    /// How much ethanol is in it is not known; it counts as up to a tenth.
    EthanolNotKnown {
        /// The parcel.
        parcel: usize,
    },
    /// The temperature it is stored at is not known.
    TemperatureNotKnown {
        /// The parcel.
        parcel: usize,
        /// Whether the longer of the published figures was taken, since the shorter is for heat only: where it may be hot, enter
        /// the temperature.
        longer_taken: bool,
    },
}
