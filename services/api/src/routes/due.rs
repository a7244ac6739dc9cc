//! `/v1/due` and `/v1/units/{unit_id}/due`: what is due, and why.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, http::header, web};
use interval::{DueItem, ItemKey};
use model::{Code, Instant, ScheduleId, UnitId, read::Flaw, schedule::Task};
use serde::{Deserialize, Serialize};
use serde_json::json;
use store::view::{self, DuePlace, DueQuery, DueRow};

use super::{
    due_query::{self, DueFilters, Pin},
    units,
};
use crate::{
    answer,
    extract::{Caller, Params, if_none_match_is, path_id},
    openapi::{
        DueInclude, DueLine, DueList, DueSort, EditionInUse, PageParams, Problems, SetAsideReading, UnitDue,
        UnitDueItem,
    },
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// A place in a list.
#[derive(Serialize, Deserialize)]
struct Place {
    pin: Pin,
    due_at: i64,
    unit: UnitId,
    schedule: ScheduleId,
    task: Code,
}

/// List what is due
///
/// One line for each task of each adopted schedule on each unit that you may see, exact at `as_of`. Items of unknown
/// state are lines too: missing data is never ok. After a change that concerns thousands of units, `pending` says how
/// many of them are still shown as they were before it; reading one unit is always right.
#[utoipa::path(get, path = "/v1/due", tag = "due", operation_id = "list_due",
    params(DueFilters,
        ("sort" = inline(Option<DueSort>), Query, description = "In which order; absent means `due_at`."),
        PageParams),
    responses((status = 200, body = DueList), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let filter = due_query::filter(&mut params, &caller);
    let descending = params.take("sort", |word| match word {
        "due_at" => Ok(false),
        "-due_at" => Ok(true),
        _ => Err(Flaw::new("unknown_word", "A list is sorted by due_at or -due_at.")),
    });
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let pin = Pin::keep(&state, &caller, place.as_ref().map(|place| place.pin)).await?;
    let query = DueQuery {
        filter,
        as_of: pin.as_of(),
        descending: descending.unwrap_or(false),
        after: place.map(|p| DuePlace {
            due_at: Instant::from_micros(p.due_at),
            unit: p.unit,
            schedule: p.schedule,
            task: p.task,
        }),
        limit,
    };
    let (page, pending) = state.store.due(query).await?;
    let labels = state
        .store
        .labels(caller.organization(), page.items.iter().map(|row| row.place.unit).collect())
        .await?;
    let next = page.items.last().filter(|_| page.more).map(|row| place_of(row, pin));
    let next = next.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let items = page.items.into_iter().map(|row| line(row, &labels)).collect();
    Ok(HttpResponse::Ok().json(DueList { as_of: pin.as_of(), pending, items, next }))
}

fn place_of(row: &DueRow, pin: Pin) -> Place {
    Place {
        pin,
        due_at: row.place.due_at.micros(),
        unit: row.place.unit,
        schedule: row.place.schedule,
        task: row.place.task.clone(),
    }
}

fn line(row: DueRow, labels: &std::collections::BTreeMap<UnitId, String>) -> DueLine {
    DueLine {
        unit_label: labels.get(&row.place.unit).cloned(),
        unit_id: row.place.unit,
        home_site_id: row.home_site,
        standing_site_id: row.standing_site,
        schedule_id: row.place.schedule,
        task: row.place.task,
        state: row.state,
        reason: row.reason,
        until: some(row.until),
        due_at: some(row.place.due_at),
    }
}

/// Say what is due on a unit
///
/// Worked out afresh from all its events: both axes of every limit, which governs, what to bring and what to beware
/// of; with `include=trace` what each state rests on.
#[utoipa::path(get, path = "/v1/units/{unit_id}/due", tag = "due", operation_id = "read_unit_due",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), ("include" = inline(Option<DueInclude>), Query, description = "What else to tell: `trace`, what each state rests on."),
        ("If-None-Match" = Option<String>, Header, description = "A weak ETag you have; 304 while nothing is new and no state or count of days has changed.")),
    responses((status = 200, body = UnitDue), (status = 304, description = "Nothing has changed but the time."),
        Problems))]
pub(super) async fn of_unit(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let trace = params.take("include", |word| {
        if word == "trace" { Ok(()) } else { Err(Flaw::new("unknown_word", "trace can be included.")) }
    });
    params.close()?;
    caller.require(Action::ReadDue, &units::object(&state, &caller, unit).await?)?;
    let due = state
        .store
        .unit_due(caller.organization(), unit)
        .await?
        .ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let answer = whole(unit, &due, caller.now(), trace.is_some());
    let etag = tag(&due, &answer);
    if if_none_match_is(&request, &etag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, etag)).finish());
    }
    Ok(HttpResponse::Ok().insert_header((header::ETAG, etag)).json(answer))
}

fn whole(unit: UnitId, due: &view::UnitDue, at: Instant, trace: bool) -> UnitDue {
    let items: Vec<DueItem> = due.state.items_at(at);
    let mut editions: Vec<EditionInUse> = Vec::new();
    for item in &items {
        if let Some(edition) = due
            .state
            .edition(item.edition_id)
            .filter(|_| !editions.iter().any(|e| e.edition_id == item.edition_id))
        {
            editions.push(EditionInUse {
                schedule_id: item.schedule_id,
                edition_id: item.edition_id,
                edition: edition.edition.to_string(),
                source: edition.source.to_string(),
                notice: edition.notice.as_deref().map(str::to_owned),
            });
        }
    }
    UnitDue {
        unit_id: unit,
        as_of: at,
        standing_site_id: due.state.site_at(at),
        engine_hours: due.state.hours_at(at),
        set_aside: due
            .state
            .set_aside()
            .iter()
            .map(|r| SetAsideReading {
                event_id: r.event_id,
                meter_hours: r.meter_hours,
                suggested_meter_hours: r.suggested,
            })
            .collect(),
        editions,
        items: items.into_iter().map(|item| with_task(due, item, at, trace)).collect(),
    }
}

fn with_task(due: &view::UnitDue, item: DueItem, at: Instant, trace: bool) -> UnitDueItem {
    let edition = due.state.edition(item.edition_id);
    let task: Option<&Task> =
        edition.and_then(|edition| edition.tasks.iter().find(|task| task.task == item.task));
    let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
    UnitDueItem {
        parts: task.map(|task| task.parts.clone()).unwrap_or_default(),
        settings: task.map(|task| task.settings.clone()).unwrap_or_default(),
        cautions: task.map(|task| task.cautions.clone()).unwrap_or_default(),
        trace: trace.then(|| due.state.trace_at(&key, at)),
        item,
    }
}

/// A weak tag of all that the answer rests on but the time, and of the states that the time alone moves.
fn tag(due: &view::UnitDue, answer: &UnitDue) -> String {
    let states: Vec<_> = answer
        .items
        .iter()
        .map(|item| {
            (item.item.edition_id, &item.item.task, item.item.state, item.item.reason, item.item.due_at)
        })
        .collect();
    let days: Vec<_> = answer.items.iter().map(|item| item.item.calendar).collect();
    let traced = answer.items.first().is_some_and(|item| item.trace.is_some());
    format!("W/{}", answer::digest(&json!([due.evidence, states, days, answer.standing_site_id, traced])))
}

fn some(instant: Instant) -> Option<Instant> {
    (instant < Instant::LAST).then_some(instant)
}
