//! What lists of due items have in common: their filters, and the instant that their pages keep to.

use interval::DueState;
use model::{Code, Instant, SiteId, UnitId};
use serde::{Deserialize, Serialize};
use store::view::{DueFilter, Known, Moment};
use utoipa::IntoParams;

use super::moment::Asked;
use crate::{
    extract::{Caller, Params, word},
    problem::{ApiError, ApiResult},
    state::State,
};

/// How long the pages of a list keep to its instant.
const PINNED_SECONDS: i64 = 24 * 3600;

/// Which due items are asked for, whenever they are due.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(super) struct Filters {
    /// Only these states, separated by commas.
    #[param(style = Form, explode = false)]
    state: Option<Vec<DueState>>,
    /// Only units of this site: at home there, or standing there.
    #[param(format = "uuid")]
    site: Option<String>,
    /// Only this unit.
    #[param(format = "uuid")]
    unit: Option<String>,
    /// Only this task.
    #[param(pattern = "^[a-z][a-z0-9_]{0,63}$")]
    task: Option<String>,
}

/// Which due items are asked for, by when they are due.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(super) struct DueBefore {
    /// Only what is due before this instant, given no new data.
    #[param(value_type = Option<String>, format = DateTime)]
    due_before: Option<String>,
}

/// Whether a count is left out because there is nothing to count.
#[allow(clippy::trivially_copy_pass_by_ref, reason = "serde passes a reference")]
pub(super) fn is_zero(count: &usize) -> bool {
    *count == 0
}

/// The filters that a request names, of what its caller may see, and by when it is due.
pub(super) fn filter(params: &mut Params, caller: &Caller) -> DueFilter {
    DueFilter { due_before: params.instant("due_before"), ..plain_filter(params, caller) }
}

/// The filters that a request names, of what its caller may see.
pub(super) fn plain_filter(params: &mut Params, caller: &Caller) -> DueFilter {
    let states = params.take_list("state", |text| word(interval::DUE_STATES, "A state", text));
    DueFilter {
        organization: caller.organization(),
        sites: caller.visible_sites(),
        site: params.take("site", SiteId::parse),
        unit: params.take("unit", UnitId::parse),
        task: params.take("task", Code::parse),
        states,
        due_before: None,
    }
}

/// The instant that all pages of a list are about.
#[derive(Clone, Copy, Serialize, Deserialize)]
pub(super) struct Pin {
    /// When the list was begun; its pages are good for a day from then.
    begun: i64,
    as_of: i64,
    /// The last row of the log that counts, of a list for which units are folded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    known: Option<i64>,
}

impl Pin {
    /// The pin of the page before, while it is good, or that of a new list.
    pub(super) async fn keep(
        state: &State,
        caller: &Caller,
        asked: &Asked,
        before: Option<Self>,
    ) -> ApiResult<Self> {
        let Some(pin) = before else {
            let as_of = match asked.chosen() {
                Some(at) => at,
                None => state.store.due_as_of(caller.organization(), caller.now()).await?,
            };
            return Ok(Self { begun: caller.now().micros(), as_of: as_of.micros(), known: None });
        };
        if caller.now().seconds_since(Instant::from_micros(pin.begun)) > PINNED_SECONDS {
            return Err(ApiError::cursor("The list is more than a day old; begin it again."));
        }
        Ok(pin)
    }

    /// The instant.
    pub(super) fn as_of(self) -> Instant {
        Instant::from_micros(self.as_of)
    }

    /// The moment that units have to be folded for, if what is stored of them does not tell: as it was when the list
    /// was begun.
    pub(super) fn moment(self, asked: &Asked) -> Option<Moment> {
        let moment = asked.past(Instant::from_micros(self.begun))?;
        let known = self.known.map_or(moment.known, Known::Row);
        Some(Moment { at: self.as_of(), known, ..moment })
    }

    /// The same with the last row that counts.
    pub(super) fn known(self, seq: i64) -> Self {
        Self { known: Some(seq), ..self }
    }
}
