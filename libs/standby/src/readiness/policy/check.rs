//! What rules look at, and what comes of it.

use std::collections::BTreeSet;

use model::Code;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::PolicyError;

/// What is found where a rule is not met.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Found {
    /// The set must not count as ready.
    Block,
    /// It is ready, but with limits.
    Limit,
    /// Only worth knowing.
    Info,
}

/// What comes of a fact that nobody entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NotKnown {
    /// Nothing can be said of the set.
    Unknown,
    /// The rule is left out, and that is told.
    LeaveOut,
}

/// What a rule looks at, with its limits.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Check {
    /// No critical finding is open.
    CriticalFindings {
        /// Where one is.
        open: Found,
    },
    /// No tag or lock puts it out of service.
    Tags {
        /// Where one hangs on it.
        hung: Found,
    },
    /// What is due on the set.
    DueItems {
        /// The jobs that it looks at; none means all that no other rule of the policy names.
        jobs: BTreeSet<Code>,
        /// Beyond its tolerance.
        overdue: Found,
        /// At its limit, or past it within its tolerance.
        due: Found,
    },
    /// The last start succeeded.
    LastStart {
        /// Where it failed and was not put right.
        failed: Found,
    },
    /// The starting battery passed its test and is not due.
    Battery {
        /// Where it failed its test.
        failed: Found,
        /// Where its check is due.
        due: Found,
    },
    /// What storage or repair asks for was done.
    Recommission {
        /// Where it was not.
        open: Found,
    },
    /// It lasts long enough.
    Endurance {
        /// Hours it should last where its site asks for nothing else.
        needed_hours: u16,
        /// Where it lasts less.
        short: Found,
        /// Below this many hours it is as good as empty.
        empty_below_hours: u16,
        /// Where it is.
        empty: Found,
    },
    /// Its fuel is fresh enough.
    StaleFuel {
        /// The most that may be past its limit, in percent.
        most_percent: Percent,
        /// Where more is.
        more: Found,
    },
    /// A test that counts is not too long ago.
    LastTest {
        /// The most days since.
        most_days: u16,
        /// From so many days on it is told beforehand.
        told_from_days: u16,
        /// Where it is longer ago.
        longer: Found,
    },
    /// It starts when asked, as far as its starts can prove.
    StartRate {
        /// The least share that must be proved, in percent.
        least_percent: Percent,
        /// By which bound.
        bound: Bound,
        /// Where less is.
        less: Found,
    },
    /// It can carry its load where it stands.
    Load {
        /// Where it cannot.
        more: Found,
    },
    /// Its meter was read not too long ago; a reading that is too old counts as not known.
    Reading {
        /// The most days since, of 24 hours each.
        most_days: u16,
    },
    /// An alarm for carbon monoxide works.
    CoAlarm {
        /// Where none does.
        none: Found,
    },
    /// It stands far enough from openings.
    Placement {
        /// The least distance in centimetres.
        least_centimetres: u16,
        /// Where it stands nearer.
        nearer: Found,
    },
}

/// The lower bound that a share of starts is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = StartRateBound)]
pub enum Bound {
    /// Clopper and Pearson's, the lower of two for 95 %; it never claims too much.
    #[serde(rename = "clopper_pearson_95")]
    ClopperPearson95,
    /// Wilson's, the lower of two for 95 %.
    #[serde(rename = "wilson_95")]
    Wilson95,
}

/// A whole number of hundredths of a whole, 100 at most.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "u8")]
pub struct Percent(pub(super) u8);

impl Percent {
    /// The percent.
    #[must_use]
    pub const fn percent(self) -> u8 {
        self.0
    }
}
impl TryFrom<u8> for Percent {
    type Error = &'static str;
    fn try_from(percent: u8) -> Result<Self, Self::Error> {
        if percent <= 100 { Ok(Self(percent)) } else { Err("A share is at most 100 percent.") }
    }
}

impl Check {
    /// Whether both look at the same.
    pub(super) fn overlaps(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::DueItems { jobs, .. }, Self::DueItems { jobs: others, .. }) => {
                jobs.is_empty() && others.is_empty() || !jobs.is_disjoint(others)
            }
            _ => std::mem::discriminant(self) == std::mem::discriminant(other),
        }
    }

    /// Whether it does not contradict itself.
    pub(super) const fn sound(&self, place: usize) -> Result<(), PolicyError> {
        match self {
            Self::LastTest { most_days, told_from_days, .. } if *told_from_days > *most_days => {
                Err(PolicyError::ToldTooLate { place })
            }
            Self::Endurance { needed_hours, empty_below_hours, .. } if *empty_below_hours > *needed_hours => {
                Err(PolicyError::EmptyAboveNeeded { place })
            }
            _ => Ok(()),
        }
    }
}
