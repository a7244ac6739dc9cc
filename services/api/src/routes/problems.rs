//! `/problems`: what each type of problem means, and what to do about it.

use actix_web::{HttpRequest, HttpResponse};

use crate::{
    extract::Params,
    openapi::{ProblemKind, Problems},
    problem::{ApiError, ApiResult, Kind},
};

/// Read what a problem means
///
/// The description behind the `type` of a problem; needs no token.
#[utoipa::path(get, path = "/problems/{code}", tag = "service", operation_id = "read_problem", security(()),
    params(("code" = String, Path, description = "The last step of a problem's `type`.")),
    responses((status = 200, body = ProblemKind), Problems))]
pub(super) async fn read(request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let code = request.match_info().get("code").unwrap_or_default();
    let kind =
        Kind::ALL.iter().find(|kind| kind.code() == code).ok_or_else(|| ApiError::new(Kind::NotFound))?;
    Ok(HttpResponse::Ok().json(ProblemKind::of(*kind)))
}
