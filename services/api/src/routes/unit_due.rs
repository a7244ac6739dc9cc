//! `/v1/units/{unit_id}/due`: what is due on one unit, and why.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, http::header, web};
use interval::{Compliance, DueItem, EngineHours, ItemKey, Projection, TraceEntry};
use model::{
    EditionId, EventId, Hours, Instant, ScheduleId, SiteId, UnitId,
    schedule::{Caution, Part, Setting, Task},
};
use serde::Serialize;
use serde_json::json;
use store::view;
use utoipa::ToSchema;

use super::{
    moment::{Asked, KnownThen, MomentParams},
    units,
};
use crate::{
    answer,
    extract::{Caller, Params, if_none_match_is, path_id, word},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// What an answer about a unit's due items can tell besides.
#[derive(Clone, Copy, PartialEq, ToSchema)]
#[schema(rename_all = "snake_case")]
pub(crate) enum DueInclude {
    /// What each state rests on.
    Trace,
    /// When each item will probably be due.
    Projection,
}

const INCLUDES: &[(&str, DueInclude)] =
    &[("trace", DueInclude::Trace), ("projection", DueInclude::Projection)];

/// All that is due on one unit, worked out afresh.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitDue {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// Where the unit stands.
    #[schema(value_type = String, format = "uuid")]
    standing_site_id: SiteId,
    /// Hours of the engine since new.
    engine_hours: EngineHours,
    /// Readings that are not used, with what was probably meant.
    set_aside: Vec<SetAsideReading>,
    /// How many of the items that are for the unit are known not to be overdue.
    compliance: Compliance,
    /// What it goes by where schedules are silent.
    policy: PolicyInUse,
    /// The adopted editions that ask for the items.
    editions: Vec<EditionInUse>,
    /// The items.
    items: Vec<UnitDueItem>,
}

/// A reading that the engine hours do not rest on.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SetAsideReading {
    /// The event that carries it.
    #[schema(value_type = String, format = "uuid")]
    event_id: EventId,
    /// What was read.
    #[schema(value_type = f64, example = 4231.7)]
    meter_hours: Hours,
    /// What was probably meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 423.2)]
    suggested_meter_hours: Option<Hours>,
}

/// The policy that answers go by, of which their trace tells the same.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PolicyInUse {
    /// Its name.
    #[schema(value_type = String, example = "standard")]
    policy: &'static str,
    /// Its edition.
    #[schema(value_type = String, example = "1")]
    edition: &'static str,
}

/// An edition that asks for some of the items.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EditionInUse {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: ScheduleId,
    /// The edition.
    #[schema(value_type = String, format = "uuid")]
    edition_id: EditionId,
    /// Its label.
    edition: String,
    /// Where its figures come from.
    source: String,
    /// What must be said wherever it is used.
    #[serde(skip_serializing_if = "Option::is_none")]
    notice: Option<String>,
}

/// One task on the unit, with what it takes and what to beware of.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitDueItem {
    /// The state and what it rests on.
    #[serde(flatten)]
    pub(super) item: DueItem,
    /// What to bring.
    pub(super) parts: Vec<Part>,
    /// What to set.
    pub(super) settings: Vec<Setting>,
    /// What can hurt somebody, each with its source.
    pub(super) cautions: Vec<Caution>,
    /// What the state rests on and what was left out, in codes with values; with `include=trace`.
    #[serde(skip_serializing_if = "Option::is_none")]
    trace: Option<Vec<TraceEntry>>,
    /// When it will probably be due, by how the unit was used; with `include=projection`, where use or the calendar
    /// tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    projection: Option<Projection>,
}

