//! `/v1/units/{unit_id}/fuel`: how much is in the tank of a unit, how old it is, and what brings it back within its limits.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{EventId, Litres, unit::Fuel};
use serde::Serialize;
use standby::{
    asked::Asked as ToEnter,
    burn::propane_mass,
    convert::Kilograms,
    fuel::{AgePolicy, FuelAge, fuel_age_of},
    record::{FuelRecord, Uncounted},
};
use utoipa::ToSchema;

use super::{
    super::moment::MomentParams,
    story::{self, UnitHead},
};
use crate::{extract::Caller, openapi::Problems, problem::ApiResult, state::State};

/// The fuel of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitFuel {
    #[serde(flatten)]
    head: UnitHead,
    /// How much is in the tank, in litres; absent where that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 14.0)]
    in_tank_litres: Option<Litres>,
    /// The same weighed, in kilograms; of propane only.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 9.0)]
    in_tank_kilograms: Option<Kilograms>,
    /// How old it is; absent where nothing is known of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    age: Option<FuelAge>,
    /// Runs of which it is not known how much they burned, and events that tell no volume.
    not_counted: Vec<Uncounted>,
    /// The service events that it rests on, beside the runs.
    #[schema(value_type = Vec<String>)]
    evidence: Vec<EventId>,
    /// What to enter where something is not known.
    missing: Vec<ToEnter>,
}

/// Say what fuel a unit has
///
/// By what was filled in, measured, treated and taken out, and by what runs burned: each parcel keeps its age and is drawn from in
/// proportion, since a tank is well mixed. Tells the share past its limit, the days on which it rises, and what to burn, drain or fill
/// in. Fuel is flammable and harmful: the answer carries the cautions. Local codes and the unit's manual come first.
#[utoipa::path(get, path = "/v1/units/{unit_id}/fuel", tag = "readiness", operation_id = "read_unit_fuel",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), MomentParams),
    responses((status = 200, body = UnitFuel), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let told = story::asked_unit(&state, &caller, &request).await?;
    let record = told.record();
    let fuel = record.fuel();
    let level = fuel.as_ref().and_then(FuelRecord::level);
    let is_propane = record.fields.fuel == Some(Fuel::Propane);
    let missing = missing(fuel.as_ref());
    let age = fuel
        .as_ref()
        .filter(|fuel| fuel.told)
        .map(|fuel| fuel_age_of(&fuel.ledger, record.today(), &AgePolicy::standard()));
    Ok(HttpResponse::Ok().json(UnitFuel {
        in_tank_litres: level.map(|level| level.litres()),
        in_tank_kilograms: level.filter(|_| is_propane).map(propane_mass),
        age,
        not_counted: fuel.as_ref().map(|fuel| fuel.uncounted.clone()).unwrap_or_default(),
        evidence: fuel.map(|fuel| fuel.evidence).unwrap_or_default(),
        missing,
        head: told.head,
    }))
}

fn missing(fuel: Option<&FuelRecord>) -> Vec<ToEnter> {
    let event = "An event of kind fuel: what is in the tank (measured), or what was filled in.";
    let weighed = "How many litres it was (an amendment of the event), or what is in the tank: only propane is weighed.";
    let holds = "What the tank holds, or what is in it (measured): there is more in it than it holds.";
    match fuel {
        None => vec![ToEnter::at("/fuel", "Which one fuel is in its tank; piped gas has none.")],
        Some(fuel) if !fuel.told => vec![ToEnter::at("/service_events", event)],
        Some(fuel) if fuel.ledger.overfull => vec![ToEnter::at("/tank_litres", holds)],
        Some(fuel) if fuel.uncounted.iter().any(|of| matches!(of, Uncounted::Weighed { .. })) => {
            vec![ToEnter::at("/litres", weighed)]
        }
        Some(fuel) if !fuel.level_known() => {
            vec![ToEnter::at("/service_events", "Measure what is in the tank: the record does not add up.")]
        }
        Some(_) => Vec::new(),
    }
}
