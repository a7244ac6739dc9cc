//! `/v1/schedules`: maintenance tables and their immutable editions.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    EditionId, ScheduleId,
    edit::{Channel, RecordKind, Target},
};
use store::command::Written;

use super::records;
use crate::{
    answer,
    extract::{self, Bearer, Caller, Params, path_id},
    intake,
    openapi::{
        ChangeHeaders, Edition, EditionNew, Editions, IdempotencyKey, IfNoneMatch, PageParams, Problems,
        Schedule, ScheduleNew, SchedulePatch, Schedules,
    },
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// List schedules
///
/// The organization's schedules, by id.
#[utoipa::path(get, path = "/v1/schedules", tag = "schedules", operation_id = "list_schedules",
    params(PageParams),
    responses((status = 200, body = Schedules), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    if caller.require(Action::ReadSchedule, &Object::of(caller.organization())).is_err() {
        return Ok(answer::page(Vec::new(), None));
    }
    let after = records::after(&state, &caller, &list, cursor.as_deref())?;
    let page = state.store.schedules(caller.organization(), after, limit).await?;
    records::page(&state, &caller, &list, &page)
}

/// Make a schedule
///
/// Its tasks come with its editions.
#[utoipa::path(post, path = "/v1/schedules", tag = "schedules", operation_id = "create_schedule", request_body = ScheduleNew,
    params(IdempotencyKey),
    responses((status = 201, body = Schedule), (status = 200, description = "It was made before, by the same request.", body = Schedule),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::Schedule).await
}

/// Read a schedule
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/schedules/{schedule_id}", tag = "schedules", operation_id = "read_schedule",
    params(("schedule_id" = String, Path, format = "uuid", description = "The schedule."), IfNoneMatch),
    responses((status = 200, body = Schedule), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let schedule = path_id(&request, "schedule_id")?;
    records::read(&state, bearer, &request, Target::Schedule(schedule), Action::ReadSchedule).await
}

/// Change a schedule
///
/// JSON Merge Patch of its fields; its editions never change.
#[utoipa::path(patch, path = "/v1/schedules/{schedule_id}", tag = "schedules", operation_id = "change_schedule",
    request_body(content = SchedulePatch, content_type = "application/merge-patch+json"),
    params(("schedule_id" = String, Path, format = "uuid", description = "The schedule."), ChangeHeaders),
    responses((status = 200, body = Schedule), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let schedule = path_id(&request, "schedule_id")?;
    records::change(&state, &caller, &request, payload, Target::Schedule(schedule)).await
}

/// List the editions of a schedule
///
/// By id; each is immutable.
#[utoipa::path(get, path = "/v1/schedules/{schedule_id}/editions", tag = "schedules", operation_id = "list_editions",
    params(("schedule_id" = String, Path, format = "uuid", description = "The schedule."), PageParams),
    responses((status = 200, body = Editions), Problems))]
pub(super) async fn list_editions(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let schedule: ScheduleId = path_id(&request, "schedule_id")?;
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    caller.require(Action::ReadSchedule, &Object::of(caller.organization()))?;
    let found = state.store.record(caller.organization(), Target::Schedule(schedule)).await?;
    found.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let after: Option<EditionId> = records::after(&state, &caller, &list, cursor.as_deref())?;
    let page = state.store.editions(caller.organization(), schedule, after, limit).await?;
    let last = page.items.last().filter(|_| page.more).map(|view| view.id);
    let next = last.map(|id| state.cursors.make(caller.organization(), &list, &id)).transpose()?;
    Ok(answer::page(page.items.iter().map(answer::edition).collect::<ApiResult<_>>()?, next))
}

/// Make an edition of a schedule
///
/// Anything the format does not know is refused by name, and so is a circle in `satisfies`. It holds for a unit from
/// the day that an adoption says.
#[utoipa::path(post, path = "/v1/schedules/{schedule_id}/editions", tag = "schedules", operation_id = "create_edition", request_body = EditionNew,
    params(("schedule_id" = String, Path, format = "uuid", description = "The schedule."), IdempotencyKey),
    responses((status = 201, body = Edition), (status = 200, description = "It was made before, by the same request.", body = Edition),
        Problems))]
pub(super) async fn create_edition(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let schedule: ScheduleId = path_id(&request, "schedule_id")?;
    Params::of(&request)?.close()?;
    let key = extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let proposal = intake::keyed(intake::new_edition(schedule, body, intake::fallback(key, &caller)), key)?;
    let done = intake::submit(&state, &caller, Channel::Rest, proposal).await?;
    let Written::Edition(view) = &done.written else {
        return Err(ApiError::internal("an edition's edit wrote something else"));
    };
    let value = answer::edition(view)?;
    let location = (!done.repeat).then(|| format!("/v1/schedules/{schedule}/editions/{}", view.id));
    Ok(answer::written(&value, &answer::digest(&value), location))
}

/// Read an edition
///
/// With its tasks: limits, parts, settings, cautions.
#[utoipa::path(get, path = "/v1/schedules/{schedule_id}/editions/{edition_id}", tag = "schedules", operation_id = "read_edition",
    params(("schedule_id" = String, Path, format = "uuid", description = "The schedule."), ("edition_id" = String, Path, format = "uuid", description = "The edition."),
        IfNoneMatch),
    responses((status = 200, body = Edition), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read_edition(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let schedule: ScheduleId = path_id(&request, "schedule_id")?;
    let edition = path_id(&request, "edition_id")?;
    Params::of(&request)?.close()?;
    caller.require(Action::ReadSchedule, &Object::of(caller.organization()))?;
    let found =
        state.store.edition(caller.organization(), edition).await?.filter(|view| view.schedule == schedule);
    let value = answer::edition(&found.ok_or_else(|| ApiError::new(Kind::NotFound))?)?;
    Ok(answer::one(&request, &value, &answer::digest(&value)))
}
