//! `/v1/sites`: places where units stand.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    SiteId,
    edit::{RecordKind, Target},
};
use store::view::ExternalQuery;

use super::records;
use crate::{
    extract::{Bearer, Caller, Params, path_id},
    openapi::{
        ChangeHeaders, DryRun, ExternalParams, IdempotencyKey, IfNoneMatch, PageParams, Problems, Site,
        SiteNew, SitePatch, Sites,
    },
    problem::ApiResult,
    state::State,
};

/// List sites
///
/// The sites that you may see, by id; with `external_system` and `external_id` that which has this id in another system.
#[utoipa::path(get, path = "/v1/sites", tag = "sites", operation_id = "list_sites",
    params(ExternalParams, PageParams),
    responses((status = 200, body = Sites), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let external = params.external();
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let after = records::after(&state, &caller, &list, cursor.as_deref())?;
    if let Some((system, id)) = external {
        let (organization, kind) = (caller.organization(), RecordKind::Site);
        let sets = caller.visible_sites().into_iter().collect();
        let after = after.map(SiteId::uuid);
        let query = ExternalQuery { organization, kind, system, id, sets, after, limit };
        return records::with_external_id(&state, &caller, &list, query).await;
    }
    let among = caller.visible_sites().map(|sites| sites.into_iter().collect());
    let page = state.store.sites(caller.organization(), among, after, limit).await?;
    records::page(&state, &caller, &list, &page)
}

/// Make a site
///
/// Send an id of your own to make a repeat safe; the same request again gets the same site.
#[utoipa::path(post, path = "/v1/sites", tag = "sites", operation_id = "create_site", request_body = SiteNew,
    params(DryRun, IdempotencyKey),
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
    params(("site_id" = String, Path, format = "uuid", description = "The site."), DryRun, ChangeHeaders),
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
