//! Work that one instance at a time does: taken by a lease, tried again, failed for good after long enough.

use model::{Instant, OrganizationId};

use crate::{Result, Store, key::Key, through};

/// The name of the worker that does chores.
pub const NIGHTLY: &str = "nightly";
/// The name of the one chore of its kind.
pub const ADVANCE: &str = "all";

/// What kind of work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ChoreKind {
    /// The digest of a mail list on a date.
    Digest,
    /// One mail to one recipient.
    Mail,
    /// Moving stored states on, and folding anew what is stale.
    Advance,
    /// Dropping photos and papers that nobody names, and uploads that nobody goes on with, on a date.
    Blobs,
}

impl ChoreKind {
    /// The word for it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Digest => "digest",
            Self::Mail => "mail",
            Self::Advance => "advance",
            Self::Blobs => "blobs",
        }
    }
}

/// Work that this instance has taken.
#[derive(Clone, Debug)]
pub struct Chore {
    /// The tenant.
    pub organization: OrganizationId,
    /// What kind.
    pub kind: ChoreKind,
    /// Which of that kind.
    pub name: String,
    /// Since when it is wanted.
    pub since: Instant,
    /// How often it was taken, this time included. Who takes it after the lease has run out makes the number larger, and
    /// whatever the one before says of it is ignored.
    pub attempts: i64,
}

/// Some work that is wanted.
#[derive(Clone, Debug)]
pub struct OpenChore {
    /// Which of its kind.
    pub name: String,
    /// When it is to be done.
    pub at: Instant,
    /// Whether somebody has begun it.
    pub is_tried: bool,
}

/// What became of work.
#[derive(Clone, Debug)]
pub enum Ending {
    /// It is done.
    Done,
    /// It is not wanted any more.
    Withdrawn,
    /// It is to be tried again.
    Again {
        /// When.
        at: Instant,
        /// What went wrong.
        error: String,
    },
    /// It will not be tried again.
    Failed {
        /// What went wrong.
        error: String,
    },
}

/// How a worker is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Worker {
    /// When it was last about.
    pub seen_at: Instant,
    /// How many chores have failed lately.
    pub failing: u64,
}

impl Store {
    /// Has some work wanted from `at` on, unless it is already, or was.
    pub async fn want_chore(
        &self,
        organization: OrganizationId,
        kind: ChoreKind,
        name: String,
        at: Instant,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::chores::want(conn, key, kind, &name, at))
    }

    /// Takes the work of a kind that has waited longest and is free, until `lease_until`.
    pub async fn take_chore(
        &self,
        organization: OrganizationId,
        kind: ChoreKind,
        now: Instant,
        lease_until: Instant,
    ) -> Result<Option<Chore>> {
        let key = Key::from(organization);
        let waits = through!(self, read for key, |conn, ops| ops::chores::free(conn, key, kind, now))?;
        if waits.is_empty() {
            return Ok(None);
        }
        through!(self, write for key, |conn, ops| ops::chores::take(conn, key, kind, &waits, now, lease_until))
    }

    /// Keeps work for longer; says whether it is still this instance's.
    pub async fn keep_chore(&self, chore: &Chore, lease_until: Instant) -> Result<bool> {
        let (key, chore) = (Key::from(chore.organization), chore.clone());
        through!(self, write for key, |conn, ops| ops::chores::keep(conn, &chore, lease_until))
    }

    /// Says what became of work; says whether it was still this instance's.
    pub async fn end_chore(&self, chore: &Chore, ending: Ending, now: Instant) -> Result<bool> {
        let (key, chore) = (Key::from(chore.organization), chore.clone());
        through!(self, write for key, |conn, ops| ops::chores::end(conn, &chore, &ending, now))
    }

    /// The work of a kind that has not ended.
    pub async fn open_chores(&self, organization: OrganizationId, kind: ChoreKind) -> Result<Vec<OpenChore>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::chores::open(conn, key, kind))
    }

    /// Has some work wanted from `at` on, if it was wanted later or not at all.
    pub async fn hurry_chore(
        &self,
        organization: OrganizationId,
        kind: ChoreKind,
        name: String,
        at: Instant,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::chores::hurry(conn, key, kind, &name, at))
    }

    /// How much has failed for good since `since`, or is still open, was wanted before `late`, and went wrong by `now`.
    pub async fn failing_chores(
        &self,
        organization: OrganizationId,
        since: Instant,
        late: Instant,
        now: Instant,
    ) -> Result<u64> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::chores::failing(conn, key, since, late, now))
    }

    /// Forgets work that ended before then.
    pub async fn forget_chores(&self, organization: OrganizationId, before: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::chores::forget(conn, key, before))
    }

    /// Notes that a worker is about.
    pub async fn note_worker(&self, name: &'static str, worker: Worker) -> Result<()> {
        through!(self, write for Key::NIL, |conn, ops| ops::chores::note_worker(conn, name, worker))
    }

    /// How a worker is, if it ever was about.
    pub async fn worker(&self, name: &'static str) -> Result<Option<Worker>> {
        through!(self, read for Key::NIL, |conn, ops| ops::chores::worker_called(conn, name))
    }
}
