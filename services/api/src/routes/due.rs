//! `/v1/due` and `/v1/units/{unit_id}/due`: what is due, and why.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, http::header, web};
use interval::{DueItem, DueState, ItemKey};
use model::{Code, Instant, ScheduleId, SiteId, UnitId, read::Flaw, schedule::Task};
use serde::{Deserialize, Serialize};
use serde_json::json;
use store::view::{self, DuePlace, DueQuery, DueRow};

use super::units;
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

/// How long the pages of a list keep to its instant.
const PINNED_SECONDS: i64 = 24 * 3600;

/// A place in a list, and the instant that the list is about.
#[derive(Serialize, Deserialize)]
struct Place {
    /// When the list was begun; its pages are good for a day from then.
    begun: i64,
    as_of: i64,
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
    params(("state" = Option<Vec<DueState>>, Query, style = Form, explode = false, description = "Only these states, separated by commas."),
        ("site" = Option<String>, Query, format = "uuid", description = "Only units of this site: at home there, or standing there."),
        ("unit" = Option<String>, Query, format = "uuid", description = "Only this unit."),
        ("task" = Option<String>, Query, pattern = "^[a-z][a-z0-9_]{0,63}$", description = "Only this task."),
        ("due_before" = Option<String>, Query, format = DateTime, description = "Only what is due before this instant, given no new data."),
        ("sort" = inline(Option<DueSort>), Query, description = "In which order; absent means `due_at`."),
        PageParams),
    responses((status = 200, body = DueList), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let states = params.take_list("state", |word| {
        DueState::parse(word).ok_or_else(|| {
            let all: Vec<&str> = interval::DUE_STATES.iter().map(|(word, _)| *word).collect();
            Flaw::new("unknown_word", format!("A state is one of: {}.", all.join(", ")))
        })
    });
    let site = params.take("site", SiteId::parse);
    let unit = params.take("unit", UnitId::parse);
    let task = params.take("task", Code::parse);
    let due_before = params.take("due_before", Instant::parse);
    let descending = params.take("sort", |word| match word {
        "due_at" => Ok(false),
        "-due_at" => Ok(true),
        _ => Err(Flaw::new("unknown_word", "A list is sorted by due_at or -due_at.")),
    });
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let begun = place.as_ref().map_or(caller.now().micros(), |place| place.begun);
    let as_of = match &place {
        Some(place) => pinned(place, caller.now())?,
        None => state.store.due_as_of(caller.organization(), caller.now()).await?,
    };
    let query = DueQuery {
        organization: caller.organization(),
        as_of,
        sites: caller.visible_sites(),
        site,
        unit,
        task,
        states,
        due_before,
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
    let next = page.items.last().filter(|_| page.more).map(|row| place_of(row, begun, as_of));
    let next = next.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let items = page.items.into_iter().map(|row| line(row, &labels)).collect();
    Ok(HttpResponse::Ok().json(DueList { as_of, pending, items, next }))
}

fn pinned(place: &Place, now: Instant) -> ApiResult<Instant> {
    if now.seconds_since(Instant::from_micros(place.begun)) > PINNED_SECONDS {
        return Err(ApiError::cursor("The list is more than a day old; begin it again."));
    }
    Ok(Instant::from_micros(place.as_of))
}

fn place_of(row: &DueRow, begun: i64, as_of: Instant) -> Place {
    Place {
        begun,
        as_of: as_of.micros(),
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
