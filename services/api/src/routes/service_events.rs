//! `/v1/service-events`: what happened to units.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    EventId, Instant, UnitId,
    edit::Channel,
    event::{EVENT_KINDS, EventKind},
    read::{FieldError, Flaw},
};
use serde_json::json;
use store::{command::Written, view::EventQuery};

use super::{records, units};
use crate::{
    answer,
    extract::{self, Caller, Params, path_id, word},
    intake,
    openapi::{DryRun, Event, EventNew, EventRecorded, Events, IfNoneMatch, PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    random,
    state::State,
};

/// List the events of a unit
///
/// In the order they happened, voided ones and corrections included.
#[utoipa::path(get, path = "/v1/service-events", tag = "service events", operation_id = "list_service_events",
    params(("unit" = String, Query, format = "uuid", description = "The unit."),
        ("kind" = inline(Option<EventKind>), Query, description = "Only events of this kind."),
        PageParams),
    responses((status = 200, body = Events), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let unit = params.take("unit", UnitId::parse);
    let kind = params.take("kind", |text| word(EVENT_KINDS, "A kind of event", text));
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let missing = || FieldError::in_parameter("unit", Flaw::new("required", "Say of which unit."));
    let unit = unit.ok_or_else(|| ApiError::new(Kind::InvalidParameter).errors(vec![missing()]))?;
    caller.require(Action::ReadEvent, &units::object(&state, &caller, unit).await?)?;
    let place: Option<(i64, EventId)> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let after = place.map(|(micros, id)| (Instant::from_micros(micros), id));
    let page = state
        .store
        .events(EventQuery { organization: caller.organization(), unit, kind, after, limit })
        .await?;
    let last = page.items.last().filter(|_| page.more).map(|view| (view.occurred_at.micros(), view.id));
    let next = last.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    Ok(answer::page(page.items.iter().map(answer::event).collect(), next))
}

/// Record a service event
///
/// An event is immutable: send it again with the same id and content and you get the first answer; other content under
/// the same id is refused. An implausible reading is recorded with a warning and set aside. An adoption may name a maker
/// and model instead of a unit: then it holds for every unit of that model, those to come included.
#[utoipa::path(post, path = "/v1/service-events", tag = "service events", operation_id = "record_service_event", request_body = EventNew,
    params(DryRun, ("Idempotency-Key" = Option<String>, Header, format = "uuid", description = "A UUID; becomes the id where the body has none, and otherwise must be that id.")),
    responses((status = 201, body = EventRecorded), (status = 200, description = "It was recorded before, by the same request.", body = EventRecorded),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let dry_run = records::writing(&request)?;
    let key = extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let proposal =
        intake::keyed(intake::new_event(body, intake::fallback(key, &caller), random::salts()?), key)?;
    let done = intake::submit(&state, &caller, Channel::Rest, proposal, dry_run).await?;
    let Written::Event(view, warnings) = &done.written else {
        return Err(ApiError::internal("an event's edit wrote something else"));
    };
    let mut value = answer::event(view);
    let etag = view.etag.to_string();
    if let Some(members) = value.as_object_mut() {
        members.insert("warnings".to_owned(), json!(warnings));
        members.extend(done.would_change.as_ref().map(|all| ("would_change".to_owned(), json!(all))));
    }
    Ok(answer::made(done.fate, &value, &etag, format!("/v1/service-events/{}", view.id)))
}

/// Read a service event
///
/// As it was recorded, with when and by whom.
#[utoipa::path(get, path = "/v1/service-events/{event_id}", tag = "service events", operation_id = "read_service_event",
    params(("event_id" = String, Path, format = "uuid", description = "The event."), IfNoneMatch),
    responses((status = 200, body = Event), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let event = path_id(&request, "event_id")?;
    Params::of(&request)?.close()?;
    let view = state
        .store
        .event(caller.organization(), event)
        .await?
        .ok_or_else(|| ApiError::new(Kind::NotFound))?;
    // What one entered oneself stays in sight, also after the unit has left one's sites.
    if view.author != caller.person() {
        let object = match view.unit {
            Some(unit) => units::object(&state, &caller, unit).await?,
            None => Object::of(caller.organization()),
        };
        caller.require(Action::ReadEvent, &object)?;
    }
    Ok(answer::one(&request, &answer::event(&view), &view.etag.to_string()))
}
