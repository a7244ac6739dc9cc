//! `/v1/units/{unit_id}/fit`: whether a spare fits what a site needs.

use std::collections::BTreeSet;

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use interval::Grade;
use model::{
    Kilowatts, SiteId, UnitId,
    quantity::Celsius,
    read::{FieldError, Flaw},
    site::SiteFields,
    unit::UnitFields,
};
use serde::Serialize;
use standby::{
    asked::Asked,
    load_check::{DerateRule, LoadTrace, Place, Set, USUAL_CELSIUS, load_check},
    promise::{Fit, Need, Ratings, fit},
};
use utoipa::ToSchema;

use super::units;
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// Whether a spare fits a site.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitFit {
    /// The spare.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// Whether it fits, and in what it does not; what is missing is a field of the unit or of the site.
    #[serde(flatten)]
    fit: Fit,
    /// What it can carry there.
    #[serde(flatten)]
    capacity: Capacity,
}

/// What a set can carry at a site.
#[derive(Clone, Debug, Serialize, ToSchema)]
#[schema(as = SpareCapacity)]
pub(crate) struct Capacity {
    /// What it can carry there: its rated output, less what height and heat take where a rule for that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 5.5)]
    capacity_kw: Option<Kilowatts>,
    /// How well that is known.
    capacity_grade: Grade,
    /// What it rests on.
    trace: Vec<CapacityTrace>,
}

/// One thing that a capacity rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "rests_on", rename_all = "snake_case")]
#[schema(as = SpareCapacityTrace)]
pub(crate) enum CapacityTrace {
    /// What height and heat take, by a rule.
    Derating {
        /// What of it.
        step: LoadTrace,
    },
    /// What heat takes is not known and left out, so that it may be less on a hot day.
    HeatNotKnown {
        /// What would tell more.
        enter: Asked,
    },
    /// The rated output as it is: what height and heat take there is not known, so that it may be less.
    RatedOutput {
        /// The rated output.
        #[schema(value_type = f64, example = 5.5)]
        value: Kilowatts,
        /// What would tell more.
        enter: Vec<Asked>,
    },
}

/// Say whether a spare fits a site
///
/// Compares power, voltage, phases, connectors and neutral of a set with what a site needs, each that is known with each. It does
/// not fit for sure where one of them does not, and fits only where all are known. Without `site_id` its home site is meant.
#[utoipa::path(get, path = "/v1/units/{unit_id}/fit", tag = "outages", operation_id = "read_unit_fit",
    params(("unit_id" = String, Path, format = "uuid", description = "The spare."),
        ("site_id" = Option<String>, Query, format = "uuid", description = "The site; absent means the unit's home site.")),
    responses((status = 200, body = UnitFit), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit_id: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let asked = params.take("site_id", SiteId::parse);
    params.close()?;
    caller.require(Action::ReadUnit, &units::object(&state, &caller, unit_id).await?)?;
    let (organization, sites) = (caller.organization(), asked.into_iter().collect());
    let mut found = state.store.fields(organization, [unit_id].into(), sites).await?;
    let unit = found.units.remove(&unit_id).ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let site_id =
        asked.or(unit.home_site_id).ok_or_else(|| ApiError::internal("a unit without a home site"))?;
    if caller.require(Action::ReadSite, &Object::at(organization, [site_id])).is_err() {
        return Err(unknown_site());
    }
    if asked.is_none() {
        found = state.store.fields(organization, BTreeSet::new(), [site_id].into()).await?;
    }
    let site = found.sites.remove(&site_id).ok_or_else(unknown_site)?;
    let (ratings, capacity) = ratings(&unit, &site)?;
    let fit = fit(&ratings, &need(&site)).map_err(ApiError::internal)?;
    let fit = Fit { missing: entered(&fit.missing), ..fit };
    Ok(HttpResponse::Ok().json(UnitFit { unit_id, site_id, fit, capacity }))
}

fn unknown_site() -> ApiError {
    let flaw = Flaw::new(
        "unknown_site",
        "There is no such site, or the unit is at home at one that you do not see: name one.",
    );
    ApiError::new(Kind::InvalidParameter).errors(vec![FieldError::in_parameter("site_id", flaw)])
}

