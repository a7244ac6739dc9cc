//! Spares promised to sites: whether a spare fits what a site needs, and whether a promise counts.
//!
//! After 47 CFR 9.19 a set that is brought counts only if it is there before the batteries drain, and regardless of demand
//! elsewhere: of two promises of one spare to two sites at overlapping times only the one made first can count. What fits is
//! never told from missing data.
//!
//! ```
//! use model::Kilowatts;
//! use standby::promise::{Fits, Need, Ratings, fit};
//!
//! let need = Need { kw: Some(Kilowatts::from_hundredths(500)), ..Need::default() };
//! let ratings = Ratings { capacity: Some(Kilowatts::from_hundredths(436)), ..Ratings::default() };
//! // Too weak for sure, whatever else is missing.
//! assert_eq!(fit(&ratings, &need).unwrap().fits, Fits::DoesNotFit);
//! assert_eq!(fit(&Ratings::default(), &need).unwrap().fits, Fits::Unknown);
//! ```

mod answer;
mod fit;
mod kept;

use model::{Hours, Instant, SiteId, UnitId};

pub use self::{
    answer::{Counts, Promised, Promises, PromisesTrace, WhyNot},
    fit::{Aspect, Fit, Fits, Misfit, Need, Neutral, NeutralNeed, Phases, Ratings, fit},
    kept::promises,
};
pub use model::PromiseId;

use crate::readiness::Verdict;

/// A set that can be brought to a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Spare {
    /// The set.
    pub unit: UnitId,
    /// What it can do.
    pub ratings: Ratings,
    /// Whether it is ready; none where that was not judged.
    pub readiness: Option<Verdict>,
    /// The site that needs it anyway; none for a set that is only a spare.
    pub serves: Option<SiteId>,
}

/// A spare promised to a site.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Promise {
    /// Its id.
    pub id: PromiseId,
    /// The spare.
    pub spare: UnitId,
    /// The site.
    pub site: SiteId,
    /// What the site needs.
    pub need: Need,
    /// When it was promised; the first of two that contradict each other counts.
    pub made_at: Instant,
    /// From when on.
    pub from: Instant,
    /// Until when, that instant not included; none until further notice.
    pub until: Option<Instant>,
    /// How long after the power fails it is there and connected.
    pub there_after: Option<Hours>,
    /// What carries the site until then.
    pub bridge: Bridge,
}

/// What carries a site until a spare is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bridge {
    /// The site can do without power meanwhile.
    NotNeeded,
    /// Batteries, and how long they last; none where that is not known.
    Batteries(Option<Hours>),
}

/// How promises are judged.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PromisePolicy {
    /// Its name.
    pub policy: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// How long it takes to have a spare at the next site after it was needed at one.
    pub between: Hours,
    /// Where the rules come from.
    pub source: &'static str,
}

impl PromisePolicy {
    /// 47 CFR 9.19; that no time is needed between two sites is left to the municipality to change.
    #[must_use]
    pub const fn standard() -> Self {
        Self {
            policy: "spares_promised",
            edition: "1",
            between: Hours::ZERO,
            source: "47 CFR 9.19 (formerly 12.4(c)(2)(i)(A)); no time between two sites unless the policy says so",
        }
    }
}

/// Why promises cannot be what was entered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PromiseError {
    /// An amount below nothing.
    #[error("This is not less than 0.")]
    BelowNothing {
        /// The member.
        pointer: String,
    },
    /// It would hold at no time.
    #[error("A promise ends after it begins.")]
    EndsBeforeItBegins {
        /// The member.
        pointer: String,
    },
    /// A spare that is not among the spares.
    #[error("There is no such spare.")]
    NoSuchSpare {
        /// The member.
        pointer: String,
    },
    /// An id that is there already.
    #[error("This id is there already.")]
    Twice {
        /// The member.
        pointer: String,
    },
}

impl PromiseError {
    /// The code.
    #[must_use]
    pub const fn code(&self) -> &'static str {
        match self {
            Self::BelowNothing { .. } => "out_of_range",
            Self::EndsBeforeItBegins { .. } => "ends_before_it_begins",
            Self::NoSuchSpare { .. } => "no_such_spare",
            Self::Twice { .. } => "twice",
        }
    }

    /// The member that is wrong, as a JSON pointer.
    #[must_use]
    pub fn pointer(&self) -> &str {
        match self {
            Self::BelowNothing { pointer }
            | Self::EndsBeforeItBegins { pointer }
            | Self::NoSuchSpare { pointer }
            | Self::Twice { pointer } => pointer,
        }
    }
}
