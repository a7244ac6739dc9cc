//! `/v1/service-events/{event_id}/bundle`: what a service was for, and how much of it was done.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use interval::Bundle;
use model::{EventId, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    moment::{Asked, KnownParams, KnownThen},
    units,
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// What an event was for, worked out afresh.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EventBundle {
    /// The event.
    #[schema(value_type = String, format = "uuid")]
    event_id: EventId,
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// Absent of an event that is no service or does not count, and where nothing was asked of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    bundle: Option<Bundle>,
}

/// Say how much a service did of what was due
///
/// The tasks that were due by the service's own reading when it was done, and those that it names; of each whether it did
/// it; and the share done. Worked out afresh from all events of the unit, or with `known_at` from those recorded by then.
/// What was left out goes on as before.
#[utoipa::path(get, path = "/v1/service-events/{event_id}/bundle", tag = "due", operation_id = "read_bundle",
    params(("event_id" = String, Path, format = "uuid", description = "The event."), KnownParams),
    responses((status = 200, body = EventBundle), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let event_id: EventId = path_id(&request, "event_id")?;
    let mut params = Params::of(&request)?;
    let asked = Asked::by_known(&mut params, caller.now());
    params.close()?;
    let missing = || ApiError::new(Kind::NotFound);
    let event = state.store.event(caller.organization(), event_id).await?;
    let unit_id = event.and_then(|event| event.unit).ok_or_else(missing)?;
    caller.require(Action::ReadDue, &units::object(&state, &caller, unit_id).await?)?;
    let then = state.store.bundle(caller.organization(), unit_id, event_id, asked.moment().known).await?;
    let then = then.ok_or_else(missing)?;
    let known = KnownThen::unless_now(&asked, then.known_seq);
    Ok(HttpResponse::Ok().json(EventBundle { event_id, unit_id, known, bundle: then.answer }))
}
