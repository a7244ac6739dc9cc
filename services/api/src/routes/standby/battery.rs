//! `/v1/units/{unit_id}/battery`: how the starting battery of a unit stands.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{EventId, LocalDate};
use serde::Serialize;
use standby::{
    asked::Asked,
    battery::{BatteryPolicy, Charge, LoadTestAnswer, PassedBy, Standing},
};
use utoipa::ToSchema;

use super::{
    super::moment::MomentParams,
    story::{self, UnitHead},
};
use crate::{extract::Caller, openapi::Problems, problem::ApiResult, state::State};

/// The starting battery of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitBattery {
    #[serde(flatten)]
    head: UnitHead,
    /// Whether it has one: false only where the unit is started by hand.
    has_battery: bool,
    /// Whether it is fit by the last check that says so; absent where none does. What was measured counts before what was said: a
    /// load test below its limit, or too little charge at rest, has failed whatever was entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    passed: Option<bool>,
    /// By what it is fit or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    passed_by: Option<PassedBy>,
    /// When its next check is due, by how long it stood on and off a maintainer since the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    standing: Option<Standing>,
    /// How full it was when it was last measured.
    #[serde(skip_serializing_if = "Option::is_none")]
    charge: Option<ChargeOn>,
    /// How it did in its last load test.
    #[serde(skip_serializing_if = "Option::is_none")]
    load_test: Option<LoadTestOn>,
    /// The service events that it rests on.
    #[schema(value_type = Vec<String>)]
    evidence: Vec<EventId>,
    /// What to do, to enter or to correct: a voltage that says nothing or cannot be, or that contradicts what was said.
    missing: Vec<Asked>,
}

/// A charge as it was measured on a day.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ChargeOn {
    /// The day.
    #[schema(value_type = String, format = Date)]
    on: LocalDate,
    /// What it came to.
    #[serde(flatten)]
    charge: Charge,
}

/// A load test on a day.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct LoadTestOn {
    /// The day.
    #[schema(value_type = String, format = Date)]
    on: LocalDate,
    /// What it came to.
    #[serde(flatten)]
    test: LoadTestAnswer,
}

/// Say how the starting battery of a unit stands
///
/// When its next check is due, by the share of time that it stood on a maintainer and off it; its state of charge from the voltage
/// at rest, corrected for temperature; and whether its load test passed, by the limit for its temperature: a test below 75 % charge
/// says nothing. Batteries give off gas that explodes and hold acid: the answer carries the cautions.
#[utoipa::path(get, path = "/v1/units/{unit_id}/battery", tag = "readiness", operation_id = "read_unit_battery",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), MomentParams),
    responses((status = 200, body = UnitBattery), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let told = story::asked_unit(&state, &caller, &request).await?;
    let battery = told.record().battery(&BatteryPolicy::standard());
    let head = told.head;
    Ok(HttpResponse::Ok().json(match battery {
        None => UnitBattery {
            head,
            has_battery: false,
            passed: None,
            passed_by: None,
            standing: None,
            charge: None,
            load_test: None,
            evidence: Vec::new(),
            missing: Vec::new(),
        },
        Some(battery) => UnitBattery {
            head,
            has_battery: true,
            passed: battery.passed,
            passed_by: battery.passed_by,
            standing: Some(battery.standing),
            charge: battery.charge.map(|(on, charge)| ChargeOn { on, charge }),
            load_test: battery.load_test.map(|(on, test)| LoadTestOn { on, test }),
            evidence: battery.evidence,
            missing: battery.missing,
        },
    }))
}
