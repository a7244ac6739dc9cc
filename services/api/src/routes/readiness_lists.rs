//! `/v1/readiness`: which units and sites are ready, and why not, as it was judged last.

use std::sync::Arc;

use actix_web::{HttpRequest, HttpResponse, web};
use model::{Instant, SiteId, UnitId};
use process::readiness::ShortReason;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use standby::readiness::{SiteReadiness, VERDICTS, Verdict};
use store::{
    StoreError,
    readiness::{Judge, ReadinessQuery, SiteRow, UnitRow},
    view::DueFilter,
};
use utoipa::ToSchema;
use uuid::Uuid;

use super::{due_query::is_zero, due_summary::names};
use crate::{
    extract::{Caller, Params, word},
    openapi::{PageParams, Problems},
    problem::ApiResult,
    state::State,
};

/// So many units, and so many sites, are judged anew before a list is answered.
const JUDGED_FIRST: i64 = 50;

/// Of what is asked.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct ReadinessFilters {
    /// Only these verdicts, separated by commas.
    #[param(style = Form, explode = false)]
    verdict: Option<Vec<Verdict>>,
    /// Only this site; of units, those that are at home there or stand there.
    #[param(format = "uuid")]
    site: Option<String>,
}

/// A place in a list.
#[derive(Serialize, Deserialize)]
struct Place {
    after: Uuid,
}

/// A page of verdicts on units, by id.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ReadinessPage {
    /// When it was asked.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// How many of the units asked about wait to be judged anew. Their lines are older, or missing. Absent if none.
    #[serde(skip_serializing_if = "is_zero")]
    #[schema(value_type = Option<usize>, example = 3200)]
    pending: usize,
    /// The units.
    items: Vec<UnitReadiness>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// Whether a unit is ready, as it was judged last.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitReadiness {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// The unit's home site.
    #[schema(value_type = String, format = "uuid")]
    home_site_id: SiteId,
    /// Where the unit stands.
    #[schema(value_type = String, format = "uuid")]
    standing_site_id: SiteId,
    #[serde(flatten)]
    judged: KeptVerdict,
    /// Every reason, the gravest first.
    #[schema(value_type = Vec<ShortReason>)]
    reasons: Box<RawValue>,
}

/// A verdict, and how long it holds.
#[derive(Debug, Serialize, ToSchema)]
struct KeptVerdict {
    /// The verdict.
    verdict: Verdict,
    /// When it was judged.
    #[schema(value_type = String, format = DateTime)]
    judged_at: Instant,
    /// The next instant at which it may change if nothing new is recorded; absent where time alone changes nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    until: Option<Instant>,
    /// Whether something has changed since, so that it waits to be judged anew; absent if not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pending: bool,
}

/// A page of verdicts on sites, by id.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteReadinessPage {
    /// When it was asked.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// How many of the sites asked about wait to be judged anew, or have a unit that does. Absent if none.
    #[serde(skip_serializing_if = "is_zero")]
    #[schema(value_type = Option<usize>, example = 12)]
    pending: usize,
    /// The sites.
    items: Vec<SiteReadinessLine>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// Whether a site has enough units that are ready, as it was judged last.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteReadinessLine {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// What people call the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    site_name: Option<String>,
    #[serde(flatten)]
    judged: KeptVerdict,
    /// How it was judged.
    #[schema(value_type = SiteReadiness)]
    readiness: Box<RawValue>,
}

/// List which units are ready
///
/// A verdict on each unit that is not retired, with its reasons, as it was judged last: when something was recorded of the unit,
/// when its site was edited, or when its verdict ended by time alone. Before the list is answered, some of what waits is judged
/// anew; `pending` says how many still wait. A fact that a rule needs and nobody entered makes the verdict `unknown`.
#[utoipa::path(get, path = "/v1/readiness", tag = "readiness", operation_id = "list_readiness",
    params(ReadinessFilters, PageParams),
    responses((status = 200, body = ReadinessPage), Problems))]