/// What a set can do at a site, and what its power rests on.
pub(super) fn ratings(unit: &UnitFields, site: &SiteFields) -> ApiResult<(Ratings, Capacity)> {
    let capacity = capacity(unit, site)?;
    let ratings = Ratings {
        capacity: capacity.capacity_kw,
        volts: unit.output_volts.as_ref().map(|volts| volts.iter().copied().collect()),
        phases: unit.phases,
        connectors: unit.connectors.as_ref().map(|codes| codes.iter().cloned().collect()),
        neutral: unit.neutral,
    };
    Ok((ratings, capacity))
}

fn capacity(unit: &UnitFields, site: &SiteFields) -> ApiResult<Capacity> {
    // A set that is rated at nothing cannot be reckoned with, and carries nothing anywhere.
    let nameplate = unit.rated_kw.filter(|rated| rated.hundredths() > 0);
    let rule = unit.derating.as_ref().and_then(DerateRule::of_model);
    let set = Set { nameplate, start: unit.start_kw, rule };
    let place = Place { elevation: site.elevation_metres, ..Place::default() };
    let mut check = load_check(&set, &place, &[]).map_err(ApiError::internal)?;
    let mut heat_not_known = None;
    if check.capacity_watts.is_none() && set.rule.is_some() {
        // What height takes is known, and heat can only take more.
        let mild = Place { air: Some(Celsius::from_hundredths(USUAL_CELSIUS * 100)), ..place };
        heat_not_known = check.missing.into_iter().find(|asked| asked.pointer == "/air_celsius");
        check = load_check(&set, &mild, &[]).map_err(ApiError::internal)?;
    }
    if let Some(watts) = check.capacity_watts {
        let derated = check.trace.into_iter().map(|step| CapacityTrace::Derating { step });
        let capacity_grade = if heat_not_known.is_some() { Grade::C } else { check.grade };
        let heat = heat_not_known.map(|enter| CapacityTrace::HeatNotKnown { enter });
        let trace = derated.chain(heat).collect();
        return Ok(Capacity { capacity_kw: Some(watts.kilowatts_down()), capacity_grade, trace });
    }
    let derating = ["/elevation_metres", "/air_celsius", "/derating"];
    let enter: Vec<Asked> =
        check.missing.into_iter().filter(|asked| derating.contains(&asked.pointer.as_str())).collect();
    let trace = unit.rated_kw.map(|value| CapacityTrace::RatedOutput { value, enter: entered(&enter) });
    let capacity_grade = if unit.rated_kw.is_some() { Grade::C } else { Grade::D };
    Ok(Capacity { capacity_kw: unit.rated_kw, capacity_grade, trace: trace.into_iter().collect() })
}

/// What a site needs.
pub(super) fn need(site: &SiteFields) -> Need {
    Need {
        kw: site.needs_kw,
        volts: site.needs_volts,
        phases: site.needs_phases,
        connectors: site.needs_connectors.as_ref().map(|codes| codes.iter().cloned().collect()),
        neutral: site.needs_neutral,
    }
}

/// Where what is missing for a fit is entered: a field of the unit, or of the site.
const FIELDS: [(&str, &str); 11] = [
    ("/capacity_kw", "/unit/rated_kw"),
    ("/volts", "/unit/output_volts"),
    ("/phases", "/unit/phases"),
    ("/connectors", "/unit/connectors"),
    ("/neutral", "/unit/neutral"),
    ("/elevation_metres", "/site/elevation_metres"),
    ("/need/kw", "/site/needs_kw"),
    ("/need/volts", "/site/needs_volts"),
    ("/need/phases", "/site/needs_phases"),
    ("/need/connectors", "/site/needs_connectors"),
    ("/need/neutral", "/site/needs_neutral"),
];

/// The same with pointers to the fields of the records.
pub(super) fn entered(missing: &[Asked]) -> Vec<Asked> {
    let field = |asked: &Asked| {
        let found = FIELDS.iter().find(|(from, _)| *from == asked.pointer);
        Asked::at(found.map_or(asked.pointer.as_str(), |(_, to)| to), asked.enter)
    };
    missing.iter().map(field).collect()
}
