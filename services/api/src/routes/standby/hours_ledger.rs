//! `/v1/units/{unit_id}/hours-ledger`: how many hours of each class a unit ran in a calendar year, and how many it may still.

use std::collections::BTreeSet;

use actix_web::{HttpRequest, HttpResponse, web};
use model::{Instant, LocalDate, UnitId, event::RunReason};
use serde::Serialize;
use standby::{
    ledger::{self, Ledger, LedgerPolicy, MeterYear, RunClass, ledger},
    record::{Record, RunEnd, RunTold},
};
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, MomentParams},
    story::{self, UnitHead},
};
use crate::{
    extract::{Caller, Params, path_id},
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
    /// Runs that are not counted, since nobody wrote down when they ended.
    #[schema(value_type = Vec<String>)]
    not_counted: Vec<model::EventId>,
}

/// Say how many hours a unit ran, by class
///
/// By calendar year at its site: emergency, test and maintenance, other, and hours of no class, which in the worst case all count
/// against the tightest limit. Reconciled with what the meter moved. A run over midnight of the new year counts for both years. With
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
    let id: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    let told = story::unit(&state, &caller, id, &asked).await?;
    let record = told.record();
    let told_runs = record.runs();
    let runs: Vec<ledger::Run> = told_runs.iter().filter_map(|run| counted(run, told.at)).collect();
    let meter = meter_years(&record, &told_runs);
    let question =
        ledger::Asked { runs: &runs, reclassified: &[], meter: &meter, zone: told.zone(), known_at: None };
    let ledger = ledger(&question, &LedgerPolicy::standard()).map_err(ApiError::internal)?;
    let open = told_runs.iter().filter(|run| run.end == RunEnd::NotKnown).map(|run| run.id);
    Ok(HttpResponse::Ok().json(UnitLedger { ledger, not_counted: open.collect(), head: told.head }))
}

/// A run with its class, by its reason.
fn counted(run: &RunTold, at: Instant) -> Option<ledger::Run> {
    let class = match run.reason {
        Some(RunReason::Emergency) => RunClass::Emergency,
        Some(RunReason::Test | RunReason::Maintenance) => RunClass::MaintenanceTest,
        Some(RunReason::Other) => RunClass::NonEmergency,
        None => RunClass::Unclassified,
    };
    let reason = run.reason.map(|_| "entered with the run".to_owned());
    ledger::Run::new(run.id.to_string(), run.from, run.until(at)?, class, None, reason).ok()
}

/// How far the meter moved in each year that has a run, where the engine hours are known at both ends of it.
fn meter_years(record: &Record<'_>, runs: &[RunTold]) -> Vec<MeterYear> {
    if record.fields.meter_fitted == Some(false) {
        return Vec::new();
    }
    let years: BTreeSet<i16> = runs.iter().map(|run| record.zone.date(run.from).year()).collect();
    let hours = |at: Instant| record.state.hours_at(at.min(record.at)).range.map(|range| range.nominal);
    let begins =
        |year: i16| LocalDate::parse(&format!("{year:04}-01-01")).ok().map(|day| record.zone.midnight(day));
    let moved = |year: i16| {
        let (from, until) = (hours(begins(year)?)?, hours(begins(year + 1)?)?);
        MeterYear::new(year, until - from).ok()
    };
    years.into_iter().filter_map(moved).collect()
}
