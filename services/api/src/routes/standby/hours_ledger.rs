//! `/v1/units/{unit_id}/hours-ledger`: how many hours of each class a unit ran in a calendar year, and how many it may still.

use actix_web::{HttpRequest, HttpResponse, web};
use model::Hours;
use serde::Serialize;
use standby::{
    ledger::{self, Ledger, LedgerPolicy, ledger},
    record::{RunEnd, RunTold},
};
use utoipa::ToSchema;

use super::{
    super::moment::MomentParams,
    story::{self, UnitHead},
};
use crate::{
    extract::Caller,
    openapi::Problems,
    problem::{ApiError, ApiResult},
    state::State,
};

/// The hours of a unit by calendar year and class.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitLedger {
    #[serde(flatten)]
    head: UnitHead,
    /// The years, and what is left in each.
    ledger: Ledger,
    /// Runs that are not counted, since nobody wrote down when they ended, or of begin and end no more than the one day.
    #[schema(value_type = Vec<String>)]
    not_counted: Vec<model::EventId>,
}

/// Say how many hours a unit ran, by class
///
/// By calendar year at its site: emergency, test and maintenance, other, and hours of no class, which in the worst case all count
/// against the tightest limit. Reconciled with what the meter moved, by the hours that were run between its readings. A run of which
/// only the day is known counts by itself. A run over midnight of the new year counts for both years. With
/// `known_at` it tells what was known before a run was put into another class. The limits are a policy that is named, and a person
/// confirms them for the jurisdiction.
#[utoipa::path(get, path = "/v1/units/{unit_id}/hours-ledger", tag = "readiness", operation_id = "read_hours_ledger",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), MomentParams),
    responses((status = 200, body = UnitLedger), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let told = story::asked_unit(&state, &caller, &request).await?;
    let record = told.record();
    let told_runs = record.runs();
    let (runs, meter) = (record.classed_runs(&told_runs), record.meter_years());
    let question =
        ledger::Asked { runs: &runs, reclassified: &[], meter: &meter, zone: told.zone(), known_at: None };
    let ledger = ledger(&question, &LedgerPolicy::standard()).map_err(ApiError::internal)?;
    let counts = |run: &&RunTold| {
        run.end == RunEnd::GoesOn || run.lasted(record.at).is_some_and(|lasted| lasted > Hours::ZERO)
    };
    let open = told_runs.iter().filter(|run| !counts(run)).map(|run| run.id);
    Ok(HttpResponse::Ok().json(UnitLedger { ledger, not_counted: open.collect(), head: told.head }))
}
