//! `/v1/sites/{site_id}/residence`: how long portable units have stood at a place, against the twelve months after which they count
//! as stationary.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    SiteId,
    event::{Details, StorageAction},
};
use serde::Serialize;
use standby::{
    asked::Asked as ToEnter,
    residence::{self, Placement, Residence, ResidencePolicy, Storage, residence},
};
use store::view::UnitStory;
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, MomentParams},
    outage::whole,
    story::{self, SiteHead, ToldSite},
};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult},
    state::State,
};

/// How long portable units have stood at a site.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteResidence {
    #[serde(flatten)]
    head: SiteHead,
    /// The clocks of the place.
    residence: Residence,
    /// What to enter where something is not known.
    missing: Vec<ToEnter>,
}

/// What a gap does to a clock.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct ResidenceParams {
    /// A gap of more days than this between two units ends the clock; absent means as the policy says.
    #[param(minimum = 0, maximum = 366, example = 30)]
    gap_days_max: Option<i64>,
}

/// Say how long portable units have stood at a site
///
/// A clock runs for the place and the job, not for the unit: one that takes the place of another goes on with its clock. Tells the day
/// on which the twelve months pass by both readings, what was left out, and by which policy. All units of a site count as doing one
/// job, which is the worst case.
#[utoipa::path(get, path = "/v1/sites/{site_id}/residence", tag = "readiness", operation_id = "read_residence",
    params(("site_id" = String, Path, format = "uuid", description = "The site."), ResidenceParams, MomentParams),
    responses((status = 200, body = SiteResidence), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: SiteId = path_id(&request, "site_id")?;
    let mut params = Params::of(&request)?;
    let gap = params.take("gap_days_max", whole(0, 366));
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    let told = story::site_ever(&state, &caller, id, &asked).await?;
    let placements: Vec<Placement> =
        told.story.units.iter().flat_map(|unit| placements(&told, unit, id)).collect();
    let storage: Vec<Storage> = told.story.units.iter().flat_map(stored).collect();
    let mut policy = ResidencePolicy::standard();
    if let Some(gap) = gap.and_then(|days| days.try_into().ok()) {
        policy.gap_days_max = Some(gap);
    }
    let today = told.zone.date(told.at);
    let question = residence::Asked { placements: &placements, storage: &storage, seasonal: &[], today };
    let residence = residence(&question, &policy).map_err(ApiError::internal)?;
    let enter = "When units were placed here: events of kind placement or commissioning.";
    let missing = placements.is_empty().then(|| ToEnter::at("/service_events", enter)).into_iter().collect();
    Ok(HttpResponse::Ok().json(SiteResidence { head: told.head, residence, missing }))
}

/// The stays of a unit at the site; one that nobody placed has none that could be dated.
fn placements(told: &ToldSite, unit: &UnitStory, site: SiteId) -> Vec<Placement> {
    let ends = unit.stayed.iter().skip(1).map(|next| Some(next.from)).chain([None]);
    let here = unit
        .stayed
        .iter()
        .zip(ends)
        .filter(|(stay, _)| stay.site == site && stay.from > model::Instant::FIRST);
    here.filter_map(|(stay, end)| {
        let until = end.map(|end| told.zone.date(end));
        Placement::new(unit.id.to_string(), site.to_string(), "power", told.zone.date(stay.from), until).ok()
    })
    .collect()
}

/// The times that a unit was in storage.
fn stored(unit: &UnitStory) -> Vec<Storage> {
    let changes: Vec<(model::LocalDate, StorageAction)> = unit
        .happened
        .iter()
        .filter_map(|event| match &event.details {
            Details::Storage(storage) => Some((event.on, storage.action)),
            _ => None,
        })
        .collect();
    let ends = changes.iter().skip(1).map(|(on, _)| Some(*on)).chain([None]);
    let put_in = changes.iter().zip(ends).filter(|((_, action), _)| *action == StorageAction::PutIn);
    put_in.filter_map(|((from, _), until)| Storage::new(unit.id.to_string(), *from, until).ok()).collect()
}
