//! Files that are brought in: a job for each, its file in pieces, how far it is, and what is said of its rows.
//!
//! A job is worked at by one instance at a time, which has a lease. What a slice of its rows comes to is noted with their edits
//! in one transaction, and only as long as the lease is held: so no row counts twice, whoever goes on after a kill.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt,
    sync::Arc,
};

use model::{
    ImportId, Instant, OrganizationId, PersonId, SiteId,
    edit::{RecordKind, Target},
};
use uuid::Uuid;

use crate::{
    Result, Store,
    command::Outcome,
    key::Key,
    through,
    view::{Page, RecordView},
};

/// What a job is made with.
#[derive(Clone, Debug)]
pub struct NewImport {
    /// The tenant.
    pub organization: OrganizationId,
    /// The job.
    pub id: ImportId,
    /// Who asks for it; its rows are written in their name.
    pub author: PersonId,
    /// When.
    pub made_at: Instant,
    /// When it is forgotten if nothing becomes of it.
    pub expires_at: Instant,
    /// What the file holds.
    pub records: &'static str,
    /// How it is to be read, as text.
    pub mapping: String,
    /// Whether nothing is written where one row is refused.
    pub all_or_none: bool,
    /// Whether nothing is written at all.
    pub dry_run: bool,
    /// The dry run whose file is written by this one.
    pub applies: Option<ImportId>,
}

/// How many jobs of one person may be unfinished: each may keep a large file.
pub(crate) const UNFINISHED_MOST: i64 = 20;

/// How far a job is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ImportState {
    /// The file has not come.
    WaitingForFile,
    /// The file is there, and it has not been begun.
    Queued,
    /// It is worked at.
    Running,
    /// All rows were judged.
    Done,
    /// Nothing was written, because of what is wrong with the file or with one of its rows.
    Refused,
    /// It could not go on.
    Failed,
    /// Somebody stopped it.
    Cancelled,
}

/// The words for [`ImportState`].
pub const IMPORT_STATES: &[(&str, ImportState)] = &[
    ("waiting_for_file", ImportState::WaitingForFile),
    ("queued", ImportState::Queued),
    ("running", ImportState::Running),
    ("done", ImportState::Done),
    ("refused", ImportState::Refused),
    ("failed", ImportState::Failed),
    ("cancelled", ImportState::Cancelled),
];

impl ImportState {
    /// The state as it is written.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        IMPORT_STATES.iter().find(|(_, state)| *state == self).map_or("", |(word, _)| *word)
    }

    /// Whether nothing more becomes of it.
    #[must_use]
    pub fn is_final(self) -> bool {
        !matches!(self, Self::WaitingForFile | Self::Queued | Self::Running)
    }
}

/// How many rows came to what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ImportCounts {
    /// New records and events.
    pub created: i64,
    /// Records that were there and are others now.
    pub changed: i64,
    /// Records that were there and say the same.
    pub unchanged: i64,
    /// Events that were recorded before.
    pub repeated: i64,
    /// Rows that were not taken.
    pub refused: i64,
}

/// A job.
#[derive(Clone, Debug)]
pub struct ImportJob {
    /// The job.
    pub id: ImportId,
    /// Who asked for it.
    pub author: PersonId,
    /// When.
    pub made_at: Instant,
    /// When it is forgotten with its file and its report.
    pub expires_at: Instant,
    /// How far it is.
    pub state: ImportState,
    /// What the file holds.
    pub records: String,
    /// How it is to be read, as text.
    pub mapping: String,
    /// Whether nothing is written where one row is refused.
    pub all_or_none: bool,
    /// Whether nothing is written at all.
    pub dry_run: bool,
    /// The dry run whose file it writes.
    pub applies: Option<ImportId>,
    /// The file, once it is there.
    pub file: Option<Uuid>,
    /// Rows that were judged.
    pub rows_read: i64,
    /// Rows that there are, once they were counted.
    pub rows_total: Option<i64>,
    /// What became of them.
    pub counts: ImportCounts,
    /// Why it failed.
    pub failure: Option<String>,
    /// Whether somebody has asked for it to be stopped.
    pub cancelling: bool,
    /// When it was begun.
    pub started_at: Option<Instant>,
    /// When it ended.
    pub finished_at: Option<Instant>,
}

