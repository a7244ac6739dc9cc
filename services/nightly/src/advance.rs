//! The advance: moves stored states on as time passes, and folds anew what a mass change or an upgrade left stale. Lists
//! are right without the first and say how many wait for the second; it keeps them fast, and tells others. What has become other
//! by either is then judged anew.

use std::{collections::BTreeSet, sync::Arc};

use model::{Instant, OrganizationId, UnitId};
use process::Clock;
use store::{
    Result, Store,
    chores::{Chore, Ending},
    readiness::Judge,
};

use crate::judging;

/// How soon units are looked for again; sooner if a write leaves some stale.
const EVERY_SECONDS: i64 = 30;
/// How soon units that could not be moved on are tried again.
const TRY_AGAIN_SECONDS: i64 = 2;
/// How long one may take over a slice before another does.
const LEASE_SECONDS: i64 = 120;
/// Units that are looked up at a time.
const SLICE: i64 = 200;

/// Until when the advance is kept from others.
pub(crate) fn lease(now: Instant) -> Instant {
    now.plus_seconds(LEASE_SECONDS)
}

/// Moves all units of an organization on that wait and judges anew what has changed, and says when to come again.
pub(crate) async fn advance(store: &Store, chore: &Chore, judge: &Arc<dyn Judge>, clock: &Clock) -> Ending {
    let came_to = match all(store, chore, clock).await {
        Ok(failed) => judging::all(store, chore, judge, clock).await.map(|more| failed + more),
        Err(error) => Err(error),
    };
    let now = clock.now();
    match came_to {
        Ok(0) => Ending::Again { at: now.plus_seconds(EVERY_SECONDS), error: String::new() },
        Ok(failed) => {
            let error = format!("{failed} units or sites could not be moved on or judged");
            Ending::Again { at: now.plus_seconds(TRY_AGAIN_SECONDS), error }
        }
        Err(error) => Ending::Again { at: now.plus_seconds(TRY_AGAIN_SECONDS), error: error.to_string() },
    }
}

/// Takes a slice of units after the other until none waits; says how many could not be moved on.
async fn all(store: &Store, chore: &Chore, clock: &Clock) -> Result<usize> {
    let mut failed = BTreeSet::new();
    while slice(store, chore.organization, clock.now(), &mut failed).await? {
        if !store.keep_chore(chore, lease(clock.now())).await? {
            break;
        }
    }
    Ok(failed.len())
}

/// Moves some units on, each in a transaction of its own; one that fails does not hold up the others. Says whether there
/// may be more.
async fn slice(
    store: &Store,
    organization: OrganizationId,
    now: Instant,
    failed: &mut BTreeSet<UnitId>,
) -> Result<bool> {
    let waiting = store.waiting(organization, now, SLICE).await?;
    let todo: Vec<UnitId> = waiting.into_iter().filter(|unit| !failed.contains(unit)).collect();
    if todo.is_empty() {
        return store.finish(organization, now).await.map(|()| false);
    }
    for unit in todo {
        if let Err(error) = store.advance(organization, unit, now).await {
            tracing::error!(%error, organization.id = %organization, unit.id = %unit, "a unit could not be moved on");
            failed.insert(unit);
        }
    }
    Ok(true)
}
