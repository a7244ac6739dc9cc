//! `/v1/policy-packs` and `/v1/units/{unit_id}/engine-class`: which regulation's table an engine is kept to.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use interval::regulation::{Asked, Engine, EngineClass, asked_of, classify};
use model::{
    Code, UnitId,
    pack::{Pack, PackItem, PackSchedule, SOURCE_CLASSES, SourceClass},
    read::{FieldError, Flaw},
    schedule::Limits,
};
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use super::{
    moment::{self, KnownParams, KnownThen},
    units,
};
use crate::{
    answer,
    extract::{Caller, Params, path_id, word},
    openapi::{Edition, IfNoneMatch, Problems, Schedule},
    packs::{Embedded, embedded},
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// The policy packs that come with the service.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PolicyPacks {
    /// The packs.
    items: Vec<PackWithSchedules>,
}

/// A policy pack with the schedules that it brings.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PackWithSchedules {
    /// The pack.
    #[serde(flatten)]
    pack: &'static Pack,
    /// What to make so that its schedules can be adopted, in the order of the items.
    schedules: Vec<PackBrings>,
}

/// A schedule that a pack brings, with the edition that it names.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PackBrings {
    /// The schedule: send it to `POST /v1/schedules`.
    #[schema(value_type = Schedule)]
    schedule: &'static Value,
    /// The edition: send it without `schedule_id` to `POST /v1/schedules/{schedule_id}/editions`.
    #[schema(value_type = Edition)]
    edition: &'static Value,
}

/// What each pack says of a unit's engine.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitEngineClass {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// How much the site emits, as asked.
    source: SourceClass,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// The answer by each pack.
    packs: Vec<ClassInPack>,
}

/// What a pack says of an engine.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ClassInPack {
    /// The pack.
    #[schema(value_type = String, example = "cfr40_63_zzzz")]
    pack: &'static str,
    /// Its edition.
    #[schema(value_type = String, example = "2013-01-30")]
    edition: &'static str,
    /// What must be said wherever it is used.
    #[schema(value_type = String)]
    notice: &'static str,
    /// What it comes to.
    outcome: ClassOutcome,
    /// The item that the engine falls under.
    #[serde(skip_serializing_if = "Option::is_none")]
    item: Option<&'static PackItem>,
    /// The schedules to adopt.
    adopt: Vec<&'static PackSchedule>,
    /// Fields of the unit that would decide, and are not told.
    #[schema(value_type = Vec<String>, example = json!(["engine_kw"]))]
    missing_fields: Vec<&'static str>,
    /// What the item asks of the job; with `job`.
    #[serde(skip_serializing_if = "Option::is_none")]
    asks: Option<AskedOfJob>,
}

/// What the fields of a unit come to under a pack.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ClassOutcome {
    /// There are schedules to adopt.
    Adopt,
    /// The item sets emission limits, and no maintenance interval.
    EmissionLimits,
    /// Fields of the unit are missing.
    FieldsMissing,
    /// No item is for such an engine.
    NoItem,
}

/// What an item asks of a job.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct AskedOfJob {
    /// The job.
    #[schema(value_type = String, example = "air_cleaner_inspect")]
    job: Code,
    /// Whether it is asked for.
    asked: JobAsked,
    /// Within which limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    limits: Option<Limits>,
}

/// Whether an item asks for a job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum JobAsked {
    /// It is to be done within limits.
    Within,
    /// The item sets no interval for it; the unit's own manual may.
    NoInterval,
    /// Such an engine has no such job.
    NotApplicable,
}

/// List the policy packs
///
/// The packs that come with the service: which schedules they bring, for which engines, from which source. A person
/// confirms for the jurisdiction what holds there.
#[utoipa::path(get, path = "/v1/policy-packs", tag = "schedules", operation_id = "list_policy_packs",
    params(IfNoneMatch),
    responses((status = 200, body = PolicyPacks), (status = 304, description = "You have them already."), Problems))]