/// Something to be said of a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImportLine {
    /// The physical line where the row begins.
    pub line: i64,
    /// The heading of the column, where one is wrong.
    pub column: Option<String>,
    /// What became of the row.
    pub fate: &'static str,
    /// Why.
    pub code: String,
    /// The same for people.
    pub detail: String,
    /// What to write instead.
    pub suggestion: Option<String>,
}

/// The same as it was kept, with its place in the report.
#[derive(Clone, Debug)]
pub struct ReportLine {
    /// Its place.
    pub n: i64,
    /// The physical line where the row begins.
    pub line: i64,
    /// The heading of the column, where one is wrong.
    pub column: Option<String>,
    /// What became of the row.
    pub fate: String,
    /// Why.
    pub code: String,
    /// The same for people.
    pub detail: String,
    /// What to write instead.
    pub suggestion: Option<String>,
}

/// What is noted of a job.
#[derive(Clone, Debug, Default)]
pub struct ImportProgress {
    /// Rows that were judged now.
    pub rows: i64,
    /// What became of them.
    pub counts: ImportCounts,
    /// How many rows there are, if they were counted now.
    pub rows_total: Option<i64>,
    /// What is to be said of them.
    pub lines: Vec<ImportLine>,
    /// How it ends, if it does: with a reason where it failed.
    pub end: Option<(ImportState, Option<String>)>,
}

/// The right of one instance to work at a job for a while.
#[derive(Clone, Copy, Debug)]
pub struct Lease {
    /// The tenant.
    pub organization: OrganizationId,
    /// The job.
    pub job: ImportId,
    /// Who holds it.
    pub holder: Uuid,
    /// Now, by the service's clock.
    pub now: Instant,
    /// Until when it is held unless it is renewed.
    pub until: Instant,
    /// When the job is forgotten if it ends now.
    pub expires_at: Instant,
}

/// A slice of a job's rows, which is noted in the transaction that writes them.
#[derive(Clone)]
pub struct Slice {
    /// The right to do so.
    pub lease: Lease,
    /// From the outcomes of the edits to what is noted.
    pub note: Arc<Note>,
}

/// From the outcomes of a slice's edits to what is noted.
pub type Note = dyn Fn(&[Outcome]) -> ImportProgress + Send + Sync;

impl fmt::Debug for Slice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Slice of {:?}", self.lease.job)
    }
}

/// Which jobs are asked for.
#[derive(Clone, Copy, Debug)]
pub struct ImportQuery {
    /// The tenant.
    pub organization: OrganizationId,
    /// Only this person's, where given.
    pub author: Option<PersonId>,
    /// Only those that are not forgotten by then.
    pub now: Instant,
    /// The last one of the page before.
    pub after: Option<(Instant, ImportId)>,
    /// Jobs of a page.
    pub limit: usize,
}

impl Store {
    /// Makes a job, unless there is one with its id; gives the one that is there, and whether it is new.
    pub async fn make_import(&self, new: NewImport) -> Result<(ImportJob, bool)> {
        let key = Key::from(new.organization);
        through!(self, write for key, |conn, ops| ops::imports::make(conn, &new))
    }

