//! `/v1/units/{unit_id}/due`: what is due on one unit, and why.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, http::header, web};
use device::{
    EditionInUse, Include, PolicyInUse, SetAsideReading, UnitDueItem, editions_in_use, policy_in_use,
    set_aside, with_task,
};
use interval::{Compliance, DueItem, EngineHours};
use model::{Instant, SiteId, UnitId};
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
    let answer = UnitDue { known, ..whole(unit, &due, asked.at(), included(&include)) };
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

fn included(include: &[DueInclude]) -> Include {
    let has = |what| include.contains(&what);
    Include { trace: has(DueInclude::Trace), projection: has(DueInclude::Projection) }
}

fn whole(unit: UnitId, due: &view::UnitDue, at: Instant, include: Include) -> UnitDue {
    let state = &due.state;
    let items: Vec<DueItem> = state.items_at(at);
    UnitDue {
        unit_id: unit,
        as_of: at,
        known: KnownThen::NOW,
        standing_site_id: state.site_at(at),
        engine_hours: state.hours_at(at),
        set_aside: set_aside(state),
        compliance: Compliance::of(&items),
        policy: policy_in_use(state),
        editions: editions_in_use(state, &items),
        items: items.into_iter().map(|item| with_task(state, item, at, include)).collect(),
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
