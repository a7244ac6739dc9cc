//! Judges anew whether units and sites are ready, of which something was recorded, or for which it is time. Lists judge a few of
//! them themselves, and say how many wait.

use std::{collections::BTreeSet, sync::Arc};

use model::{OrganizationId, SiteId, UnitId};
use process::Clock;
use store::{
    Result, Store,
    chores::Chore,
    readiness::{For, Judge},
    view::DueFilter,
};

use crate::advance;

/// Units, and sites, that are looked up at a time.
const SLICE: i64 = 200;

/// What could not be judged; it does not hold up the rest.
#[derive(Default)]
struct Failed {
    units: BTreeSet<UnitId>,
    sites: BTreeSet<SiteId>,
}

/// Takes a slice after the other until nothing waits; says how many units and sites could not be judged.
pub(crate) async fn all(
    store: &Store,
    chore: &Chore,
    judge: &Arc<dyn Judge>,
    clock: &Clock,
) -> Result<usize> {
    let mut failed = Failed::default();
    while slice(store, chore.organization, judge, clock, &mut failed).await? {
        if !store.keep_chore(chore, advance::lease(clock.now())).await? {
            break;
        }
    }
    Ok(failed.units.len() + failed.sites.len())
}

/// Judges some units and then some sites, each in a transaction of its own. Says whether there may be more.
async fn slice(
    store: &Store,
    organization: OrganizationId,
    judge: &Arc<dyn Judge>,
    clock: &Clock,
    failed: &mut Failed,
) -> Result<bool> {
    let now = clock.now();
    let waiting = store.unjudged(DueFilter::all(organization), &**judge, now, SLICE).await?;
    let units: Vec<UnitId> = waiting.units.into_iter().filter(|unit| !failed.units.contains(unit)).collect();
    let sites: Vec<SiteId> = waiting.sites.into_iter().filter(|site| !failed.sites.contains(site)).collect();
    let found = !units.is_empty() || !sites.is_empty();
    for unit in units {
        if let Err(error) = store.judge_unit(organization, unit, Arc::clone(judge), now, For::Chore).await {
            tracing::error!(%error, organization.id = %organization, unit.id = %unit, "a unit could not be judged");
            failed.units.insert(unit);
        }
    }
    for site in sites {
        if let Err(error) = store.judge_site(organization, site, Arc::clone(judge), now, For::Chore).await {
            tracing::error!(%error, organization.id = %organization, site.id = %site, "a site could not be judged");
            failed.sites.insert(site);
        }
    }
    Ok(found)
}
