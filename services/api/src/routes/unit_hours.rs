//! `/v1/units/{unit_id}/hours`: how many hours the engine of one unit has, and what that rests on.

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use interval::EngineHours;
use model::{Instant, SiteId, UnitId};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    moment::{Asked, KnownThen, MomentParams},
    unit_due::{self, SetAsideReading},
    units,
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::ApiResult,
    state::State,
};

/// The engine hours of one unit, worked out afresh.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitHours {
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
    /// Hours of the engine since new, across all meters.
    engine_hours: EngineHours,
    /// Readings that are not used, with what was probably meant.
    set_aside: Vec<SetAsideReading>,
}

/// Say how many hours an engine has
///
/// Worked out afresh from all events of the unit, across meters that were swapped: the likeliest value, its bounds, how
/// well they are known, and the readings that they do not rest on.
#[utoipa::path(get, path = "/v1/units/{unit_id}/hours", tag = "due", operation_id = "read_unit_hours",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), MomentParams),
    responses((status = 200, body = UnitHours), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    caller.require(Action::ReadDue, &units::object(&state, &caller, unit).await?)?;
    let (due, known) = unit_due::at(&state, &caller, unit, &asked).await?;
    let at = asked.at();
    Ok(HttpResponse::Ok().json(UnitHours {
        unit_id: unit,
        as_of: at,
        known,
        standing_site_id: due.state.site_at(at),
        engine_hours: due.state.hours_at(at),
        set_aside: unit_due::set_aside(&due),
    }))
}
