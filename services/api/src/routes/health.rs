//! Whether the service lives and is ready, and its description. No token needed.

use actix_web::{HttpRequest, HttpResponse, http::header, web};
use model::Instant;
use store::chores::{NIGHTLY, Worker};

use crate::{
    extract::{Params, if_none_match_is},
    openapi::{self, Health, IfNoneMatch, NightlyHealth, Problems},
    problem::ApiResult,
    state::State,
};

/// A night shift of which nothing was heard for so long is silent.
const SILENT_SECONDS: i64 = 300;

/// Say whether the process lives
///
/// Depends on nothing else.
#[utoipa::path(get, path = "/livez", tag = "service", operation_id = "livez", security(()),
    responses((status = 200, body = Health), Problems))]
pub(super) async fn livez(request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    Ok(HttpResponse::Ok().json(Health::OK))
}

/// Say whether requests can be served
///
/// 503 while the database does not answer. `nightly` tells of the work that nobody asks for: lists and mails of today are as they
/// should be while its `status` is `ok`.
#[utoipa::path(get, path = "/readyz", tag = "service", operation_id = "readyz", security(()),
    responses((status = 200, body = Health), Problems))]
pub(super) async fn readyz(state: web::Data<State>, request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    state.store.ping().await?;
    let nightly = night_shift(state.store.worker(NIGHTLY).await?, state.clock.now());
    Ok(HttpResponse::Ok().json(Health { nightly: Some(nightly), ..Health::OK }))
}

fn night_shift(worker: Option<Worker>, now: Instant) -> NightlyHealth {
    let Some(Worker { seen_at, failing }) = worker else {
        return NightlyHealth { status: "absent", seen_at: None, failing: 0 };
    };
    // One that was seen in time to come had a wrong clock, and says nothing of now.
    let is_silent =
        !(now.plus_seconds(-SILENT_SECONDS)..=now.plus_seconds(SILENT_SECONDS)).contains(&seen_at);
    let status = match failing {
        _ if is_silent => "silent",
        0 => "ok",
        _ => "failing",
    };
    NightlyHealth { status, seen_at: Some(seen_at), failing }
}

/// Read this description
///
/// OpenAPI 3.1. `/docs` shows it to people.
#[utoipa::path(get, path = "/openapi.json", tag = "service", operation_id = "read_openapi", security(()),
    params(IfNoneMatch),
    responses((status = 200, description = "The description.", content_type = "application/json", body = Object),
        (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn openapi(request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let (text, etag) = openapi::text()?;
    if if_none_match_is(&request, etag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, etag)).finish());
    }
    Ok(HttpResponse::Ok().insert_header((header::ETAG, etag)).content_type("application/json").body(text))
}
