//! What answers that are worked out have in common: the instant that they are about, and what was known.

use model::{
    Instant,
    read::{FieldError, Flaw},
};
use serde::Serialize;
use store::view::{FOLDED_MOST, Folding, Known, Moment, Then};
use utoipa::{IntoParams, ToSchema};

use crate::{
    extract::Params,
    problem::{ApiError, ApiResult, Kind},
};

/// About which instant, and by what was known when.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(super) struct MomentParams {
    /// The instant that the answer is about; absent means now. For one that has passed, what happened or took effect
    /// after it is left out, but no correction: corrections count by when they were recorded.
    #[param(value_type = Option<String>, format = DateTime)]
    valid_at: Option<String>,
    /// Only what was recorded by this instant counts; absent means everything. What you may see is judged as it is now.
    #[param(value_type = Option<String>, format = DateTime)]
    known_at: Option<String>,
}

/// By what was known when, of an answer that is about one instant or about none.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(super) struct KnownParams {
    /// Only what was recorded by this instant counts; absent means everything. What you may see is judged as it is now.
    #[param(value_type = Option<String>, format = DateTime)]
    known_at: Option<String>,
}

/// The moment that a request names.
#[derive(Clone, Copy, Debug)]
pub(super) struct Asked {
    valid_at: Option<Instant>,
    known_at: Option<Instant>,
    now: Instant,
}

impl Asked {
    /// Takes it from a request that came in at `now`.
    pub(super) fn of(params: &mut Params, now: Instant) -> Self {
        let valid_at = params.instant("valid_at");
        Self { valid_at, known_at: params.instant("known_at"), now }
    }

    /// How things are at `now`.
    pub(super) const fn now(now: Instant) -> Self {
        Self { valid_at: None, known_at: None, now }
    }

    /// Takes only by what was known.
    pub(super) fn by_known(params: &mut Params, now: Instant) -> Self {
        Self { valid_at: None, known_at: params.instant("known_at"), now }
    }

    /// The instant that it is about.
    pub(super) fn at(&self) -> Instant {
        self.chosen().unwrap_or(self.now)
    }

    /// The instant that it is about, if that is another than now; also where only what was known then is asked for.
    pub(super) fn chosen(&self) -> Option<Instant> {
        self.valid_at.or(self.known_at.map(|_| self.now))
    }

    /// The moment.
    pub(super) fn moment(&self) -> Moment {
        self.moment_from(self.now)
    }

    /// The moment, if it is one of which what is stored of units does not tell; asked first at `begun`.
    pub(super) fn past(&self, begun: Instant) -> Option<Moment> {
        let past = self.valid_at.is_some_and(|at| at < begun);
        (past || self.known_at.is_some()).then(|| self.moment_from(begun))
    }

    fn moment_from(&self, now: Instant) -> Moment {
        let at = self.valid_at.unwrap_or(now);
        Moment { at, until: at < now, known: self.known_at.map_or(Known::All, Known::At) }
    }
}

/// What came of folding many units; too many are a problem.
pub(super) fn folded<T>(found: Folding<T>) -> ApiResult<Then<T>> {
    folded_at_most(FOLDED_MOST, found)
}

/// The same where another number of them is too many.
pub(super) fn folded_at_most<T>(most: usize, found: Folding<T>) -> ApiResult<Then<T>> {
    match found {
        Folding::Done(then) => Ok(then),
        Folding::TooMany => {
            let detail = format!(
                "Every unit asked about has to be worked out anew for this, and {most} at most are: ask about one site, or one unit."
            );
            let flaw = Flaw::new("too_many_units", detail.clone());
            let error = FieldError::in_parameter("site", flaw);
            Err(ApiError::new(Kind::TooManyUnits).detail(detail).errors(vec![error]))
        }
    }
}

/// What an answer about another moment says about it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct KnownThen {
    /// By what was recorded up to this instant, as it was asked for; absent if by everything.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    known_at: Option<Instant>,
    /// The number of the last row of the log that the answer rests on: while it is the same, so is the answer. Told
    /// where another moment than now is asked about.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 603)]
    known_seq: Option<i64>,
}

impl KnownThen {
    /// How things are now, which needs no saying.
    pub(super) const NOW: Self = Self { known_at: None, known_seq: None };

    /// What was asked for, and what it came to; nothing where it is how things are now.
    pub(super) fn unless_now(asked: &Asked, known_seq: i64) -> Self {
        if asked.chosen().is_some() { Self::of(asked, known_seq) } else { Self::NOW }
    }

    /// What was asked for, and what it came to.
    pub(super) fn of(asked: &Asked, known_seq: i64) -> Self {
        Self { known_at: asked.known_at, known_seq: Some(known_seq) }
    }
}
