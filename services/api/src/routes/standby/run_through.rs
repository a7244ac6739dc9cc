//! `/v1/units/{unit_id}/run-through`, `/v1/sites/{site_id}/run-through` and `/v1/run-through`: how units would go through an outage,
//! and what has to be there beforehand.

use std::collections::BTreeMap;

use actix_web::{HttpRequest, HttpResponse, web};
use interval::EngineHours;
use model::{
    EventId, Hours, Instant, Litres, SiteId, UnitId,
    event::Details,
    quantity::Kilograms,
    read::{FieldError, Flaw},
    unit::Fuel,
};
use process::readiness::record;
use serde::Serialize;
use standby::{
    burn::propane,
    load::LoadError,
    outage::{
        self, Answer, FleetStage, OutageError, RunThrough, SiteAsked, SitePlan, SiteTank, UnitSet,
        live::{Checks, LiveTask, OpenRun, checks},
    },
    record::{OutageAsked, Record, RunTold, looks_at_oil},
};
use store::view::{DueFilter, UnitStory};
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, folded_at_most},
    outage::{AskedOutage, OutageParams, parameter, shared_load},
    story::{self, SiteHead, UnitHead, number, tagged_out},
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// So many units at most are run through an outage at once.
pub(super) const FLEET_MOST: usize = 1000;

/// A unit through an outage, or what has to be entered to say how it would go.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitRunThrough {
    #[serde(flatten)]
    head: UnitHead,
    /// Hours of the engine since new, from which tasks are counted.
    engine_hours: EngineHours,
    /// Whether a tag says that it must not run: then it goes like this only once that is taken off.
    tagged_out: bool,
    /// How it goes; absent where something is missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    plan: Option<Box<RunThrough>>,
    /// The run that goes on, if one does.
    #[serde(skip_serializing_if = "Option::is_none")]
    running: Option<RunningNow>,
    /// What has to be entered before the plan can be made.
    missing: Vec<ToEnter>,
}

/// A run that goes on.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunningNow {
    /// The event of its start.
    #[schema(value_type = String, format = "uuid")]
    run_id: EventId,
    /// Since when it runs.
    #[schema(value_type = String, format = DateTime)]
    since: Instant,
    /// For how long it has run, in hours.
    #[schema(value_type = f64, example = 30.0)]
    run_hours: Hours,
    /// Oil checks that it asked for so far, and those of which nothing was written down.
    checks: Checks,
    /// Tasks with a limit in hours: how much is left, and by when it has to stop for them.
    tasks: Vec<LiveTask>,
}

/// Something to enter.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ToEnter {
    /// The field of the unit's record, as a JSON Pointer (RFC 6901), if it belongs there.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "/tank_litres")]
    pointer: Option<String>,
    /// The parameter of the request, if it belongs there.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "fuel_litres")]
    parameter: Option<String>,
    /// What to enter, in words.
    #[schema(example = "how much is in the tank")]
    enter: String,
}

/// A site through an outage.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteRunThrough {
    #[serde(flatten)]
    head: SiteHead,
    /// How each unit goes, and what the site needs for all of them.
    plan: SitePlan,
    /// Units that stand there and are left out: a tag says that they must not run.
    #[schema(value_type = Vec<String>)]
    left_out: Vec<UnitId>,
}

/// All sites through an outage.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FleetRunThrough {
    /// The instant at which the units were looked at.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What to stage, by site and in all.
    stage: FleetStage,
    /// Units that are left out: a tag says that they must not run.
    #[schema(value_type = Vec<String>)]
    left_out: Vec<UnitId>,
}

/// What is in the tank of the unit.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct TankParams {
    /// What is in the tank at the beginning, in litres; absent means what the record says.
    #[param(value_type = Option<f64>, minimum = 0, example = 24)]
    fuel_litres: Option<f64>,
    /// The same weighed, in kilograms, of a unit that burns propane; in the place of `fuel_litres`.
    #[param(value_type = Option<f64>, minimum = 0, example = 18)]
    fuel_kilograms: Option<f64>,
}

/// What is in the tank of a site.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct SiteTankParams {
    /// What is in the tank of the site that feeds its units, in litres; absent means that it counts as empty, and is asked for.
    #[param(value_type = Option<f64>, minimum = 0, example = 900)]
    site_tank_litres: Option<f64>,
}

/// Run a unit through an outage
///
/// On paper: when it stops and for what, what is filled in and done at each stop, what is burned, what has to be staged beyond what is
/// there, and what falls due after. The oil is checked at stops; a task is done at the last stop before it would fall due. While the
/// unit runs, the plan goes on from that run, and `running` tells of checks that were missed. How the unit burns fuel is told by its
/// record, else by a table or a rule of thumb, which the answer names. Where something is not known the answer says what to enter
/// instead of a plan. The unit's manual, local codes and licensed practice come first.
#[utoipa::path(get, path = "/v1/units/{unit_id}/run-through", tag = "outages", operation_id = "run_unit_through",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), OutageParams, TankParams),
    responses((status = 200, body = UnitRunThrough), Problems))]
