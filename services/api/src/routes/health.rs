//! Whether the service lives and is ready, and its description. No token needed.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::{
    extract::Params,
    openapi::{self, Health, Problems},
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
    Ok(HttpResponse::Ok().json(Health { status: "ok" }))
}

/// Say whether requests can be served
///
/// 503 while the database does not answer.
#[utoipa::path(get, path = "/readyz", tag = "service", operation_id = "readyz", security(()),
    responses((status = 200, body = Health), Problems))]
pub(super) async fn readyz(state: web::Data<State>, request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    state.store.ping().await?;
    Ok(HttpResponse::Ok().json(Health { status: "ok" }))
}

/// Read this description
///
/// OpenAPI 3.1.
#[utoipa::path(get, path = "/openapi.json", tag = "service", operation_id = "read_openapi", security(()),
    responses((status = 200, description = "The description.", content_type = "application/json", body = Object),
        Problems))]
pub(super) async fn openapi(request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    Ok(HttpResponse::Ok().content_type("application/json").body(openapi::text()?))
}
