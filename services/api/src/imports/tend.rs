//! Looking for jobs that wait, and for what may be forgotten.

use std::{sync::Arc, time::Duration};

use model::OrganizationId;
use tokio::sync::Semaphore;
use uuid::Uuid;

use super::{Bench, LEASE_SECONDS, work::work};
use crate::state::State;

/// How often it is looked for jobs that another instance has left, or was told of.
const EVERY: Duration = Duration::from_secs(2);
/// How often it is looked for what may be forgotten.
const FORGET_EVERY: Duration = Duration::from_secs(600);
/// Jobs that an instance works at, each of another organization.
const AT_ONCE: usize = 2;

/// Works at the jobs of all organizations, and forgets what has expired.
pub(crate) async fn keep_importing(state: State) {
    let bench = Bench { store: state.store.clone(), clock: state.clock };
    let places = Arc::new(Semaphore::new(AT_ONCE));
    let mut tick = tokio::time::interval(EVERY);
    let mut forget = tokio::time::interval(FORGET_EVERY);
    loop {
        tokio::select! {
            _ = tick.tick() => {}
            () = state.imports_wait.notified() => {}
            _ = forget.tick() => {
                if let Err(error) = forget_all(&bench).await {
                    tracing::error!(%error, "what has expired could not be forgotten");
                }
                continue;
            }
        }
        if let Err(error) = begin_all(&state, &bench, &places).await {
            tracing::error!(%error, "imports could not be begun");
        }
    }
}

/// Begins the job of each organization that has one waiting, as far as there are places.
async fn begin_all(state: &State, bench: &Bench, places: &Arc<Semaphore>) -> store::Result<()> {
    for organization in bench.store.organizations().await? {
        let Ok(place) = Arc::clone(places).try_acquire_owned() else { return Ok(()) };
        let (holder, now) = (Uuid::new_v4(), bench.clock.now());
        let until = now.plus_seconds(LEASE_SECONDS);
        let Some(job) = bench.store.lease_import(organization, holder, now, until).await? else { continue };
        let (bench, wait) = (bench.clone(), Arc::clone(&state.imports_wait));
        tokio::spawn(async move {
            let id = job.id;
            tracing::info!(import.id = %id, organization.id = %organization, "an import is worked at");
            if let Err(error) = work(&bench, organization, job, holder).await {
                // It is taken up again when its lease is over.
                tracing::error!(%error, import.id = %id, organization.id = %organization, "an import could not go on");
            }
            drop(place);
            // The next one of the organization.
            wait.notify_one();
        });
    }
    Ok(())
}

async fn forget_all(bench: &Bench) -> store::Result<()> {
    for organization in bench.store.organizations().await? {
        forget(bench, organization).await?;
    }
    Ok(())
}

async fn forget(bench: &Bench, organization: OrganizationId) -> store::Result<()> {
    while bench.store.forget_imports(organization, bench.clock.now()).await? {}
    Ok(())
}
