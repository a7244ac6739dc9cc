//! `/v1/incidents`: outages, with what was done in them.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    edit::{RecordKind, Target},
    id::kind,
};

use super::records;
use crate::{
    extract::{Bearer, Caller, path_id},
    openapi::{
        ChangeHeaders, DryRun, IdempotencyKey, IfNoneMatch, Incident, IncidentNew, IncidentPatch, Incidents,
        PageParams, Problems,
    },
    problem::ApiResult,
    state::State,
};

/// List incidents
///
/// By id, those that are over or given up included: the ones that name a site which you may see, and the ones about all sites.
#[utoipa::path(get, path = "/v1/incidents", tag = "outages", operation_id = "list_incidents",
    params(PageParams),
    responses((status = 200, body = Incidents), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    records::outages::<kind::Incident>(&state, &caller, &request, RecordKind::Incident).await
}

/// Make an incident
///
/// An outage, to which runs, deferrals and what was staged are tied by its sites and its time. For planners, coordinators and
/// admins; one about all sites takes a grant on all sites.
#[utoipa::path(post, path = "/v1/incidents", tag = "outages", operation_id = "create_incident", request_body = IncidentNew,
    params(DryRun, IdempotencyKey),
    responses((status = 201, body = Incident), (status = 200, description = "It was made before, by the same request.", body = Incident),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::Incident).await
}

/// Read an incident
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/incidents/{incident_id}", tag = "outages", operation_id = "read_incident",
    params(("incident_id" = String, Path, format = "uuid", description = "The incident."), IfNoneMatch),
    responses((status = 200, body = Incident), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let incident = path_id(&request, "incident_id")?;
    records::read(&state, bearer, &request, Target::Incident(incident), Action::ReadOutage).await
}

/// Change an incident
///
/// JSON Merge Patch: members sent are set, null removes one. `ended_at` ends it; `staging` is sent whole.
#[utoipa::path(patch, path = "/v1/incidents/{incident_id}", tag = "outages", operation_id = "change_incident",
    request_body(content = IncidentPatch, content_type = "application/merge-patch+json"),
    params(("incident_id" = String, Path, format = "uuid", description = "The incident."), DryRun, ChangeHeaders),
    responses((status = 200, body = Incident), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let incident = path_id(&request, "incident_id")?;
    records::change(&state, &caller, &request, payload, Target::Incident(incident)).await
}
