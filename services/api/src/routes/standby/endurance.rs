//! `/v1/endurance`: who runs out of fuel first, and by when a truck has to leave.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{Hours, Instant, Litres, SiteId, UnitId};
use process::readiness::record;
use serde::Serialize;
use standby::{
    endurance::{Question, Stocked, Triage, triage},
    load::Load,
    record::Record,
};
use store::view::{DueFilter, UnitStory};
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, folded_at_most},
    outage::{from, load},
    run_through::FLEET_MOST,
    story::{flag, number, tagged_out},
};
use crate::{
    extract::{Caller, Params},
    openapi::Problems,
    problem::{ApiError, ApiResult},
    state::State,
};

/// A fleet by how long it lasts.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FleetEndurance {
    /// The instant at which the units were looked at.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// Those that last the shortest first, and those of which it is not known.
    #[serde(flatten)]
    triage: Triage,
    /// Units that are left out: a tag says that they must not run.
    #[schema(value_type = Vec<String>)]
    left_out: Vec<UnitId>,
}

/// How it is reckoned.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct EnduranceParams {
    /// Only units of this site.
    #[param(value_type = Option<String>, format = "uuid")]
    site: Option<String>,
    /// From when on they run; absent means now, and an hour ago is the earliest.
    #[param(value_type = Option<String>, format = DateTime)]
    from: Option<String>,
    /// Whether the reserve in each tank is left alone; absent means not.
    keep_reserve: Option<bool>,
    /// How long a truck takes to get there, in hours: then the answer says by when it has to leave.
    #[param(value_type = Option<f64>, minimum = 0, example = 1.5)]
    travel_hours: Option<f64>,
    /// By how many hours the truck should be early.
    #[param(value_type = Option<f64>, minimum = 0, example = 1)]
    margin_hours: Option<f64>,
    /// What each unit carries: a percentage of its rated output (`60`) or kilowatts (`3.3kW`); absent means all that
    /// its site needs, as far as it can, since others may not start.
    #[param(example = "60")]
    load: Option<String>,
    /// Fuel beside each tank, in cans, in litres.
    #[param(value_type = Option<f64>, minimum = 0, example = 20)]
    can_stock_litres: Option<f64>,
}

/// Say who runs out of fuel first
///
/// What is in each tank by the record, against what is burned at the expected load; the shortest first. Units of which something is
/// not known are listed apart with what to enter, units on piped gas with what may end it; units that a tag keeps from running are left out. For up to 1,000 units that you may see.
#[utoipa::path(get, path = "/v1/endurance", tag = "outages", operation_id = "triage_endurance",
    params(EnduranceParams), responses((status = 200, body = FleetEndurance), Problems))]
pub(in crate::routes) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let (at, nothing) = (caller.now(), Litres::from_hundredths(0));
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    let question = Question {
        from: from(&mut params, at).unwrap_or(at),
        keep_reserve: params.take("keep_reserve", flag).unwrap_or(false),
        margin: params.take("margin_hours", number(Hours::read)).unwrap_or_default(),
    };
    let travel = params.take("travel_hours", number(Hours::read));
    let load = params.take("load", load);
    let cans = params.take("can_stock_litres", number(Litres::read)).unwrap_or(nothing);
    params.close()?;
    let filter = DueFilter { sites: caller.visible_sites(), site, ..DueFilter::all(caller.organization()) };
    let found = state.store.fleet_story(filter, Asked::now(at).moment(), FLEET_MOST).await?;
    let units = folded_at_most(FLEET_MOST, found)?.answer;
    let (out, run): (Vec<&UnitStory>, Vec<&UnitStory>) = units.iter().partition(|unit| tagged_out(unit));
    let stock =
        |unit: &&UnitStory| Stocked { cans, travel, ..stocked(&record(unit, at), load, question.from) };
    let stocked: Vec<Stocked> = run.iter().map(stock).collect();
    let triage = triage(&question, &stocked).map_err(ApiError::internal)?;
    let left_out = out.iter().map(|unit| unit.id).collect();
    Ok(HttpResponse::Ok().json(FleetEndurance { as_of: at, triage, left_out }))
}

/// What a unit has, and carries where nothing else is asked.
fn stocked(record: &Record<'_>, load: Option<Load>, from: Instant) -> Stocked {
    Stocked {
        unit: record.unit,
        burn: record.burn(),
        load: load.or_else(|| record.expected_load()),
        capacity: record.fields.tank_litres,
        tank: record.level_from(from).map(|level| level.litres()),
        cans: Litres::from_hundredths(0),
        travel: None,
        reserve: record.fields.reserve_litres.unwrap_or(Litres::from_hundredths(0)),
    }
}
