//! `/v1/units/{unit_id}/readiness` and `/v1/sites/{site_id}/readiness`: whether a unit or a site is ready, and why not.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{Kilowatts, SiteId};
use serde::Serialize;
use standby::readiness::{Readiness, SiteReadiness, SiteUnit, site_readiness};
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, MomentParams},
    story::{self, SiteHead, UnitHead},
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::ApiResult,
    state::State,
};

/// Whether a unit is ready, with every reason.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitReady {
    #[serde(flatten)]
    head: UnitHead,
    /// The verdict and what it rests on.
    readiness: Readiness,
}

/// Whether a site is ready, with its units.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteReady {
    #[serde(flatten)]
    head: SiteHead,
    /// The verdict and what it rests on.
    readiness: SiteReadiness,
    /// The units that stand there, by id.
    units: Vec<UnitOfSite>,
}

/// A unit of a site, and whether it is ready.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitOfSite {
    /// What people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// What it can carry there, in kilowatts.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 5.5)]
    capacity_kw: Option<Kilowatts>,
    /// The verdict and what it rests on.
    readiness: Readiness,
}

/// Say whether a unit is ready
///
/// By rules that are data: each that is broken gives a reason that blocks or limits, each of which something is not known says what
/// to enter, and the gravest decides. There is no score. Every reason tells the value found, what it was held against, the service
/// events that it rests on and what would clear it. `until` is when time alone may change the verdict. The unit's manual, local codes
/// and licensed practice come first.
#[utoipa::path(get, path = "/v1/units/{unit_id}/readiness", tag = "readiness", operation_id = "read_unit_readiness",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), MomentParams),
    responses((status = 200, body = UnitReady), Problems))]
pub(in crate::routes) async fn unit(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let told = story::asked_unit(&state, &caller, &request).await?;
    let readiness = state.judge.readiness(&told.record());
    Ok(HttpResponse::Ok().json(UnitReady { head: told.head, readiness }))
}

/// Say whether a site is ready
///
/// It is as ready as the worst of the units that are needed to carry the least power it needs in an outage, the best taken first. A
/// site without units, or of which nobody entered what it needs, is unknown. Worked out afresh, for up to 200 units.
#[utoipa::path(get, path = "/v1/sites/{site_id}/readiness", tag = "readiness", operation_id = "read_site_readiness",
    params(("site_id" = String, Path, format = "uuid", description = "The site."), MomentParams),
    responses((status = 200, body = SiteReady), Problems))]
pub(in crate::routes) async fn site(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: SiteId = path_id(&request, "site_id")?;
    let mut params = Params::of(&request)?;
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    let told = story::site(&state, &caller, id, &asked).await?;
    let units: Vec<UnitOfSite> = told
        .story
        .units
        .iter()
        .map(|unit| {
            let record = told.record(unit);
            UnitOfSite {
                unit_label: unit.due.label.clone(),
                capacity_kw: record.capacity(),
                readiness: state.judge.readiness(&record),
            }
        })
        .collect();
    let judged: Vec<SiteUnit> = units
        .iter()
        .map(|unit| SiteUnit {
            unit: unit.readiness.unit_id,
            verdict: unit.readiness.verdict,
            capacity: unit.capacity_kw,
            until: unit.readiness.until,
        })
        .collect();
    let readiness = site_readiness(id, told.story.fields.needs_kw, &judged);
    Ok(HttpResponse::Ok().json(SiteReady { head: told.head, readiness, units }))
}
