//! Files that are brought in: read row by row (crate `import`), judged and written in slices, in the name of whoever asked.
//!
//! `upload` keeps a file in pieces as it comes, `tend` looks for jobs that wait, `work` goes through one, `judge` makes edits
//! of a slice of its rows with what `names` finds, and `fates` says what became of each. The command line goes the same way.

mod fates;
mod ids;
mod judge;
pub(crate) mod local;
mod names;
mod pieces;
mod tend;
mod upload;
mod work;

use model::{Instant, OrganizationId};
use process::Clock;
use store::Store;

pub(crate) use self::{
    tend::keep_importing,
    upload::{Incoming, Unkept},
    work::lease_and_work,
};

/// How long a job is kept with its file and its report, after it was made or ended.
pub(crate) const KEPT_SECONDS: i64 = 7 * 24 * 3600;
/// How many rows a file may have of which all are taken or none.
pub(crate) const TOGETHER_ROWS_MOST: usize = 5_000;
/// How many bytes such a file may have.
pub(crate) const TOGETHER_BYTES_MOST: u64 = 32 << 20;
/// How long an instance may be silent before another one takes its job over.
const LEASE_SECONDS: i64 = 60;
/// Rows that are written in one transaction, for which others may have to wait.
const SLICE_ROWS: usize = 100;
/// The same of a dry run, for which nobody waits.
const DRY_ROWS: usize = 500;

/// What it takes to bring in a file.
#[derive(Clone, Debug)]
pub(crate) struct Bench {
    /// The database.
    pub store: Store,
    /// The time.
    pub clock: Clock,
}

impl Bench {
    /// When what is made or ends now is forgotten.
    pub(crate) fn expiry(&self) -> Instant {
        self.clock.now().plus_seconds(KEPT_SECONDS)
    }

    /// Drops the pieces of a file that came to nothing.
    pub(crate) async fn drop_file(
        &self,
        organization: OrganizationId,
        file: uuid::Uuid,
    ) -> store::Result<()> {
        while self.store.drop_file(organization, file).await? {}
        Ok(())
    }
}
