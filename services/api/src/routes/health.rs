//! Whether the service lives and is ready, and its description. No token needed.

use actix_web::{HttpRequest, HttpResponse, http::header, web};

use store::chores::NIGHTLY;

use crate::{
    extract::{Params, if_none_match_is},
    openapi::{self, Health, IfNoneMatch, NightlyHealth, Problems},
    problem::ApiResult,
    state::State,
};

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
/// 503 while the database does not answer. `nightly` tells of the work that nobody asks for, once there is a process that
/// does it: lists and mails of today are as they should be while it was about in the last minutes and nothing fails.
#[utoipa::path(get, path = "/readyz", tag = "service", operation_id = "readyz", security(()),
    responses((status = 200, body = Health), Problems))]
pub(super) async fn readyz(state: web::Data<State>, request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    state.store.ping().await?;
    let nightly = state.store.worker(NIGHTLY).await?;
    let nightly = nightly.map(|worker| NightlyHealth { seen_at: worker.seen_at, failing: worker.failing });
    Ok(HttpResponse::Ok().json(Health { nightly, ..Health::OK }))
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
