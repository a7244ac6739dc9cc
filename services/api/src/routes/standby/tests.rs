//! `/v1/units/{unit_id}/tests`: which runs of a unit counted as tests, what is due next, and what the meter shows beside them.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{Hours, Instant, UnitId};
use serde::Serialize;
use standby::{
    exercise::{
        AutomaticExercise, Cadence, MeterReading, TestPolicy, TestRecord, automatic_exercise, test_record,
    },
    record::{Record, RunTold},
};
use utoipa::ToSchema;

use super::{
    super::moment::{Asked, MomentParams},
    outage::whole,
    story::{self, UnitHead, number},
};
use crate::{
    extract::{Caller, Params, path_id, word},
    openapi::Problems,
    problem::ApiResult,
    state::State,
};

/// The tests of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitTests {
    #[serde(flatten)]
    head: UnitHead,
    /// Each run with the rules that it counts by or fails, what is due next, and how effective the exercise is.
    tests: TestRecord,
    /// What the meter shows between its readings beyond what was written down; with `exercise_days`.
    #[serde(skip_serializing_if = "Option::is_none")]
    automatic: Option<Vec<AutomaticExercise>>,
}

/// By which spacing tests are due.
#[derive(Clone, Copy, PartialEq, ToSchema)]
#[schema(rename_all = "snake_case", as = TestSpacingWord)]
pub(crate) enum TestSpacing {
    /// Once in each calendar month.
    CalendarMonth,
    /// From 20 to 40 days after the last.
    TwentyToFortyDays,
}

const SPACINGS: &[(&str, TestSpacing)] = &[
    ("twenty_to_forty_days", TestSpacing::TwentyToFortyDays),
    ("calendar_month", TestSpacing::CalendarMonth),
];

/// By which rule, and how a controller exercises the unit.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand, parameter by parameter")]
pub(crate) struct TestParams {
    /// By which spacing monthly tests are due; absent means `twenty_to_forty_days`.
    #[param(inline)]
    spacing: Option<TestSpacing>,
    /// Each how many days its controller exercises it by itself; absent means that it does not, or that it is not asked.
    #[param(minimum = 1, maximum = 366, example = 7)]
    exercise_days: Option<i64>,
    /// For how long, in hours; absent means 0.2.
    #[param(value_type = Option<f64>, example = 0.2)]
    exercise_hours: Option<f64>,
}

/// Twelve minutes, a usual setting (common practice).
const USUAL_EXERCISE: Hours = Hours::from_seconds(720);

/// Say which runs of a unit counted as tests
///
/// Every run is judged by each rule that fits the unit (NFPA 110: monthly 30 minutes at 30 % of the nameplate or at the exhaust
/// temperature of the maker, the annual and the three-yearly test), and the rule is named. Runs of one reason that follow each other
/// within five minutes are the stages of one test. Tells what is due next, whether an annual test is owed, and what share of the
/// exercise counted. Runs that nobody wrote down, as the meter shows them, never count.
#[utoipa::path(get, path = "/v1/units/{unit_id}/tests", tag = "readiness", operation_id = "read_unit_tests",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."), TestParams, MomentParams),
    responses((status = 200, body = UnitTests), Problems))]
pub(in crate::routes) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let id: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let spacing = params.take("spacing", |text| word(SPACINGS, "A spacing", text));
    let every_days = params.take("exercise_days", whole(1, 366));
    let lasts = params.take("exercise_hours", number(Hours::read_positive)).unwrap_or(USUAL_EXERCISE);
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    let told = story::unit(&state, &caller, id, &asked).await?;
    let record = told.record();
    let policy = match spacing {
        Some(TestSpacing::CalendarMonth) => TestPolicy::calendar_month(),
        Some(TestSpacing::TwentyToFortyDays) | None => TestPolicy::twenty_to_forty_days(),
    };
    let tests = test_record(&record.test_runs(), &record.tested(), &policy, told.zone(), record.today());
    let automatic = every_days.map(|every_days| seen(&record, Cadence { every_days, lasts }));
    Ok(HttpResponse::Ok().json(UnitTests { head: told.head, tests, automatic }))
}

/// What the meter shows beyond the runs that were written down: engine hours, so that a swap of the meter does not matter.
fn seen(record: &Record<'_>, cadence: Cadence) -> Vec<AutomaticExercise> {
    let readings = record.state.hours_report(record.at).readings;
    let readings: Vec<MeterReading> = readings
        .iter()
        .map(|reading| MeterReading { at: reading.read_at, hours: reading.engine_hours })
        .collect();
    let logged: Vec<(Instant, Hours)> =
        record.runs().iter().filter_map(|run: &RunTold| Some((run.from, run.lasted(record.at)?))).collect();
    let tick = record.fields.meter_tick_hours.unwrap_or(model::unit::MeterTick::TENTH).hours();
    automatic_exercise(&readings, &logged, cadence, tick)
}
