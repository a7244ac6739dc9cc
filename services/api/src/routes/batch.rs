//! `/v1/service-events/batch`: many service events in one request, each judged by itself.

use actix_web::{HttpRequest, HttpResponse, http::StatusCode, web};
use model::{
    EventId,
    edit::Channel,
    read::{Flaw, Mode, whole},
};
use serde::Serialize;
use serde_json::{Value, json};
use store::command::{Outcome, Warning, Written};
use utoipa::ToSchema;

use super::records;
use crate::{
    answer,
    extract::{self, Caller, Room},
    intake,
    openapi::{DryRun, Event, EventNew, EventWarning, Problem, Problems},
    problem::{ApiError, ApiResult},
    random,
    state::State,
    what_if::DueChange,
};

/// Events of a batch at most.
const MOST: usize = 500;
/// What a batch may have: twice what so many events with a long note each take.
const ROOM: Room = Room::mebibytes(4);

/// Many service events.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct BatchNew {
    /// The events, each with an id of its own (without one it is refused), in the order in which they are judged.
    #[schema(max_items = 500)]
    events: Vec<EventNew>,
}

/// What became of many service events.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BatchResults {
    /// One for each event, in order.
    results: Vec<BatchResult>,
    /// In a dry run, the due items that would be others than they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    would_change: Option<Vec<DueChange>>,
}

/// What became of one service event of a batch.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BatchResult {
    /// The event's id, as sent; absent where none can be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = "uuid")]
    id: Option<String>,
    /// `applied`: recorded; `already_applied`: recorded before, with the same content; `refused`: not recorded.
    #[schema(example = "applied")]
    result: &'static str,
    /// The event as it was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Event>)]
    event: Option<Value>,
    /// What is doubtful about a recorded event, with pointers into the batch; absent where it was refused.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<EventWarning>>)]
    warnings: Option<Vec<Value>>,
    /// Why it was refused: the problem that it would have got alone, with pointers into the batch.
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<Problem>,
}

/// Record many service events
///
/// Up to 500 events and 4 MiB, judged in their order, each by itself: a wrong one is refused and the others are
/// recorded, all in one transaction. So one may correct another before it, and none sees half of the batch. Every
/// event has an id of its own, which makes sending the batch again safe after any time. The answer is always 207
/// (RFC 4918), since each event has an outcome of its own, with one result for each event in order; only a body that
/// is no batch is a problem as a whole. Every pointer leads into the body as sent, such as `/events/3/meter_hours`.
#[utoipa::path(post, path = "/v1/service-events/batch", tag = "service events", operation_id = "record_service_events", request_body = BatchNew,
    params(DryRun),
    responses((status = 207, description = "A result for each event; none if there were no events.", body = BatchResults), Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let dry_run = records::writing(&request)?;
    let body = extract::json_up_to(ROOM, &request, payload, extract::JSON).await?;
    let events = events_of(&body).map_err(ApiError::invalid)?;
    let mut proposals = Vec::with_capacity(events.len());
    let mut read = Vec::with_capacity(events.len());
    for event in &events {
        let proposal = intake::event_with_id(event, random::salts()?);
        read.push(proposal.map(|proposal| proposals.push(proposal)));
    }
    let (outcomes, would_change) =
        intake::submit_all(&state, &caller, Channel::Rest, proposals, dry_run).await?;
    let mut outcomes = outcomes.into_iter();
    let mut results = Vec::with_capacity(events.len());
    for (at, (event, read)) in events.iter().zip(read).enumerate() {
        let outcome = match read {
            Err(errors) => Err(ApiError::invalid(errors)),
            Ok(()) => Ok(outcomes.next().ok_or_else(|| ApiError::internal("an edit without an outcome"))?),
        };
        results.push(result(at, event, outcome)?);
    }
    let mut response = HttpResponse::build(StatusCode::MULTI_STATUS);
    if dry_run {
        response.insert_header((answer::DRY_RUN, "results"));
    }
    Ok(response.json(BatchResults { results, would_change }))
}

/// The events of a batch, or what makes it none.
fn events_of(body: &Value) -> intake::Read<Vec<Value>> {
    whole(body, Mode::New, |batch| {
        let events = batch.values("events", MOST, |event| Ok(event.clone()));
        if !batch.has("events") {
            return batch.fail("events", Flaw::new("required", "This member is missing."));
        }
        events
    })
}

fn result(at: usize, event: &Value, outcome: Result<Outcome, ApiError>) -> ApiResult<BatchResult> {
    let id = event.get("id").and_then(|id| EventId::read(id).ok()).map(|id| id.to_string());
    let (result, written) = match outcome {
        Ok(Outcome::Applied(written)) => ("applied", written),
        Ok(Outcome::AlreadyApplied(written)) => ("already_applied", written),
        Ok(Outcome::Refused(refusal)) => return Ok(refused(at, id, &intake::refused(refusal))),
        Ok(Outcome::OfHandset(_)) => return Err(ApiError::internal("an edit that no handset sent")),
        Err(error) => return Ok(refused(at, id, &error)),
    };
    let Written::Event(view, warnings) = &written else {
        return Err(ApiError::internal("an event's edit wrote something else"));
    };
    Ok(BatchResult {
        id: Some(view.id.to_string()),
        result,
        event: Some(answer::event(view)),
        warnings: Some(warnings.iter().map(|warning| placed(at, warning)).collect()),
        problem: None,
    })
}

fn refused(at: usize, id: Option<String>, error: &ApiError) -> BatchResult {
    let mut problem = error.problem(None);
    for error in &mut problem.errors {
        error.pointer = error.pointer.as_ref().map(|pointer| in_batch(at, pointer));
    }
    BatchResult { id, result: "refused", event: None, warnings: None, problem: Some(problem) }
}

fn placed(at: usize, warning: &Warning) -> Value {
    let mut value = json!(warning);
    if let Some(members) = value.as_object_mut() {
        members.insert("pointer".to_owned(), Value::from(in_batch(at, warning.pointer)));
    }
    value
}

fn in_batch(at: usize, pointer: &str) -> String {
    format!("/events/{at}{pointer}")
}
