//! Which promises count, and why others do not.

use std::collections::{BTreeMap, BTreeSet};

use model::{Instant, PromiseId, SiteId, UnitId, outage::PromiseFields};
use serde::Serialize;
use standby::{
    caution::Caution,
    promise::{Fit, Promise, PromisePolicy, Promised, PromisesTrace, Spare, promises},
    readiness::Verdict,
};
use store::view::Fields;
use utoipa::ToSchema;

use super::{super::fit, facts};
use crate::problem::{ApiError, ApiResult};

/// What comes of all promises that the asker may see.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PromisesCheck {
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// Each promise that is not taken back, in the order in which they were made.
    promises: Vec<PromiseChecked>,
    /// What it rests on.
    trace: Vec<PromisesTrace>,
    /// What to heed when spares are connected, each once.
    cautions: Vec<Caution>,
}

/// What comes of one promise.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct PromiseChecked {
    /// What comes of it; what is missing is a field of the unit (`/unit/…`), of the site (`/site/…`) or of the promise itself.
    #[serde(flatten)]
    judged: Promised,
    /// From when on.
    #[schema(value_type = String, format = DateTime)]
    from: Instant,
    /// Until when; absent until further notice.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    until: Option<Instant>,
    /// What the spare can carry at the site.
    capacity: fit::Capacity,
}

/// The units and sites that promises name.
pub(super) fn named(all: &[(PromiseId, PromiseFields)]) -> (BTreeSet<UnitId>, BTreeSet<SiteId>) {
    let units = all.iter().filter_map(|(_, fields)| fields.unit_id).collect();
    (units, all.iter().filter_map(|(_, fields)| fields.site_id).collect())
}

/// Judges all promises, and tells those to sites that are seen; none means all sites.
pub(super) fn check(
    all: &[(PromiseId, PromiseFields)],
    fields: &Fields,
    ready: &BTreeMap<UnitId, Verdict>,
    sees: Option<&BTreeSet<SiteId>>,
    as_of: Instant,
) -> ApiResult<PromisesCheck> {
    let mut by_spare: BTreeMap<UnitId, Vec<Promise>> = BTreeMap::new();
    for (id, promise) in all {
        let need = promise.site_id.and_then(|site| fields.sites.get(&site)).map(fit::need);
        if let Some(promise) = facts::promise(*id, promise, need.unwrap_or_default()) {
            by_spare.entry(promise.spare).or_default().push(promise);
        }
    }
    let policy = PromisePolicy::standard();
    let mut checked = Vec::new();
    for (unit, of_spare) in &by_spare {
        let seen = of_spare.iter().map(|promise| promise.site);
        let seen: BTreeSet<SiteId> =
            seen.filter(|site| sees.is_none_or(|sees| sees.contains(site))).collect();
        // What a set can carry differs from site to site.
        for site in seen {
            checked.extend(at_site(*unit, site, of_spare, fields, ready, &policy)?);
        }
    }
    checked.sort_by_key(|(made_at, promise)| (*made_at, promise.judged.promise_id));
    let checked: Vec<PromiseChecked> = checked.into_iter().map(|(_, promise)| promise).collect();
    let trace = promises(&[], &[], &policy).map_err(ApiError::internal)?.trace;
    let mut cautions: Vec<Caution> = Vec::new();
    for caution in checked.iter().flat_map(|promise| &promise.judged.fit.cautions) {
        if !cautions.contains(caution) {
            cautions.push(*caution);
        }
    }
    Ok(PromisesCheck { as_of, promises: checked, trace, cautions })
}

/// The promises of a spare to one site, held against all promises of that spare.
fn at_site(
    unit: UnitId,
    site: SiteId,
    of_spare: &[Promise],
    fields: &Fields,
    ready: &BTreeMap<UnitId, Verdict>,
    policy: &PromisePolicy,
) -> ApiResult<Vec<(Instant, PromiseChecked)>> {
    let missing = || ApiError::internal("a promise names what is not there");
    let (unit_fields, site_fields) =
        fields.units.get(&unit).zip(fields.sites.get(&site)).ok_or_else(missing)?;
    let (ratings, capacity) = fit::ratings(unit_fields, site_fields)?;
    // Nobody says that its home site needs it: that is not guessed.
    let spare = Spare { unit, ratings, readiness: ready.get(&unit).copied(), serves: None };
    let judged = promises(&[spare], of_spare, policy).map_err(ApiError::internal)?;
    let told = |judged: Promised| {
        let promise = of_spare.iter().find(|promise| promise.id == judged.promise_id)?;
        let fit = Fit { missing: fit::entered(&judged.fit.missing), ..judged.fit };
        let judged = Promised { missing: fit::entered(&judged.missing), fit, ..judged };
        let (from, until, capacity) = (promise.from, promise.until, capacity.clone());
        Some((promise.made_at, PromiseChecked { judged, from, until, capacity }))
    };
    Ok(judged.promises.into_iter().filter(|judged| judged.site_id == site).filter_map(told).collect())
}