/// Say what is due on a unit
///
/// Worked out afresh from all its events: both axes of every limit, which governs, what to bring and what to beware
/// of; with `include=trace` what each state rests on, with `include=projection` when it will probably be due. With `valid_at` and `known_at` it says what was due at another
/// time, and what anybody could have known of it then.
#[utoipa::path(get, path = "/v1/units/{unit_id}/due", tag = "due", operation_id = "read_unit_due",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), ("include" = inline(Option<Vec<DueInclude>>), Query, style = Form, explode = false, description = "What else to tell, separated by commas: `trace`, what each state rests on; `projection`, when each item will probably be due."),
        MomentParams,
        ("If-None-Match" = Option<String>, Header, description = "A weak ETag you have; 304 while nothing is new and no state or count of days has changed.")),
    responses((status = 200, body = UnitDue), (status = 304, description = "Nothing has changed but the time."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let include = params.take_list("include", |text| word(INCLUDES, "What can be included", text));
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    caller.require(Action::ReadDue, &units::object(&state, &caller, unit).await?)?;
    let (due, known) = at(&state, &caller, unit, &asked).await?;
    let answer = UnitDue { known, ..whole(unit, &due, asked.at(), &include) };
    let etag = tag(&due, &answer, &include);
    if if_none_match_is(&request, &etag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, etag)).finish());
    }
    Ok(HttpResponse::Ok().insert_header((header::ETAG, etag)).json(answer))
}

/// The unit's state at the moment asked about.
pub(super) async fn at(
    state: &State,
    caller: &Caller,
    unit: UnitId,
    asked: &Asked,
) -> ApiResult<(view::UnitDue, KnownThen)> {
    let missing = || ApiError::new(Kind::NotFound);
    if asked.chosen().is_none() {
        let due = state.store.unit_due(caller.organization(), unit).await?;
        return Ok((due.ok_or_else(missing)?, KnownThen::NOW));
    }
    let then = state.store.unit_then(caller.organization(), unit, asked.moment()).await?;
    let then = then.ok_or_else(missing)?;
    Ok((then.answer, KnownThen::of(asked, then.known_seq)))
}

fn whole(unit: UnitId, due: &view::UnitDue, at: Instant, include: &[DueInclude]) -> UnitDue {
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
        known: KnownThen::NOW,
        standing_site_id: due.state.site_at(at),
        engine_hours: due.state.hours_at(at),
        set_aside: set_aside(due),
        compliance: Compliance::of(&items),
        policy: PolicyInUse { policy: due.state.policy().name, edition: due.state.policy().edition },
        editions,
        items: items.into_iter().map(|item| with_task(due, item, at, include)).collect(),
    }
}

/// Readings that are not used, as they are told.
pub(super) fn set_aside(due: &view::UnitDue) -> Vec<SetAsideReading> {
    let told = |reading: &interval::SetAside| SetAsideReading {
        event_id: reading.event_id,
        meter_hours: reading.meter_hours,
        suggested_meter_hours: reading.suggested,
    };
    due.state.set_aside().iter().map(told).collect()
}

/// An item with what its task takes.
pub(super) fn with_task(
    due: &view::UnitDue,
    item: DueItem,
    at: Instant,
    include: &[DueInclude],
) -> UnitDueItem {
    let edition = due.state.edition(item.edition_id);
    let task: Option<&Task> =
        edition.and_then(|edition| edition.tasks.iter().find(|task| task.task == item.task));
    let key = ItemKey { schedule: item.schedule_id, task: item.task.clone() };
    let has = |what| include.contains(&what);
    UnitDueItem {
        parts: task.map(|task| task.parts.clone()).unwrap_or_default(),
        settings: task.map(|task| task.settings.clone()).unwrap_or_default(),
        cautions: task.map(|task| task.cautions.clone()).unwrap_or_default(),
        trace: has(DueInclude::Trace).then(|| due.state.trace_at(&key, at)),
        projection: has(DueInclude::Projection).then(|| due.state.projection(&key, at)).flatten(),
        item,
    }
}

/// A weak tag of all that the answer rests on but the time, and of the states that the time alone moves.
fn tag(due: &view::UnitDue, answer: &UnitDue, include: &[DueInclude]) -> String {
    let states: Vec<_> = answer
        .items
        .iter()
        .map(|item| {
            (item.item.edition_id, &item.item.task, item.item.state, item.item.reason, item.item.due_at)
        })
        .collect();
    let days: Vec<_> = answer.items.iter().map(|item| item.item.calendar).collect();
    let projected = answer.items.iter().filter_map(|item| item.projection.as_ref());
    let projected: Vec<_> = projected.map(|when| [when.p10.date, when.p50.date, when.p90.date]).collect();
    let has = INCLUDES.iter().map(|(_, what)| include.contains(what)).collect::<Vec<_>>();
    let rest = json!([due.evidence, states, days, answer.standing_site_id, has, projected]);
    format!("W/{}", answer::digest(&rest))
}