pub(in crate::routes) async fn unit(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let asked = AskedOutage::of(&mut params, caller.now());
    let tank = AskedTank::of(&mut params);
    params.close()?;
    let told = story::unit(&state, &caller, id, &Asked::now(caller.now())).await?;
    let record = told.record();
    let fuel = tank.litres(record.fields.fuel)?;
    let of_unit = OutageAsked { fuel, ..asked.of_unit() };
    let (plan, missing) = match outage::run_through(&asked.at(told.zone()), &record.outage_set(&of_unit)) {
        Ok(Answer::Planned { plan }) => (Some(plan), Vec::new()),
        Ok(Answer::Unknown { missing }) => {
            (None, missing.into_iter().map(|missing| to_enter(&missing.pointer, missing.enter)).collect())
        }
        Err(error) => (None, vec![refused(&error, asked.load.is_some(), tank.parameter())?]),
    };
    let running = record.open_run().and_then(|run| running(&record, &run));
    let engine_hours = record.state.hours_at(told.at);
    Ok(HttpResponse::Ok().json(UnitRunThrough {
        engine_hours,
        tagged_out: tagged_out(&told.story),
        plan,
        running,
        missing,
        head: told.head,
    }))
}

/// Run a site through an outage
///
/// All units that stand there, each with its own plan, and what the site needs for all of them: fuel, oil, parts and cans. A tank of
/// the site feeds the units that have none of their own. Units that are tagged out are left out and named.
#[utoipa::path(get, path = "/v1/sites/{site_id}/run-through", tag = "outages", operation_id = "run_site_through",
    params(("site_id" = String, Path, format = "uuid", description = "The site."), OutageParams, SiteTankParams),
    responses((status = 200, body = SiteRunThrough), Problems))]
pub(in crate::routes) async fn site(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: SiteId = path_id(&request, "site_id")?;
    let mut params = Params::of(&request)?;
    let asked = AskedOutage::of(&mut params, caller.now());
    let tank = params.take("site_tank_litres", number(Litres::read));
    params.close()?;
    let told = story::site(&state, &caller, id, &Asked::now(caller.now())).await?;
    let (sets, left_out) = sets(told.story.units.iter(), told.at, &asked);
    if tank.zip(told.story.fields.tank_litres).is_some_and(|(there, holds)| there > holds) {
        let flaw =
            Flaw::new("more_than_the_tank_holds", "There is no more in the tank of the site than it holds.");
        return Err(invalid("site_tank_litres", flaw));
    }
    let tank = site_tank(&told.story.fields, tank);
    let plan = outage::site(&asked.at(&told.zone), &sets, tank, asked.on_site)
        .map_err(|error| of_request(&error))?;
    Ok(HttpResponse::Ok().json(SiteRunThrough { head: told.head, plan, left_out }))
}

/// Run all sites through an outage
///
/// What to stage at each site that you may see and in all, for up to 1,000 units. Narrow it with `site`. A tank of a site counts as
/// empty here: ask about that site to say what is in it.
#[utoipa::path(get, path = "/v1/run-through", tag = "outages", operation_id = "run_fleet_through",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only units of this site."), OutageParams),
    responses((status = 200, body = FleetRunThrough), Problems))]
pub(in crate::routes) async fn fleet(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    let asked = AskedOutage::of(&mut params, caller.now());
    params.close()?;
    let filter = DueFilter { sites: caller.visible_sites(), site, ..DueFilter::all(caller.organization()) };
    let at = caller.now();
    let found = state.store.fleet_story(filter, Asked::now(at).moment(), FLEET_MOST).await?;
    let mut by_site: BTreeMap<SiteId, Vec<UnitStory>> = BTreeMap::new();
    for unit in folded_at_most(FLEET_MOST, found)?.answer {
        by_site.entry(unit.site).or_default().push(unit);
    }
    let (mut questions, mut left_out) = (Vec::with_capacity(by_site.len()), Vec::new());
    for (site, units) in &by_site {
        let Some(first) = units.first() else { continue };
        let (sets, out) = sets(units.iter(), at, &asked);
        left_out.extend(out);
        let tank = site_tank(&first.site_fields, None);
        questions.push(SiteAsked {
            site: *site,
            outage: asked.at(&first.zone),
            stock: asked.on_site,
            sets,
            tank,
        });
    }
    let stage = outage::fleet(&questions).map_err(|(_, error)| of_request(&error))?;
    Ok(HttpResponse::Ok().json(FleetRunThrough { as_of: at, stage, left_out }))
}

