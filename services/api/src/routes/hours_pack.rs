//! `/v1/incidents/{incident_id}/hours-pack`: who ran in an outage, how long and for what, what was let wait and what was staged.

mod shapes;
mod table;
mod tie;

use std::collections::{BTreeMap, BTreeSet};

use access::Action;
use actix_web::{HttpRequest, HttpResponse, web};
use model::{IncidentId, SiteId, edit::Target, outage::IncidentFields};
use store::view::{DueFilter, FOLDED_MOST, Folding};

pub(crate) use self::shapes::HoursPack;
use super::{
    exports,
    moment::{Asked, KnownParams, KnownThen},
    records,
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// Say who ran in an incident
///
/// The runs of the units that you may see while they stood at its sites, cut to its time, with hours by unit and purpose, each hour
/// once; deferrals decided in it, and what was staged. Corrections count. A run without a stop goes on until now, or is named where
/// something shows that it had ended. For up to 200 units that ever stood at its sites.
#[utoipa::path(get, path = "/v1/incidents/{incident_id}/hours-pack", tag = "outages", operation_id = "read_hours_pack",
    params(("incident_id" = String, Path, format = "uuid", description = "The incident."), KnownParams),
    responses((status = 200, body = HoursPack), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Ok(HttpResponse::Ok().json(packed(&state, &caller, &request).await?))
}

/// Export who ran in an incident
///
/// The same as CSV (RFC 4180), to hand in for reimbursement: one row for each run, deferral and thing staged. Hours of runs that
/// overlap stand in each of their rows; the pack itself has them once.
#[utoipa::path(get, path = "/v1/incidents/{incident_id}/hours-pack.csv", tag = "outages", operation_id = "export_hours_pack",
    params(("incident_id" = String, Path, format = "uuid", description = "The incident."), KnownParams),
    responses((status = 200, body = String, content_type = "text/csv", description = "One row for each run, deferral and thing staged."), Problems))]
pub(super) async fn table(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let pack = packed(&state, &caller, &request).await?;
    let found = state.store.fields(caller.organization(), BTreeSet::new(), pack.sites()).await?;
    let name = |(id, fields): (SiteId, model::site::SiteFields)| Some((id, fields.name?.to_string()));
    let names: BTreeMap<SiteId, String> = found.sites.into_iter().filter_map(name).collect();
    Ok(exports::attached("hours-pack.csv").body(table::rows(&pack, &names)?))
}

async fn packed(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<HoursPack> {
    let id: IncidentId = path_id(request, "incident_id")?;
    let mut params = Params::of(request)?;
    let asked = Asked::by_known(&mut params, caller.now());
    params.close()?;
    let view = state.store.record(caller.organization(), Target::Incident(id)).await?;
    caller.require(Action::ReadOutage, &records::outage(caller, view.as_ref())?)?;
    let view = view.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let incident = records::fields(&view, IncidentFields::PRIVATE, IncidentFields::read)?;
    let sees = caller.visible_sites();
    let filter = DueFilter { sites: sees.clone(), ..DueFilter::all(caller.organization()) };
    let struck: Option<BTreeSet<SiteId>> =
        incident.site_ids.as_ref().map(|sites| sites.iter().copied().collect());
    let then = match state.store.ever_standing(filter, struck.clone(), asked.moment()).await? {
        Folding::Done(then) => then,
        Folding::TooMany => return Err(too_many()),
    };
    let known = KnownThen::unless_now(&asked, then.known_seq);
    let ground = tie::Ground { id, incident, struck, sees, now: asked.at(), known };
    tie::pack(ground, &then.answer)
}

fn too_many() -> ApiError {
    let detail = format!(
        "Every unit that ever stood at the sites of the incident has to be worked out anew for this, and {FOLDED_MOST} at most are: \
         make incidents that name fewer sites."
    );
    ApiError::new(Kind::TooManyUnits).detail(detail)
}