    /// One job, if it is there.
    pub async fn import(&self, organization: OrganizationId, id: ImportId) -> Result<Option<ImportJob>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::imports::find(conn, key, Key::from(id)))
    }

    /// A page of jobs, the newest first.
    pub async fn imports(&self, query: ImportQuery) -> Result<Page<ImportJob>> {
        through!(self, read for Key::from(query.organization), |conn, ops| ops::imports::list(conn, &query))
    }

    /// A page of what is said of a job's rows, in their order.
    pub async fn import_report(
        &self,
        organization: OrganizationId,
        id: ImportId,
        after: i64,
        limit: usize,
    ) -> Result<Page<ReportLine>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::imports::report(conn, key, Key::from(id), after, limit))
    }

    /// Begins a file that comes in pieces.
    pub async fn begin_file(&self, organization: OrganizationId, file: Uuid, now: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::imports::begin_file(conn, key, Key(file), now))
    }

    /// Keeps a piece of it.
    pub async fn keep_piece(
        &self,
        organization: OrganizationId,
        file: Uuid,
        n: i64,
        content: Vec<u8>,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::imports::keep_piece(conn, key, Key(file), n, &content))
    }

    /// A piece of a file; none after the last.
    pub async fn piece(&self, organization: OrganizationId, file: Uuid, n: i64) -> Result<Option<Vec<u8>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::imports::piece(conn, key, Key(file), n))
    }

    /// Gives a job that waits for it its file; says whether it was still waiting.
    pub async fn give_file(&self, organization: OrganizationId, id: ImportId, file: Uuid) -> Result<bool> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| {
            ops::imports::give_file(conn, key, Key::from(id), Key(file))
        })
    }

    /// Drops some pieces of a file that belongs to no job; says whether there are more.
    pub async fn drop_file(&self, organization: OrganizationId, file: Uuid) -> Result<bool> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::imports::drop_pieces(conn, key, Key(file)))
    }

    /// Stops a job that has not ended: at once, or after the slice that is being written.
    pub async fn cancel_import(
        &self,
        organization: OrganizationId,
        id: ImportId,
        now: Instant,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::imports::cancel(conn, key, Key::from(id), now))
    }

    /// The oldest job of an organization that has not ended, if nobody works at it; whoever asks does then.
    pub async fn lease_import(
        &self,
        organization: OrganizationId,
        holder: Uuid,
        now: Instant,
        until: Instant,
    ) -> Result<Option<ImportJob>> {
        let key = Key::from(organization);
        // Most of the time nothing waits, and asking for that must not write.
        let waits = through!(self, read for key, |conn, ops| ops::imports::free(conn, key, now))?;
        if waits.is_none() {
            return Ok(None);
        }
        through!(self, chore for key, |conn, ops| ops::imports::lease(conn, key, Key(holder), now, until))
    }

    /// Notes what a job has come to where nothing is written with it.
    pub async fn note_import(&self, lease: Lease, progress: ImportProgress) -> Result<()> {
        let key = Key::from(lease.organization);
        through!(self, chore for key, |conn, ops| ops::imports::note(conn, &lease, &progress))
    }

    /// Forgets some of what has expired by `now`; says whether there is more.
    pub async fn forget_imports(&self, organization: OrganizationId, now: Instant) -> Result<bool> {
        let key = Key::from(organization);
        let some = through!(self, read for key, |conn, ops| ops::imports::forgettable(conn, key, now))?;
        if !some {
            return Ok(false);
        }
        through!(self, chore for key, |conn, ops| ops::imports::forget(conn, key, now))
    }
}

/// What has to be known of records to judge a slice of rows.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Ids in other systems, each with the kind of record that has it.
    pub external: BTreeSet<(RecordKind, String, String)>,
    /// Records by their own ids.
    pub records: BTreeSet<Target>,
}

/// What is known of them, all of one moment.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// Which records have an id in another system.
    pub holders: BTreeMap<(RecordKind, String, String), BTreeSet<Uuid>>,
    /// The records that are there, each with the sites that have it in scope.
    pub records: BTreeMap<Target, (RecordView, BTreeSet<SiteId>)>,
}

impl Store {
    /// What is known of the records that a slice of rows names.
    pub async fn find_for_import(&self, organization: OrganizationId, wanted: Wanted) -> Result<Found> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::external_ids::find_for_import(conn, key, wanted))
    }
}