/// The units of a site as they go into the outage, and those that are tagged out.
fn sets<'a>(
    units: impl Iterator<Item = &'a UnitStory>,
    at: Instant,
    asked: &AskedOutage,
) -> (Vec<UnitSet>, Vec<UnitId>) {
    let (out, run): (Vec<&UnitStory>, Vec<&UnitStory>) = units.partition(|unit| tagged_out(unit));
    let records: Vec<Record<'_>> = run.iter().map(|unit| record(unit, at)).collect();
    let shared = shared_load(&records);
    let sets = records.iter().map(|record| UnitSet {
        unit: record.unit,
        set: record.outage_set(&asked.of_unit_at_site(record, shared)),
    });
    (sets.collect(), out.into_iter().map(|unit| unit.id).collect())
}

/// The tank of a site, if it has one.
fn site_tank(fields: &model::site::SiteFields, litres: Option<Litres>) -> Option<SiteTank> {
    let has_one = fields.tank_litres.is_some() || litres.is_some();
    has_one.then(|| SiteTank {
        capacity: fields.tank_litres,
        litres,
        reserve: fields.tank_reserve_litres.unwrap_or(Litres::from_hundredths(0)),
    })
}

/// What goes on, with the checks that it asks for.
fn running(record: &Record<'_>, run: &RunTold) -> Option<RunningNow> {
    let run_hours = run.lasted(record.at)?;
    let every = record.fields.oil_check_hours.unwrap_or(USUAL_CHECK);
    let recorded: Vec<Hours> = record
        .happened
        .iter()
        .filter(|event| event.at > run.from && is_check(&event.details))
        .map(|event| Hours::from_seconds(event.at.seconds_since(run.from)))
        .collect();
    let open = OpenRun { since: run.from, engine_hours: record.engine_hours_at(run.from)? };
    let tasks =
        record.tasks().iter().filter_map(|task| open.task(&task.task, task.hours?, record.at).ok()).collect();
    let checks = checks(run_hours, every, &recorded);
    Some(RunningNow { run_id: run.id, since: run.from, run_hours, checks, tasks })
}

/// Oil is checked each 8 hours of running where the record does not say (common practice).
const USUAL_CHECK: Hours = Hours::from_seconds(8 * 3600);

fn is_check(details: &Details) -> bool {
    matches!(details, Details::Service(service) if service.jobs.iter().any(looks_at_oil))
}

/// What to enter where the library asks for it.
fn to_enter(pointer: &str, enter: &str) -> ToEnter {
    let of_request = match pointer {
        "/supply/start_litres" => Some("fuel_litres"),
        pointer => parameter(pointer),
    };
    let of_record = of_request.is_none().then(|| pointer.replace("/supply", ""));
    ToEnter { pointer: of_record, parameter: of_request.map(str::to_owned), enter: enter.to_owned() }
}

/// What the request says is in the tank.
struct AskedTank {
    litres: Option<Litres>,
    mass: Option<Kilograms>,
}

impl AskedTank {
    fn of(params: &mut Params) -> Self {
        Self {
            litres: params.take("fuel_litres", number(Litres::read)),
            mass: params.take("fuel_kilograms", number(Kilograms::read)),
        }
    }

    /// The parameter that says it.
    fn parameter(&self) -> Option<&'static str> {
        self.litres.map(|_| "fuel_litres").or(self.mass.map(|_| "fuel_kilograms"))
    }

    /// By volume, in a unit that burns this fuel.
    fn litres(&self, fuel: Option<Fuel>) -> ApiResult<Option<Litres>> {
        let Some(mass) = self.mass else { return Ok(self.litres) };
        if self.litres.is_some() || fuel != Some(Fuel::Propane) {
            let flaw =
                Flaw::new("misplaced", "Only propane is weighed, and then not told in litres as well.");
            return Err(invalid("fuel_kilograms", flaw));
        }
        Ok(Some(propane(mass.into()).litres()))
    }
}

/// What cannot be: a parameter is refused, a record that contradicts itself is to be put right. Load and fuel are of the record where
/// the request does not say them.
fn refused(error: &OutageError, says_load: bool, says_fuel: Option<&'static str>) -> ApiResult<ToEnter> {
    let name = match error.pointer() {
        "/supply/start_litres" => says_fuel,
        pointer => parameter(pointer).filter(|name| *name != "load" || says_load),
    };
    match name {
        Some(name) => Err(invalid(name, Flaw::new(error.code(), error.to_string()))),
        None if matches!(error, OutageError::Load(LoadError::RatingMissing)) => {
            Ok(to_enter(error.pointer(), &error.to_string()))
        }
        None => Ok(to_enter(error.pointer(), &format!("Put right what contradicts this: {error}"))),
    }
}

/// What cannot be of what the request says.
fn of_request(error: &OutageError) -> ApiError {
    let name = match error.pointer() {
        "/site_tank/litres" => "site_tank_litres",
        pointer => parameter(pointer).unwrap_or("hours"),
    };
    invalid(name, Flaw::new(error.code(), error.to_string()))
}

fn invalid(name: &str, flaw: Flaw) -> ApiError {
    ApiError::new(Kind::InvalidParameter).errors(vec![FieldError::in_parameter(name, flaw)])
}