pub(super) async fn units(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let (query, list) = asked(&state, &caller, &request)?;
    judge_first(&state, &query).await;
    let as_of = query.now;
    let (page, pending) = state.store.readiness(query).await?;
    let labels = page.items.iter().map(|row| row.unit).collect();
    let labels = state.store.labels(caller.organization(), labels).await?;
    let last = page.last.filter(|_| page.more).map(|after| Place { after });
    let next = last.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let items = page.items.into_iter().map(|row| {
        let label = labels.get(&row.unit).cloned();
        unit(row, label)
    });
    let items = items.collect::<ApiResult<_>>()?;
    Ok(HttpResponse::Ok().json(ReadinessPage { as_of, pending, items, next }))
}

/// List which sites are ready
///
/// The best sets that stand at a site are counted until they carry its least load, `needs_kw`; the worst of those decides. A
/// site without units, or without `needs_kw`, is `unknown`. The rest is as on the list of units.
#[utoipa::path(get, path = "/v1/readiness/sites", tag = "readiness", operation_id = "list_site_readiness",
    params(ReadinessFilters, PageParams),
    responses((status = 200, body = SiteReadinessPage), Problems))]
pub(super) async fn sites(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let (query, list) = asked(&state, &caller, &request)?;
    judge_first(&state, &query).await;
    let as_of = query.now;
    let (page, pending) = state.store.site_readiness(query).await?;
    let names = names(&state, &caller, page.items.iter().map(|row| row.site).collect()).await?;
    let last = page.last.filter(|_| page.more).map(|after| Place { after });
    let next = last.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let items = page.items.into_iter().map(|row| {
        let name = names.get(&row.site).cloned();
        site(row, name)
    });
    let items = items.collect::<ApiResult<_>>()?;
    Ok(HttpResponse::Ok().json(SiteReadinessPage { as_of, pending, items, next }))
}

/// Reads what is asked, and names the list that its cursors are for.
fn asked(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<(ReadinessQuery, String)> {
    let mut params = Params::of(request)?;
    let verdicts = params.take_list("verdict", |text| word(VERDICTS, "A verdict", text));
    let of = DueFilter {
        sites: caller.visible_sites(),
        site: params.take("site", SiteId::parse),
        ..DueFilter::all(caller.organization())
    };
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let query = ReadinessQuery {
        of,
        verdicts: verdicts.into_iter().map(Verdict::as_str).collect(),
        now: caller.now(),
        judged_with: state.judge.version().to_owned(),
        after: place.map(|place| place.after),
        limit,
    };
    Ok((query, list))
}

/// Judges some of what waits. The list is answered, too, where that cannot be done now: it says what waits.
async fn judge_first(state: &State, query: &ReadinessQuery) {
    let judge: Arc<dyn Judge> = state.judge.clone();
    let judged = state.store.judge_waiting(query.of.clone(), &judge, query.now, JUDGED_FIRST).await;
    if let Err(error) = judged {
        tracing::warn!(%error, "readiness was not judged before a list");
    }
}

fn unit(row: UnitRow, unit_label: Option<String>) -> ApiResult<UnitReadiness> {
    Ok(UnitReadiness {
        unit_id: row.unit,
        unit_label,
        home_site_id: row.home_site,
        standing_site_id: row.standing_site,
        judged: judged(&row.verdict, row.judged_at, row.until, row.waits)?,
        reasons: told(row.told)?,
    })
}

fn site(row: SiteRow, site_name: Option<String>) -> ApiResult<SiteReadinessLine> {
    Ok(SiteReadinessLine {
        site_id: row.site,
        site_name,
        judged: judged(&row.verdict, row.judged_at, row.until, row.waits)?,
        readiness: told(row.told)?,
    })
}

fn judged(
    verdict: &str,
    judged_at: Instant,
    until: Option<Instant>,
    pending: bool,
) -> ApiResult<KeptVerdict> {
    let verdict = word(VERDICTS, "A verdict", verdict).map_err(|flaw| corrupt(&flaw))?;
    Ok(KeptVerdict { verdict, judged_at, until, pending })
}

/// What was told when it was judged, byte for byte.
fn told(text: String) -> ApiResult<Box<RawValue>> {
    Ok(RawValue::from_string(text).map_err(|error| corrupt(&error))?)
}

fn corrupt(why: &dyn std::fmt::Display) -> StoreError {
    StoreError::Corrupt { what: "readiness", why: why.to_string() }
}