pub(super) async fn list(caller: Caller, request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    caller.require(Action::ReadSchedule, &Object::of(caller.organization()))?;
    let with_schedules = |embedded: &'static Embedded| PackWithSchedules {
        pack: &embedded.pack,
        schedules: embedded
            .schedules()
            .iter()
            .map(|brought| PackBrings { schedule: &brought.schedule, edition: &brought.body })
            .collect(),
    };
    let packs = PolicyPacks { items: embedded()?.iter().map(with_schedules).collect() };
    let value = serde_json::to_value(packs).map_err(ApiError::internal)?;
    Ok(answer::one(&request, &value, &answer::digest(&value)))
}

/// Say which table a unit's engine is kept to
///
/// Worked out from the unit's fields as they are now, or as they were known at `known_at`: the item of each policy pack, the schedules to adopt, or the
/// fields that are missing. With `job`, what the item asks of that job.
#[utoipa::path(get, path = "/v1/units/{unit_id}/engine-class", tag = "units", operation_id = "read_engine_class",
    params(("unit_id" = String, Path, format = "uuid", description = "The unit."),
        ("source" = SourceClass, Query, description = "Whether the site is an area or a major source of hazardous air pollutants."),
        ("job" = Option<String>, Query, description = "A job, to be told what the item asks of it."), KnownParams, IfNoneMatch),
    responses((status = 200, body = UnitEngineClass), (status = 304, description = "You have it already."), Problems))]
pub(super) async fn engine_class(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let unit: UnitId = path_id(&request, "unit_id")?;
    let mut params = Params::of(&request)?;
    let source = params.take("source", |text| word(SOURCE_CLASSES, "A source", text));
    let job = params.take("job", Code::parse);
    let asked = moment::Asked::by_known(&mut params, caller.now());
    params.close()?;
    let missing = || FieldError::in_parameter("source", Flaw::new("required", "Say area or major."));
    let source = source.ok_or_else(|| ApiError::new(Kind::InvalidParameter).errors(vec![missing()]))?;
    caller.require(Action::ReadUnit, &units::object(&state, &caller, unit).await?)?;
    let then = state.store.unit_fields(caller.organization(), unit, asked.moment().known).await?;
    let then = then.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let engine = Engine::from(&then.answer);
    let known = KnownThen::unless_now(&asked, then.known_seq);
    let packs = embedded()?.iter().map(|embedded| class(embedded, source, &engine, job.as_ref())).collect();
    let value = serde_json::to_value(UnitEngineClass { unit_id: unit, source, known, packs });
    let value = value.map_err(ApiError::internal)?;
    Ok(answer::one(&request, &value, &answer::digest(&value)))
}

fn class(
    embedded: &'static Embedded,
    source: SourceClass,
    engine: &Engine,
    job: Option<&Code>,
) -> ClassInPack {
    let found = classify(&embedded.pack, source, engine);
    let (item, missing_fields) = match &found {
        EngineClass::Item(item) => (Some(*item), Vec::new()),
        EngineClass::Missing(fields) => (None, Vec::from_iter(fields.iter().copied())),
        EngineClass::NoItem => (None, Vec::new()),
    };
    let adopt: Vec<_> = item.and_then(|item| item.schedule.as_ref()).into_iter().collect();
    let outcome = match (&found, adopt.is_empty()) {
        (EngineClass::Item(_), false) => ClassOutcome::Adopt,
        (EngineClass::Item(_), true) => ClassOutcome::EmissionLimits,
        (EngineClass::Missing(_), _) => ClassOutcome::FieldsMissing,
        (EngineClass::NoItem, _) => ClassOutcome::NoItem,
    };
    let asks = item.zip(job).map(|(item, job)| asked(embedded, item, engine, job));
    let pack = &embedded.pack;
    ClassInPack {
        pack: pack.pack.as_str(),
        edition: pack.edition.as_str(),
        notice: &pack.notice,
        outcome,
        item,
        adopt,
        missing_fields,
        asks,
    }
}

fn asked(embedded: &Embedded, item: &PackItem, engine: &Engine, job: &Code) -> AskedOfJob {
    let (asked, limits) = match asked_of(&embedded.pack, embedded.edition(item), engine, job) {
        Asked::Within(limits) => (JobAsked::Within, Some(limits.clone())),
        Asked::NoInterval => (JobAsked::NoInterval, None),
        Asked::NotApplicable => (JobAsked::NotApplicable, None),
    };
    AskedOfJob { job: job.clone(), asked, limits }
}
