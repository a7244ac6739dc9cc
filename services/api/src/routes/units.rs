//! `/v1/units`: single generators.

use std::collections::BTreeSet;

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    SiteId, UnitId,
    edit::{RecordKind, Target},
};
use store::view::ExternalQuery;

use super::records;
use crate::{
    extract::{Bearer, Caller, Params, path_id},
    openapi::{
        ChangeHeaders, DryRun, ExternalParams, IdempotencyKey, IfNoneMatch, PageParams, Problems, Unit,
        UnitNew, UnitPatch, Units,
    },
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// List units
///
/// The units at home at, or standing at, a site that you may see, by id; with `external_system` and `external_id` that which
/// has this id in another system.
#[utoipa::path(get, path = "/v1/units", tag = "units", operation_id = "list_units",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only units of this site: at home there, or standing there."),
        ExternalParams, PageParams),
    responses((status = 200, body = Units), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    let external = params.external();
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let after = records::after(&state, &caller, &list, cursor.as_deref())?;
    let sets = caller.visible_sites().into_iter().chain(site.map(|site| vec![site])).collect();
    if let Some((system, id)) = external {
        let (organization, kind) = (caller.organization(), RecordKind::Unit);
        let after = after.map(UnitId::uuid);
        let query = ExternalQuery { organization, kind, system, id, sets, after, limit };
        return records::with_external_id(&state, &caller, &list, query).await;
    }
    let page = state.store.units(caller.organization(), sets, after, limit).await?;
    records::page(&state, &caller, &list, &page)
}

/// Make a unit
///
/// Send an id of your own to make a repeat safe. What happens to the unit from then on is a service event, beginning
/// with its commissioning.
#[utoipa::path(post, path = "/v1/units", tag = "units", operation_id = "create_unit", request_body = UnitNew,
    params(DryRun, IdempotencyKey),
    responses((status = 201, body = Unit), (status = 200, description = "It was made before, by the same request.", body = Unit),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::Unit).await
}

/// Read a unit
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/units/{unit_id}", tag = "units", operation_id = "read_unit",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), IfNoneMatch),
    responses((status = 200, body = Unit), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit = path_id(&request, "unit_id")?;
    records::read(&state, bearer, &request, Target::Unit(unit), Action::ReadUnit).await
}

/// Change a unit
///
/// JSON Merge Patch: members sent are set, null removes one. A field says what was always so, so a change corrects the
/// whole past.
#[utoipa::path(patch, path = "/v1/units/{unit_id}", tag = "units", operation_id = "change_unit",
    request_body(content = UnitPatch, content_type = "application/merge-patch+json"),
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), DryRun, ChangeHeaders),
    responses((status = 200, body = Unit), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let unit = path_id(&request, "unit_id")?;
    records::change(&state, &caller, &request, payload, Target::Unit(unit)).await
}

/// A unit as the decision sees it; what is not there looks like what may not be seen.
pub(super) async fn object(state: &State, caller: &Caller, unit: UnitId) -> ApiResult<Object> {
    placed(caller, state.store.sites_of_unit(caller.organization(), unit).await?)
}

/// A unit in scope of these sites as the decision sees it; without any there is no such unit.
pub(super) fn placed(caller: &Caller, sites: BTreeSet<SiteId>) -> ApiResult<Object> {
    if sites.is_empty() {
        Err(ApiError::new(Kind::NotFound))
    } else {
        Ok(Object::at(caller.organization(), sites))
    }
}
