//! `/v1/units/{unit_id}/hours`: how many hours the engine of one unit has, and what that rests on.

use std::collections::BTreeMap;

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use device::{OtherUnit, ReadingAside};
use interval::{HoursReport, SetAside};
use model::{Instant, SiteId, UnitId};
use serde::Serialize;
use store::view::{DueFilter, UnitDue};
use utoipa::ToSchema;

use super::{
    moment::{Asked, KnownThen, MomentParams},
    unit_due, units,
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
    /// Hours of the engine since new, across all meters, and what they rest on.
    #[serde(flatten)]
    report: HoursReport,
    /// Readings that are not used.
    set_aside: Vec<ReadingAside>,
}

/// Say how many hours an engine has
///
/// Worked out afresh from all events of the unit, across meters that were swapped: the likeliest value, its bounds, how
/// well they are known, the run that goes on, stops that were never recorded, what the meter says against what the runs
/// say, and the readings that the hours do not rest on, each with what was probably meant or with the unit that it
/// probably belongs to. That is looked for among 200 units that you may see, those at the same site first.
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
    let (at, aside) = (asked.at(), due.state.set_aside());
    let site = due.state.site_at(at);
    let others = if aside.iter().any(|reading| reading.suggested.is_none()) {
        let visible = DueFilter { sites: caller.visible_sites(), ..DueFilter::all(caller.organization()) };
        state.store.beside(visible, unit, site, asked.moment()).await?
    } else {
        BTreeMap::new()
    };
    Ok(HttpResponse::Ok().json(UnitHours {
        unit_id: unit,
        as_of: at,
        known,
        standing_site_id: site,
        report: due.state.hours_report(at),
        set_aside: aside.iter().map(|reading| told(reading, &others)).collect(),
    }))
}

fn told(reading: &SetAside, others: &BTreeMap<UnitId, UnitDue>) -> ReadingAside {
    let other = interval::belongs_to(reading, others.iter().map(|(unit, due)| (*unit, &due.state)));
    ReadingAside {
        event_id: reading.event_id,
        read_at: reading.read_at,
        meter_hours: reading.meter_hours,
        suggested_meter_hours: reading.suggested,
        belongs_to: other.map(|unit_id| OtherUnit {
            unit_id,
            unit_label: others.get(&unit_id).and_then(|due| due.label.clone()),
        }),
    }
}
