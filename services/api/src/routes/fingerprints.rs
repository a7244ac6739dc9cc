//! `/v1/fingerprints`: finding what a copy of a site has otherwise than the service.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    SiteId,
    edit::Target,
    read::{FieldError, Flaw},
};
use proof::{Fingerprint, Prefix};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    answer,
    extract::{Caller, Params},
    members::Members,
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
    sync::pull::{Change, add_changes},
};

/// So many records of a part are told at most.
const RECORDS_MOST: usize = 1000;

/// Which part of a site.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct PartParams {
    /// The site.
    #[param(format = "uuid")]
    site_id: String,
    /// The first hexadecimal digits of ids, without hyphens; absent: all ids.
    #[param(pattern = "^[0-9a-f]{0,32}$")]
    prefix: Option<String>,
}

/// Fingerprints of parts of a site.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Parts {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// The digits with which the ids of all parts begin.
    #[schema(value_type = String, example = "019a")]
    prefix: Prefix,
    /// The parts in order: at most 16, by one digit more than the ids have in common.
    parts: Vec<Part>,
}

/// A part of what is told of a site.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = FingerprintPart)]
pub(crate) struct Part {
    /// The first digits of the ids.
    #[schema(value_type = String, example = "019a0")]
    prefix: Prefix,
    /// How many records there are.
    #[schema(example = 12)]
    count: u64,
    /// The sum of their hashes: 64 hexadecimal digits.
    #[schema(value_type = String)]
    fingerprint: Fingerprint,
}

/// The records of a part of a site.
#[derive(Debug, ToSchema)]
pub(crate) struct PartRecords {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// The first digits of the ids.
    #[schema(value_type = String, example = "019a0b")]
    prefix: Prefix,
    /// All its records, as `/v1/changes` tells them. What a copy has beyond them in this part is dropped.
    changes: Vec<Change>,
}

impl PartRecords {
    fn spelled(&self) -> ApiResult<Vec<u8>> {
        let mut text = Members::with_room(0);
        text.add("site_id", &self.site_id)?;
        text.add("prefix", &self.prefix)?;
        add_changes(&mut text, &self.changes)?;
        Ok(text.done())
    }
}

/// Narrow down what differs
///
/// The fingerprint of a set of records is the sum, modulo 2^256, of the SHA-256 of `{"body": …, "kind": …, "record": …}` spelled
/// as RFC 8785 does, one for each: its kind, its id, and as `body` its `record` as `/v1/changes` tells it. It covers a site's own
/// record, the units in scope there and their service events; retired ones are left out. Whoever keeps a copy compares part by
/// part, asks about those that differ with their longer prefix, and fetches the records once they are few.
#[utoipa::path(get, path = "/v1/fingerprints", tag = "sync", operation_id = "list_fingerprints",
    params(PartParams),
    responses((status = 200, body = Parts), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let (site_id, prefix) = asked(&state, &caller, &request).await?;
    let parts = state.store.parts(caller.organization(), site_id, prefix.clone()).await?;
    let part = |(prefix, part): (Prefix, proof::Part)| Part {
        prefix,
        count: part.count,
        fingerprint: part.fingerprint,
    };
    let parts = parts.into_iter().map(part).collect();
    Ok(HttpResponse::Ok().json(Parts { site_id, prefix, parts }))
}

/// Read the records of a part
///
/// 1000 at most; a part with more has to be narrowed down.
#[utoipa::path(get, path = "/v1/fingerprints/records", tag = "sync", operation_id = "list_fingerprint_records",
    params(PartParams),
    responses((status = 200, body = PartRecords), Problems))]
pub(super) async fn records(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let (site_id, prefix) = asked(&state, &caller, &request).await?;
    let found = state.store.part(caller.organization(), site_id, prefix.clone(), RECORDS_MOST).await?;
    let found = found.ok_or_else(|| {
        let detail = format!("More than {RECORDS_MOST} records begin so: send more digits.");
        wrong("prefix", "too_many_records", &detail)
    })?;
    let changes = found.into_iter().map(Change::from).collect();
    Ok(answer::spelled(PartRecords { site_id, prefix, changes }.spelled()?))
}

/// The part that is asked about, of a site that may be seen.
async fn asked(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<(SiteId, Prefix)> {
    let mut params = Params::of(request)?;
    let site = params.take("site_id", SiteId::parse);
    let prefix = params.take("prefix", Prefix::parse);
    params.close()?;
    let site = site.ok_or_else(|| wrong("site_id", "required", "Say of which site."))?;
    caller.require(Action::ReadSite, &Object::at(caller.organization(), [site]))?;
    let known = state.store.record(caller.organization(), Target::Site(site)).await?;
    known.map(|_| (site, prefix.unwrap_or_default())).ok_or_else(|| ApiError::new(Kind::NotFound))
}

fn wrong(name: &str, code: &'static str, detail: &str) -> ApiError {
    ApiError::new(Kind::InvalidParameter)
        .errors(vec![FieldError::in_parameter(name, Flaw::new(code, detail))])
}
