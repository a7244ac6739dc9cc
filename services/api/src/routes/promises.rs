//! `/v1/promises`: spares promised to sites for outages.

mod check;
mod facts;
mod warnings;

use std::collections::{BTreeMap, BTreeSet};

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    UnitId,
    edit::{RecordKind, Target},
    id::kind,
};
use process::readiness::record;
use serde_json::{Value, json};
use standby::readiness::Verdict;
use store::view::{Known, Moment, RecordView};

pub(crate) use self::{check::PromisesCheck, warnings::PromiseWarning};
use super::records;
use crate::{
    answer,
    extract::{Bearer, Caller, Params, path_id},
    openapi::{
        ChangeHeaders, DryRun, IdempotencyKey, IfNoneMatch, PageParams, Problems, Promise, PromiseNew,
        PromisePatch, PromiseRecorded, Promises,
    },
    problem::ApiResult,
    state::State,
};

/// List promises
///
/// By id, those that are taken back included: the ones to sites that you may see.
#[utoipa::path(get, path = "/v1/promises", tag = "outages", operation_id = "list_promises",
    params(PageParams),
    responses((status = 200, body = Promises), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    records::outages::<kind::Promise>(&state, &caller, &request, RecordKind::Promise).await
}

/// Promise a spare to a site
///
/// A promise that another one of the same spare contradicts is recorded like any other, with a warning: who promised what is a
/// fact. For planners, coordinators and admins who reach the site.
#[utoipa::path(post, path = "/v1/promises", tag = "outages", operation_id = "create_promise", request_body = PromiseNew,
    params(DryRun, IdempotencyKey),
    responses((status = 201, body = PromiseRecorded),
        (status = 200, description = "It was made before, by the same request; the warnings are those of now.", body = PromiseRecorded), Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let done = records::made(&state, &caller, &request, payload, RecordKind::Promise).await?;
    let view = records::record_of(&done)?;
    let value = warned(&state, &caller, view).await?;
    Ok(answer::made(done.fate, &value, &view.etag.to_string(), records::location(&request, view)))
}

/// Read a promise
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/promises/{promise_id}", tag = "outages", operation_id = "read_promise",
    params(("promise_id" = String, Path, format = "uuid", description = "The promise."), IfNoneMatch),
    responses((status = 200, body = Promise), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let promise = path_id(&request, "promise_id")?;
    records::read(&state, bearer, &request, Target::Promise(promise), Action::ReadOutage).await
}

/// Change a promise
///
/// JSON Merge Patch: members sent are set, null removes one. A promise that is `retired` is taken back.
#[utoipa::path(patch, path = "/v1/promises/{promise_id}", tag = "outages", operation_id = "change_promise",
    request_body(content = PromisePatch, content_type = "application/merge-patch+json"),
    params(("promise_id" = String, Path, format = "uuid", description = "The promise."), DryRun, ChangeHeaders),
    responses((status = 200, body = PromiseRecorded), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let promise = path_id(&request, "promise_id")?;
    let done = records::changed(&state, &caller, &request, payload, Target::Promise(promise)).await?;
    let view = records::record_of(&done)?;
    let value = warned(&state, &caller, view).await?;
    Ok(answer::changed(done.fate, &value, &view.etag.to_string()))
}

/// Check all promises
///
/// Which promises count after 47 CFR 9.19, and everything for which others do not: the same spare promised elsewhere before, too late
/// for the batteries, does not fit. All promises that are not taken back are held against each other, and those to sites that you may
/// see are told; of others no more than their ids and sites, where they go before. What is not known is `unknown`, with what to enter.
#[utoipa::path(get, path = "/v1/promises/check", tag = "outages", operation_id = "check_promises",
    responses((status = 200, body = PromisesCheck), Problems))]
pub(super) async fn check(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let organization = caller.organization();
    let all = match caller.require(Action::ReadOutage, &Object::of(organization)) {
        Ok(()) => state.store.promises(organization, None).await?,
        Err(_) => Vec::new(),
    };
    let (units, sites) = check::named(&all);
    let ready = ready(&state, &caller, &units).await?;
    let fields = state.store.fields(organization, units, sites).await?;
    let sees = caller.visible_sites().map(|sites| sites.into_iter().collect());
    Ok(HttpResponse::Ok().json(check::check(&all, &fields, &ready, sees.as_ref(), caller.now())?))
}

/// A promise as it is sent to its author: with the promises that contradict it.
async fn warned(state: &State, caller: &Caller, view: &RecordView) -> ApiResult<Value> {
    let mut value = answer::record(view);
    let warnings = warnings::of(state, caller, view).await?;
    if let Some(members) = value.as_object_mut() {
        members.insert("warnings".to_owned(), json!(warnings));
    }
    Ok(value)
}

/// Whether spares are ready now, each worked out afresh; those that are retired are not.
async fn ready(
    state: &State,
    caller: &Caller,
    units: &BTreeSet<UnitId>,
) -> ApiResult<BTreeMap<UnitId, Verdict>> {
    let moment = Moment { at: caller.now(), until: false, known: Known::All };
    let mut ready = BTreeMap::new();
    for unit in units {
        if let Some(then) = state.store.unit_story(caller.organization(), *unit, moment).await? {
            let judged = state.judge.readiness(&record(&then.answer, moment.at));
            let is_retired = then.answer.fields.retired.is_some();
            ready.insert(*unit, if is_retired { Verdict::NotReady } else { judged.verdict });
        }
    }
    Ok(ready)
}
