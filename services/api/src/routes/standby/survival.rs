//! `/v1/sites/{site_id}/survival`: how likely the units of a site carry its load through an outage.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Kilowatts, SiteId, UnitId,
    quantity::Kilowatts as Power,
    read::{FieldError, Flaw},
};
use serde::Serialize;
use standby::{
    asked::Asked as ToEnter,
    caution::Caution,
    mission::{Battery, Mission, Reliability, Sets, Survival, survival},
};
use store::view::UnitStory;
use utoipa::ToSchema;

use super::{
    super::moment::Asked,
    outage::whole,
    story::{self, SiteHead, number, tagged_out},
};
use crate::{
    extract::{Caller, Params, path_id, word},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// How likely a site is carried through an outage.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteSurvival {
    #[serde(flatten)]
    head: SiteHead,
    /// How likely; absent where something is missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    survival: Option<Survival>,
    /// Units that are left out: a tag says that they must not run.
    #[schema(value_type = Vec<String>)]
    left_out: Vec<UnitId>,
    /// What to enter where something is not known.
    missing: Vec<ToEnter>,
    /// What to heed.
    cautions: Vec<Caution>,
}

/// How reliable units are taken to be.
#[derive(Clone, Copy, PartialEq, ToSchema)]
#[schema(rename_all = "snake_case")]
pub(crate) enum Upkeep {
    /// As planning tools take it where nothing is known.
    PlanningDefault,
    /// As published of well maintained sets.
    WellMaintained,
    /// As published of poorly maintained sets.
    PoorlyMaintained,
}

const UPKEEP: &[(&str, Upkeep)] = &[
    ("planning_default", Upkeep::PlanningDefault),
    ("well_maintained", Upkeep::WellMaintained),
    ("poorly_maintained", Upkeep::PoorlyMaintained),
];

/// What is asked.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct SurvivalParams {
    /// How long the outage lasts, in whole hours; absent means 72.
    #[param(minimum = 1, maximum = 8784, example = 72)]
    hours: Option<i64>,
    /// What has to be carried, in kilowatts; absent means what the site needs.
    #[param(value_type = Option<f64>, example = 12.5)]
    load_kw: Option<f64>,
    /// How reliable each unit is taken to be; absent means `planning_default`.
    #[param(inline)]
    upkeep: Option<Upkeep>,
}

/// Say how likely a site is carried through an outage
///
/// By the number and the ratings of the units that stand there, how likely each starts and how long it runs until it fails, hour by
/// hour. Fuel is taken to last: ask the run-through for that. The figures are published ones and are named; they say nothing of a
/// unit in particular.
#[utoipa::path(get, path = "/v1/sites/{site_id}/survival", tag = "outages", operation_id = "read_survival",
    params(("site_id" = String, Path, format = "uuid", description = "The site."), SurvivalParams),
    responses((status = 200, body = SiteSurvival), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: SiteId = path_id(&request, "site_id")?;
    let mut params = Params::of(&request)?;
    let hours = params.take("hours", whole(1, 8784)).unwrap_or(72);
    let load = params.take("load_kw", number(Power::read));
    let upkeep = params.take("upkeep", |text| word(UPKEEP, "An upkeep", text));
    params.close()?;
    let told = story::site(&state, &caller, id, &Asked::now(caller.now())).await?;
    let mut missing = Vec::new();
    let load = load.or(told.story.fields.needs_kw);
    if load.is_none() {
        missing.push(ToEnter::at("/needs_kw", "The least power that the site needs in an outage."));
    }
    let reliability = match upkeep {
        Some(Upkeep::WellMaintained) => Reliability::well_maintained(),
        Some(Upkeep::PoorlyMaintained) => Reliability::poorly_maintained(),
        Some(Upkeep::PlanningDefault) | None => Reliability::planning_default(),
    };
    let mut sets = Vec::new();
    let (out, run): (Vec<&UnitStory>, Vec<&UnitStory>) =
        told.story.units.iter().partition(|unit| tagged_out(unit));
    for unit in run {
        match told.record(unit).capacity() {
            Some(rated) => sets.push(Sets { count: 1, rated, reliability }),
            None => {
                missing.push(ToEnter::at(format!("/units/{}/rated_kw", unit.id), "What the unit can carry."))
            }
        }
    }
    if told.story.units.is_empty() {
        missing.push(ToEnter::at("/units", "The units that stand at the site."));
    }
    let survival = match load.filter(|_| missing.is_empty()) {
        Some(load) => Some(survival(&mission(load, hours, sets)).map_err(|error| {
            let flaw = Flaw::new(error.code(), error.to_string());
            ApiError::new(Kind::InvalidParameter).errors(vec![FieldError::in_parameter("load_kw", flaw)])
        })?),
        None => None,
    };
    let left_out = out.iter().map(|unit| unit.id).collect();
    let cautions = vec![standby::caution::CARBON_MONOXIDE, standby::caution::BACK_FEED];
    Ok(HttpResponse::Ok().json(SiteSurvival { head: told.head, survival, left_out, missing, cautions }))
}

fn mission(load: Kilowatts, hours: i64, sets: Vec<Sets>) -> Mission {
    let hours = usize::try_from(hours).unwrap_or(0);
    Mission { load: vec![load; hours], sets, battery: Battery::none() }
}
