//! `/v1/sites`: places where units stand.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use model::edit::{RecordKind, Target};

use super::records;
use crate::{
    extract::{Bearer, Caller, Params, path_id},
    openapi::{
        ChangeHeaders, IdempotencyKey, IfNoneMatch, PageParams, Problems, Site, SiteNew, SitePatch, Sites,
    },
    problem::ApiResult,
    state::State,
};

/// List sites
///
/// The sites that you may see, by id.
#[utoipa::path(get, path = "/v1/sites", tag = "sites", operation_id = "list_sites",
    params(PageParams),
    responses((status = 200, body = Sites), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let after = records::after(&state, &caller, &list, cursor.as_deref())?;
    let among = caller.visible_sites().map(|sites| sites.into_iter().collect());
    let page = state.store.sites(caller.organization(), among, after, limit).await?;
    records::page(&state, &caller, &list, &page)
}

/// Make a site
///
/// Send an id of your own to make a repeat safe; the same request again gets the same site.
#[utoipa::path(post, path = "/v1/sites", tag = "sites", operation_id = "create_site", request_body = SiteNew,
    params(IdempotencyKey),
    responses((status = 201, body = Site), (status = 200, description = "It was made before, by the same request.", body = Site),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::Site).await
}

/// Read a site
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/sites/{site_id}", tag = "sites", operation_id = "read_site",
    params(("site_id" = String, Path, format = "uuid", description = "The site."), IfNoneMatch),
    responses((status = 200, body = Site), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let site = path_id(&request, "site_id")?;
    records::read(&state, bearer, &request, Target::Site(site), Action::ReadSite).await
}

/// Change a site
///
/// JSON Merge Patch: members sent are set, null removes one. Correcting the zone folds anew every unit that ever stood there.
#[utoipa::path(patch, path = "/v1/sites/{site_id}", tag = "sites", operation_id = "change_site",
    request_body(content = SitePatch, content_type = "application/merge-patch+json"),
    params(("site_id" = String, Path, format = "uuid", description = "The site."), ChangeHeaders),
    responses((status = 200, body = Site), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let site = path_id(&request, "site_id")?;
    records::change(&state, &caller, &request, payload, Target::Site(site)).await
}
