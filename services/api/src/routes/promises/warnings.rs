//! What is unwise about a promise that was just recorded.

use model::{Instant, PromiseId, SiteId, outage::PromiseFields};
use serde::Serialize;
use standby::promise::{Need, Promise, PromisePolicy, Ratings, Spare, WhyNot, promises};
use store::view::RecordView;
use utoipa::ToSchema;

use super::{super::records, facts};
use crate::{
    extract::Caller,
    problem::{ApiError, ApiResult},
    state::State,
};

/// Another promise that contradicts a promise; both are recorded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PromiseWarning {
    /// Its code: `promised_elsewhere` where the other one was made before and goes before, `goes_before` where this one does.
    #[schema(value_type = String, example = "promised_elsewhere")]
    code: &'static str,
    /// Where in the promise.
    #[schema(value_type = String, example = "/unit_id")]
    pointer: &'static str,
    /// A sentence for people.
    #[schema(value_type = String)]
    detail: &'static str,
    /// The other promise.
    #[schema(value_type = String, format = "uuid")]
    promise_id: PromiseId,
    /// The site that it is to, where that one goes before.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    site_id: Option<SiteId>,
    /// From when on the spare would have to be in two places, where that one goes before.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    from: Option<Instant>,
}

/// The promises of the same spare that contradict one, as they stand now.
pub(super) async fn of(state: &State, caller: &Caller, view: &RecordView) -> ApiResult<Vec<PromiseWarning>> {
    let id = PromiseId::from_uuid(view.id);
    let own = records::fields(view, PromiseFields::PRIVATE, PromiseFields::read)?;
    let Some(promise) = facts::promise(id, &own, Need::default()).filter(|_| own.retired.is_none()) else {
        return Ok(Vec::new());
    };
    let others = state.store.promises(caller.organization(), Some(promise.spare)).await?;
    let others = others.iter().filter(|(other, _)| *other != id);
    let others = others.filter_map(|(other, fields)| facts::promise(*other, fields, Need::default()));
    contradictions(&promise, others)
}

fn contradictions(
    promise: &Promise,
    others: impl Iterator<Item = Promise>,
) -> ApiResult<Vec<PromiseWarning>> {
    let spare = Spare { unit: promise.spare, ratings: Ratings::default(), readiness: None, serves: None };
    let all: Vec<Promise> = std::iter::once(promise.clone()).chain(others).collect();
    let judged = promises(&[spare], &all, &PromisePolicy::standard()).map_err(ApiError::internal)?;
    let Some(judged) = judged.promises.into_iter().find(|judged| judged.promise_id == promise.id) else {
        return Ok(Vec::new());
    };
    let before = judged.reasons.into_iter().filter_map(|reason| match reason {
        WhyNot::PromisedElsewhere { promise_id, site_id, from, .. } => Some(PromiseWarning {
            code: "promised_elsewhere",
            pointer: "/unit_id",
            detail: "The spare was promised to another site before, at an overlapping time: this promise does not count.",
            promise_id,
            site_id: Some(site_id),
            from: Some(from),
        }),
        _ => None,
    });
    let after = judged.goes_before.into_iter().map(|promise_id| PromiseWarning {
        code: "goes_before",
        pointer: "/unit_id",
        detail: "The spare is promised to another site at an overlapping time by a later promise, which does not count.",
        promise_id,
        site_id: None,
        from: None,
    });
    Ok(before.chain(after).collect())
}
