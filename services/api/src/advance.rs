//! The advance: moves stored states on as time passes, and folds anew what a mass change or an upgrade left stale.

use std::{collections::BTreeSet, time::Duration};

use model::{OrganizationId, UnitId};

use crate::state::State;

/// How often the stored states are moved on to the present.
const EVERY: Duration = Duration::from_secs(30);
/// How soon units that could not be moved on are tried again.
const TRY_AGAIN_AFTER: Duration = Duration::from_secs(2);
/// Units that are looked up at a time.
const SLICE: i64 = 200;

/// Moves stored states on as time passes, and folds anew what a mass change or an upgrade left stale. Lists are right
/// without the first and say how many wait for the second; it keeps them fast, and tells others.
pub(crate) async fn keep_advancing(state: State) {
    let mut tick = tokio::time::interval(EVERY);
    loop {
        tokio::select! {
            _ = tick.tick() => {}
            () = state.store.some_are_stale() => {}
        }
        match advance_all(&state).await {
            Ok(true) => {}
            Ok(false) => tick.reset_after(TRY_AGAIN_AFTER),
            Err(error) => tracing::error!(%error, "states could not be moved on"),
        }
    }
}

/// Takes the organizations in turn, a slice of units of each, until none is left with units that wait; says whether all
/// went well.
async fn advance_all(state: &State) -> store::Result<bool> {
    let mut failed = BTreeSet::new();
    let mut all_went_well = true;
    let mut waiting = state.store.organizations().await?;
    while !waiting.is_empty() {
        let mut still = Vec::new();
        for organization in waiting {
            match advance_slice(state, organization, &mut failed).await {
                Ok(true) => still.push(organization),
                Ok(false) => {}
                Err(error) => {
                    all_went_well = false;
                    tracing::error!(%error, organization.id = %organization, "states could not be moved on");
                }
            }
        }
        waiting = still;
    }
    Ok(all_went_well && failed.is_empty())
}

/// Moves some units of one organization on, each in a transaction of its own; one that fails does not hold up the
/// others. Says whether there may be more.
async fn advance_slice(
    state: &State,
    organization: OrganizationId,
    failed: &mut BTreeSet<UnitId>,
) -> store::Result<bool> {
    let now = state.clock.now();
    let waiting = state.store.waiting(organization, now, SLICE).await?;
    let todo: Vec<UnitId> = waiting.into_iter().filter(|unit| !failed.contains(unit)).collect();
    if todo.is_empty() {
        return state.store.finish(organization, now).await.map(|()| false);
    }
    for unit in todo {
        if let Err(error) = state.store.advance(organization, unit, now).await {
            tracing::error!(%error, organization.id = %organization, unit.id = %unit, "a unit could not be moved on");
            failed.insert(unit);
        }
    }
    Ok(true)
}
