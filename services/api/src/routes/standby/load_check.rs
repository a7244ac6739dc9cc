//! `/v1/units/{unit_id}/load-check`: whether a unit carries and starts what is plugged into it, and in which order.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Label, UnitId,
    quantity::Celsius,
    read::{Mode, Object, integer, whole},
};
use serde::Serialize;
use standby::load_check::{Load, LoadCheck, Place, Watts, load_check};
use utoipa::ToSchema;

use super::{
    super::moment::Asked,
    story::{self, UnitHead},
};
use crate::{
    extract::{self, Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult},
    state::State,
};

/// Loads of a list at most.
const LOADS_MOST: usize = 100;

/// What a unit has to run.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct LoadQuestion {
    /// What it has to run.
    #[schema(min_items = 1, max_items = 100)]
    loads: Vec<LoadAsked>,
    /// How warm the air is that it draws, on the hottest day, in degrees Celsius.
    #[schema(value_type = Option<f64>, minimum = -60, maximum = 80, example = 38)]
    air_celsius: Option<f64>,
}

/// One thing to run.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct LoadAsked {
    /// What it is.
    #[schema(value_type = String, min_length = 1, max_length = 200, example = "well pump")]
    name: Label,
    /// What it takes while it runs, in watts.
    #[schema(minimum = 0, maximum = 100_000_000, example = 1500)]
    running_watts: Option<i64>,
    /// What it takes on top of that while it starts, in watts; 0 for lights and heaters.
    #[schema(minimum = 0, maximum = 100_000_000, example = 3000)]
    surge_watts: Option<i64>,
}

/// Whether a unit carries its loads.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitLoadCheck {
    #[serde(flatten)]
    head: UnitHead,
    /// The verdict, the order in which to start, and what it rests on.
    check: LoadCheck,
}

/// Say whether a unit carries its loads
///
/// By its rating, less what the manual of its model takes off for the height of the site and for heat. Gives the order of starting that
/// keeps the peak lowest. Where the rule of the model, the height or a load is not known, the verdict is unknown unless what is known is
/// enough. Connect loads only through transfer equipment fitted by a licensed electrician: the answer carries the cautions.
#[utoipa::path(post, path = "/v1/units/{unit_id}/load-check", tag = "outages", operation_id = "check_load",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit.")), request_body = LoadQuestion,
    responses((status = 200, body = UnitLoadCheck), Problems))]
pub(in crate::routes) async fn check(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let id: UnitId = path_id(&request, "unit_id")?;
    Params::of(&request)?.close()?;
    let told = story::unit(&state, &caller, id, &Asked::now(caller.now())).await?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let (loads, air) = whole(&body, Mode::New, question).map_err(ApiError::invalid)?;
    let record = told.record();
    let place = Place { air, ..record.place() };
    let check = load_check(&record.loaded(), &place, &loads).map_err(ApiError::internal)?;
    Ok(HttpResponse::Ok().json(UnitLoadCheck { check, head: told.head }))
}

fn question(o: &mut Object<'_>) -> Option<(Vec<Load>, Option<Celsius>)> {
    let loads = o.objects("loads", LOADS_MOST, load);
    let air = o.optional("air_celsius", Celsius::read);
    if !o.has("loads") || loads.as_ref().is_some_and(Vec::is_empty) {
        return o.fail("loads", model::read::Flaw::new("required", "Say what the unit has to run."));
    }
    Some((loads?, air))
}

fn load(o: &mut Object<'_>) -> Option<Load> {
    let name = o.required("name", Label::read);
    let watts = |watts: i64| u32::try_from(watts).ok().map(Watts::from_whole);
    let running = o.optional("running_watts", integer(0, 100_000_000)).and_then(watts);
    let surge = o.optional("surge_watts", integer(0, 100_000_000)).and_then(watts);
    Some(Load { name: name?.to_string(), running, surge })
}
