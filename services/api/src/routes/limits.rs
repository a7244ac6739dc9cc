//! `/v1/limits`: how much a handset may send, and how often.

use actix_web::{HttpRequest, HttpResponse, web};

use crate::{
    extract::{Caller, Params},
    limits::Limits,
    openapi::Problems,
    problem::ApiResult,
    state::State,
};

/// Read the limits of sync
///
/// The same come with every answer of sync, so that a client need not ask. Over its rate it is answered 429, with the
/// seconds after which to come again in `Retry-After`.
#[utoipa::path(get, path = "/v1/limits", tag = "sync", operation_id = "read_limits",
    responses((status = 200, body = Limits), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    _caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    Ok(HttpResponse::Ok().json(state.limits))
}
