//! `/v1/due/changes`: why a list of due items is not what it was.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Code, EditionId, EventId, Instant, PersonId, ScheduleId, UnitId,
    event::EventKind,
    read::{FieldError, Flaw},
    schedule::Pack,
};
use serde::{Deserialize, Serialize};
use store::view::{Cause, CauseOf, ChangesQuery, Explained, Known};
use utoipa::ToSchema;

use super::{
    due_query::{self, Filters},
    moment::folded,
};
use crate::{
    extract::{Caller, Params},
    openapi::{PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    state::State,
    what_if::DueChange,
};

/// Since when.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct Since {
    /// The instant that the list is compared with: as it was then, by what was recorded by then.
    #[param(value_type = String, format = DateTime)]
    since: String,
}

/// A place in the changes.
#[derive(Serialize, Deserialize)]
struct Place {
    as_of: i64,
    known: i64,
    unit: UnitId,
    schedule: ScheduleId,
    task: Code,
}

/// A page of the items of a list that are not what they were.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueChanges {
    /// The instant that the list is compared with.
    #[schema(value_type = String, format = DateTime)]
    since: Instant,
    /// The number of the last row of the log that was recorded by then.
    #[schema(example = 588)]
    since_seq: i64,
    /// The instant that the list is about now; its pages keep it.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// The number of the last row of the log that it rests on.
    #[schema(example = 603)]
    known_seq: i64,
    /// The items, by unit, schedule and task.
    items: Vec<ExplainedChange>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// A due item that is not what it was, and why.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ExplainedChange {
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// What it was and is.
    #[serde(flatten)]
    change: DueChange,
    /// The edition of the schedule that asks for it, or asked for it before it was gone.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    edition_id: Option<EditionId>,
    /// The policy pack that names the edition, if one does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pack: Option<Pack>,
    /// Whether it would be another by now if nothing had been recorded.
    by_time: bool,
    /// What was recorded since that its unit is worked out from, if the item is another because of that.
    recorded: Vec<RecordedCause>,
}

/// Something that was recorded since.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RecordedCause {
    /// What kind of record.
    what: CauseKind,
    /// The service event, unit or site.
    #[schema(value_type = String, format = "uuid")]
    id: String,
    /// Of a service event, its kind.
    #[serde(skip_serializing_if = "Option::is_none")]
    kind: Option<EventKind>,
    /// Of a service event, when it happened, as it was stated: an instant or a day.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-11-02T08:00:00-07:00")]
    occurred: Option<String>,
    /// When it was recorded.
    #[schema(value_type = String, format = DateTime)]
    recorded_at: Instant,
    /// Who recorded it.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
}

/// What was recorded.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum CauseKind {
    /// A service event of the unit, of one that is the same machine, or for its model.
    ServiceEvent,
    /// Fields of the unit.
    Unit,
    /// Fields of a site where the unit stands or stood.
    Site,
}

/// Tell why the list of due items changed
///
/// Compares the list as it was at `since`, by what was recorded by then, with the list now, and tells of every item that
/// is another: what it was and is, whether time alone would have done that, and what was recorded meanwhile that its unit
/// is worked out from. An item without `before` was not on the list; one without `after` is not on it any more: the unit
/// moved, or the schedule is not adopted for it now. With `state`, items are told of that were or are in such a state.
///
/// Every unit of which something was recorded since, or came about by time, is worked out anew, up to 200 of them; more
/// are a problem. What you may see is judged as it is now.
#[utoipa::path(get, path = "/v1/due/changes", tag = "due", operation_id = "list_due_changes",
    params(Since, Filters, PageParams),
    responses((status = 200, body = DueChanges), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let filter = due_query::plain_filter(&mut params, &caller);
    let since = params.instant("since");
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let since = since.ok_or_else(|| wrong_since("required", "Say since when."))?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let as_of = match &place {
        Some(place) => Instant::from_micros(place.as_of),
        None => caller.now(),
    };
    if since > as_of {
        return Err(wrong_since("in_future", "A list has not changed yet since an instant that is to come."));
    }
    let known = place.as_ref().map_or(Known::All, |place| Known::Row(place.known));
    let after = place.map(|Place { unit, schedule, task, .. }| (unit, interval::ItemKey { schedule, task }));
    let query = ChangesQuery { filter, since, as_of, known, after, limit };
    let then = folded(state.store.due_changes(query).await?)?;
    let (known_seq, since_seq, page) = (then.known_seq, then.answer.since_seq, then.answer.changes);
    let units = page.items.iter().map(|explained| explained.change.unit).collect();
    let labels = state.store.labels(caller.organization(), units).await?;
    let editions = page.items.iter().filter_map(|explained| explained.edition).collect();
    let packs = state.store.packs(caller.organization(), editions).await?;
    let place_of = |explained: &Explained| Place {
        as_of: as_of.micros(),
        known: known_seq,
        unit: explained.change.unit,
        schedule: explained.change.key.schedule,
        task: explained.change.key.task.clone(),
    };
    let next = page.items.last().filter(|_| page.more).map(place_of);
    let next = next.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let explained = |explained: Explained| ExplainedChange {
        unit_label: labels.get(&explained.change.unit).cloned(),
        change: explained.change.into(),
        edition_id: explained.edition,
        pack: explained.edition.and_then(|edition| packs.get(&edition).cloned()),
        by_time: explained.by_time,
        recorded: explained.causes.into_iter().map(RecordedCause::from).collect(),
    };
    let items = page.items.into_iter().map(explained).collect();
    Ok(HttpResponse::Ok().json(DueChanges { since, since_seq, as_of, known_seq, items, next }))
}

fn wrong_since(code: &'static str, detail: &str) -> ApiError {
    ApiError::new(Kind::InvalidParameter)
        .errors(vec![FieldError::in_parameter("since", Flaw::new(code, detail))])
}

impl From<Cause> for RecordedCause {
    fn from(cause: Cause) -> Self {
        let event =
            |id: EventId, kind, occurred| (CauseKind::ServiceEvent, id.to_string(), Some(kind), occurred);
        let (what, id, kind, occurred) = match cause.of {
            CauseOf::Event { id, kind, occurred } => event(id, kind, occurred),
            CauseOf::Unit(id) => (CauseKind::Unit, id.to_string(), None, None),
            CauseOf::Site(id) => (CauseKind::Site, id.to_string(), None, None),
        };
        Self { what, id, kind, occurred, recorded_at: cause.recorded_at, author: cause.author }
    }
}
