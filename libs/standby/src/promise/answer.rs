//! What is told of promises.

use model::{Hours, Instant, SiteId, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use super::{PromiseId, fit::Fit};
use crate::{asked::Asked, readiness::Verdict};

/// Whether a promise counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = PromiseCounts)]
pub enum Counts {
    /// It counts.
    Counts,
    /// Something that has to be known is not.
    Unknown,
    /// It does not count.
    DoesNotCount,
}

/// Why a promise does not count.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
#[schema(as = PromiseWhyNot)]
pub enum WhyNot {
    /// The same spare was promised to another site before, at an overlapping time.
    PromisedElsewhere {
        /// The promise made before.
        #[schema(value_type = String, format = "uuid")]
        promise_id: PromiseId,
        /// Its site.
        #[schema(value_type = String, format = "uuid")]
        site_id: SiteId,
        /// From when on it would have to be in two places, or on its way between them.
        #[schema(value_type = String, format = DateTime)]
        from: Instant,
        /// Until when; absent until further notice.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>, format = DateTime)]
        until: Option<Instant>,
    },
    /// Another site needs the set anyway.
    NeededElsewhere {
        /// That site.
        #[schema(value_type = String, format = "uuid")]
        site_id: SiteId,
    },
    /// It comes when the batteries are drained already.
    TooLate {
        /// When it is there, in hours after the power fails.
        #[schema(value_type = f64)]
        value: Hours,
        /// It must be there earlier than this.
        #[schema(value_type = f64)]
        threshold: Hours,
    },
    /// The spare is not ready.
    SpareNotReady {
        /// The spare's verdict.
        value: Verdict,
    },
    /// The spare does not fit; see the fit.
    DoesNotFit,
}

/// What comes of one promise.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PromiseJudged)]
pub struct Promised {
    /// The promise.
    #[schema(value_type = String, format = "uuid")]
    pub promise_id: PromiseId,
    /// The spare.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// Whether it counts.
    pub counts: Counts,
    /// Everything for which it does not.
    pub reasons: Vec<WhyNot>,
    /// What to enter where something is not known.
    pub missing: Vec<Asked>,
    /// Whether the spare fits.
    pub fit: Fit,
    /// Promises of the same spare to other sites that were made later, at overlapping times: they do not count.
    #[schema(value_type = Vec<String>)]
    pub goes_before: Vec<PromiseId>,
}

/// What comes of all promises, in the order in which they were made.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = PromisesJudged)]
pub struct Promises {
    /// Each promise.
    pub promises: Vec<Promised>,
    /// What it rests on.
    pub trace: Vec<PromisesTrace>,
}

/// One thing that the answer rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum PromisesTrace {
    /// The policy applied.
    PolicyUsed {
        /// Its name.
        #[schema(value_type = String)]
        policy: &'static str,
        /// Its edition.
        #[schema(value_type = String)]
        edition: &'static str,
        /// Where it comes from.
        #[schema(value_type = String)]
        source: &'static str,
    },
    /// So long a spare needs from one site to the next.
    TimeBetween {
        /// Hours.
        #[schema(value_type = f64)]
        hours: Hours,
    },
    /// Of two promises that contradict each other the one made first counts, whether or not it counts otherwise.
    FirstMadeGoesBefore,
}
