//! Drops photos and papers that no event has named for long, uploads with which nobody goes on, and what no table knows.

mod strays;

use std::io;

use model::{Instant, LocalDate, OrganizationId, Zone};
use process::{
    Clock,
    blobs::{Blobs, Place},
};
use store::{
    Store, StoreError,
    chores::{Chore, ChoreKind, Ending},
};

const DAY_SECONDS: i64 = 24 * 3600;
/// How long a blob waits for an event that names it.
const ORPHAN_SECONDS: i64 = 30 * DAY_SECONDS;
/// How long an upload waits for its next part.
const UPLOAD_SECONDS: i64 = 7 * DAY_SECONDS;
/// How soon it is tried again after something went wrong.
const TRY_AGAIN_SECONDS: i64 = 600;

/// What keeps it from being done.
#[derive(Debug, thiserror::Error)]
enum NotCleared {
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("bytes could not be dropped: {0}")]
    Bytes(#[from] io::Error),
    #[error(
        "an organization has photos, and nothing of it lies in the folder or bucket: look whether that is the right one and is there. \
         Nothing is dropped"
    )]
    Gone,
}

/// The name of the chore that is wanted at an instant: one on each date, in UTC.
pub(crate) fn chore_name(at: Instant) -> String {
    date(at).to_string()
}

fn date(at: Instant) -> LocalDate {
    Zone::utc().date(at)
}

/// Drops what is old enough, and has the same wanted on the next date.
pub(crate) async fn clear(store: &Store, blobs: &Blobs, chore: &Chore, clock: &Clock) -> Ending {
    let now = clock.now();
    match cleared(store, blobs, chore, now).await {
        Ok(()) => Ending::Done,
        Err(error) => {
            tracing::error!(%error, organization.id = %chore.organization, "photos that nobody names could not be dropped");
            Ending::Again { at: now.plus_seconds(TRY_AGAIN_SECONDS), error: error.to_string() }
        }
    }
}

async fn cleared(store: &Store, blobs: &Blobs, chore: &Chore, now: Instant) -> Result<(), NotCleared> {
    let organization = chore.organization;
    if store.has_blobs(organization).await? && !blobs.has_any(organization).await? {
        return Err(NotCleared::Gone);
    }
    forget_orphans(store, organization, now.plus_seconds(-ORPHAN_SECONDS)).await?;
    drop_idle(store, blobs, organization, now.plus_seconds(-UPLOAD_SECONDS)).await?;
    strays::drop_some(store, blobs, organization, now).await?;
    // From the start of that date on: a round at the same time of day, or a little earlier, must find it.
    let next = date(now).plus_days(1);
    store.want_chore(organization, ChoreKind::Blobs, next.to_string(), Zone::utc().midnight(next)).await?;
    Ok(())
}

async fn forget_orphans(store: &Store, organization: OrganizationId, old: Instant) -> Result<(), NotCleared> {
    let mut after = None;
    loop {
        let orphans = store.orphans(organization, old, after).await?;
        for orphan in orphans.found {
            store.forget_orphan(organization, orphan, old).await?;
        }
        after = orphans.next;
        if after.is_none() {
            return Ok(());
        }
    }
}

async fn drop_idle(
    store: &Store,
    blobs: &Blobs,
    organization: OrganizationId,
    idle: Instant,
) -> Result<(), NotCleared> {
    loop {
        let uploads = store.idle_uploads(organization, idle).await?;
        if uploads.is_empty() {
            return Ok(());
        }
        for upload in uploads {
            let place = Place { organization, sha256: upload.sha256, id: upload.place };
            // Whoever goes on from then on begins elsewhere; who did before has it, and nothing is dropped.
            let Some(nobodys) = store.disown_upload(organization, upload, idle).await? else { continue };
            blobs.drop_all(place).await?;
            store.end_upload(organization, nobodys).await?;
        }
    }
}
