//! `/v1/due/acknowledgements`: that somebody knows of an overdue item, so that others are not told of it for a while.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Code, Instant, PersonId, ScheduleId, UnitId,
    event::EventKind,
    read::{FieldError, Flaw, Mode, Object, whole},
};
use serde::Serialize;
use store::digests::Acknowledgement as Said;
use utoipa::ToSchema;

use super::units;
use crate::{
    answer::Listed,
    extract::{self, Caller, Params},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// For so long at most, so that nothing is silent for ever.
const LONGEST_SECONDS: i64 = 30 * 24 * 3600;

/// What somebody wants to say of an overdue item.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct AcknowledgementNew {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// The schedule that asks for the work.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "oil_change")]
    task: Code,
    /// Until when nobody else is told of it; 30 days ahead at most.
    #[schema(value_type = String, format = DateTime)]
    until: Instant,
}

/// That somebody knows of an overdue item.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Acknowledgement {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// The schedule that asks for the work.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "oil_change")]
    task: Code,
    /// Until when nobody else is told of it.
    #[schema(value_type = String, format = DateTime)]
    until: Instant,
    /// Who said so.
    #[schema(value_type = String, format = "uuid")]
    person_id: PersonId,
    /// When.
    #[schema(value_type = String, format = DateTime)]
    at: Instant,
}

/// All that hold.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is written as a page")]
pub(crate) struct Acknowledgements {
    /// The items.
    items: Vec<Acknowledgement>,
}

impl From<Said> for Acknowledgement {
    fn from(said: Said) -> Self {
        let Said { unit, schedule, task, until, person, made_at } = said;
        Self { unit_id: unit, schedule_id: schedule, task, until, person_id: person, at: made_at }
    }
}

/// List acknowledgements
///
/// Those that hold, of units that you may see.
#[utoipa::path(get, path = "/v1/due/acknowledgements", tag = "mail", operation_id = "list_acknowledgements",
    responses((status = 200, body = Acknowledgements), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let mut items = Vec::new();
    for said in state.store.acknowledgements(caller.organization(), caller.now()).await? {
        let object = match units::object(&state, &caller, said.unit).await {
            Err(error) if error.kind() == Kind::NotFound => continue,
            object => object?,
        };
        if caller.require(Action::ReadDue, &object).is_ok() {
            items.push(Acknowledgement::from(said));
        }
    }
    Ok(HttpResponse::Ok().json(Listed { items, next: None }))
}

/// Acknowledge an overdue item
///
/// Whoever may let work wait says that he knows of it: until then it is not brought before others in the digest. It stays
/// overdue, and in every list. Said again, the new time holds.
#[utoipa::path(post, path = "/v1/due/acknowledgements", tag = "mail", operation_id = "acknowledge",
    request_body = AcknowledgementNew,
    responses((status = 200, body = Acknowledgement), Problems))]
pub(super) async fn acknowledge(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let (unit, schedule, task, until) = whole(&body, Mode::New, read).map_err(ApiError::invalid)?;
    let object = units::object(&state, &caller, unit).await?;
    caller.require(Action::RecordEvent(EventKind::Deferral), &object)?;
    let now = caller.now();
    let wrong = |pointer, flaw| ApiError::invalid(vec![FieldError::at(pointer, flaw)]);
    if until <= now || until > now.plus_seconds(LONGEST_SECONDS) {
        let flaw = Flaw::new("out_of_range", "It is ahead, by 30 days at most.");
        return Err(wrong("/until", flaw));
    }
    let due = state.store.unit_due(caller.organization(), unit).await?;
    let items = due.map(|due| due.state.items_at(now)).unwrap_or_default();
    if !items.iter().any(|item| item.schedule_id == schedule && item.task == task) {
        return Err(wrong("/task", Flaw::new("unknown_task", "The unit has no such task by that schedule.")));
    }
    let said = Said { unit, schedule, task, until, person: caller.person(), made_at: now };
    state.store.acknowledge(caller.organization(), said.clone()).await?;
    Ok(HttpResponse::Ok().json(Acknowledgement::from(said)))
}

fn read(o: &mut Object<'_>) -> Option<(UnitId, ScheduleId, Code, Instant)> {
    let unit = o.required("unit_id", UnitId::read);
    let schedule = o.required("schedule_id", ScheduleId::read);
    let task = o.required("task", Code::read);
    let until = o.required("until", Instant::read);
    Some((unit?, schedule?, task?, until?))
}
