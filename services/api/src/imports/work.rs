//! Going through a job: its rows are counted first, so that a broken file changes nothing, and then taken slice by slice.

mod ahead;
mod reading;

use std::{sync::Arc, time::Duration};

use access::{Action, Object};
use actix_web::{ResponseError, http::StatusCode};
use import::{FileError, Mapping};
use model::{ImportId, Instant, OrganizationId, edit::Channel};
use store::{
    Command, StoreError,
    command::{Outcome, Proposal},
    imports::{ImportCounts, ImportJob, ImportProgress, ImportState, Lease, Slice},
};
use uuid::Uuid;

use self::{
    ahead::{Ahead, Next, Ready},
    reading::Counted,
};
use super::{
    Bench, DRY_ROWS, LEASE_SECONDS, SLICE_ROWS, TOGETHER_ROWS_MOST,
    fates::{self, Judged},
    judge::Memory,
};
use crate::{
    extract::Caller,
    problem::{ApiError, ApiResult},
    sync::again,
};

/// How long to wait before a database that is busy is asked again.
const BUSY: Duration = Duration::from_millis(200);
/// How often it is asked before the job is left to be taken over.
const TRIES: usize = 50;
/// How long a job is left alone whose database could not be had.
const LATER_SECONDS: i64 = 5;

/// Sees to it that a job is gone through, and those of its organization before it: by this instance, or by another that was
/// faster.
pub(crate) async fn lease_and_work(
    bench: &Bench,
    organization: OrganizationId,
    id: ImportId,
    holder: Uuid,
) -> ApiResult<()> {
    let mut tries = 0;
    loop {
        let now = bench.clock.now();
        let until = now.plus_seconds(LEASE_SECONDS);
        match bench.store.lease_import(organization, holder, now, until).await? {
            Some(job) => match work(bench, organization, job, holder).await {
                // It may be had again soon.
                Err(error) if error.status_code() == StatusCode::SERVICE_UNAVAILABLE && tries < TRIES => {
                    tries += 1;
                    tokio::time::sleep(BUSY).await;
                }
                ended => ended?,
            },
            None => tokio::time::sleep(BUSY).await,
        }
        let job = bench.store.import(organization, id).await?;
        if job.is_none_or(|job| job.state.is_final()) {
            return Ok(());
        }
    }
}

/// Goes through a job that this instance has leased, to its end unless another instance takes it over.
pub(crate) async fn work(
    bench: &Bench,
    organization: OrganizationId,
    job: ImportJob,
    holder: Uuid,
) -> ApiResult<()> {
    let going = Going { bench, organization, job, holder };
    match going.go().await {
        Err(Stopped::TakenOver) => {
            tracing::info!(import.id = %going.job.id, "another instance goes on with this import");
            Ok(())
        }
        Err(Stopped::Later(error)) => {
            going.leave().await;
            Err(error)
        }
        // Tried again it would fail again, and keep those behind it waiting.
        Err(Stopped::Broken(error)) => {
            let end = Some((ImportState::Failed, Some("internal".to_owned())));
            going.note(ImportProgress { end, ..ImportProgress::default() }).await.ok();
            Err(error)
        }
        Ok(()) => Ok(()),
    }
}

/// A job that is gone through.
struct Going<'b> {
    bench: &'b Bench,
    organization: OrganizationId,
    job: ImportJob,
    holder: Uuid,
}

/// What is read, and how.
struct Source {
    file: Uuid,
    mapping: Mapping,
}

/// Why this instance does not go on.
enum Stopped {
    /// Another one does.
    TakenOver,
    /// The database cannot be had now; the job is taken up again when its lease is over.
    Later(ApiError),
    /// Something is wrong on our side.
    Broken(ApiError),
}

impl From<StoreError> for Stopped {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::LeaseLost => Self::TakenOver,
            error => ApiError::from(error).into(),
        }
    }
}

impl From<ApiError> for Stopped {
    fn from(error: ApiError) -> Self {
        if error.status_code() == StatusCode::SERVICE_UNAVAILABLE {
            Self::Later(error)
        } else {
            Self::Broken(error)
        }
    }
}

/// How a job ends.
type End = (ImportState, Option<String>);

impl Going<'_> {
    async fn go(&self) -> Result<(), Stopped> {
        let (Some(file), Ok(mapping)) = (self.job.file, Mapping::parse(self.job.mapping.as_bytes())) else {
            let why = "an import without a file, or with a mapping that cannot be read";
            return Err(Stopped::Broken(ApiError::internal(why)));
        };
        let source = Source { file, mapping };
        if self.job.all_or_none {
            return self.all_or_none(&source).await;
        }
        if self.job.rows_total.is_none() {
            match self.count(&source, 0).await? {
                Ok(counted) => {
                    let rows_total = Some(counted.rows);
                    self.note(ImportProgress { rows_total, ..ImportProgress::default() }).await?;
                }
                Err(error) => return self.refuse_file(error).await,
            }
        }
        let mut ahead = Ahead::of(self, &source);
        let mut next = ahead.next(self).await?;
        loop {
            match next {
                Next::Slice(ready) => {
                    // While one is written the one after it is judged. A row that names a record which the slice before makes,
                    // and by another of its ids, does not find it, as it would not within one slice.
                    let (written, judged) = tokio::join!(self.write(*ready, false), ahead.next(self));
                    written?;
                    next = judged?;
                }
                Next::Unreadable(error) => return self.refuse_file(error).await,
                Next::End(end) => return self.end(end).await,
            }
        }
    }

    /// Takes all rows in one transaction, or none.
    async fn all_or_none(&self, source: &Source) -> Result<(), Stopped> {
        let Counted { rows, kept } = match self.count(source, TOGETHER_ROWS_MOST + 1).await? {
            Ok(counted) => counted,
            Err(error) => return self.refuse_file(error).await,
        };
        self.note(ImportProgress { rows_total: Some(rows), ..ImportProgress::default() }).await?;
        if kept.len() > TOGETHER_ROWS_MOST {
            let detail = format!("At most {TOGETHER_ROWS_MOST} rows are taken together or not at all.");
            let complaint = import::Complaint::of_row(0, "too_many_rows", detail);
            return self.refuse_file(FileError::Refused(vec![complaint])).await;
        }
        match self.may_go_on().await? {
            Ok(caller) => {
                let ready = Ready::judge(self, &mut Memory::default(), caller, kept).await?;
                self.write(ready, true).await
            }
            Err(end) => self.end(end).await,
        }
    }

    /// Counts the rows, keeping the first `kept` of them, or says why the file cannot be read to its end.
    async fn count(&self, source: &Source, kept: usize) -> Result<Result<Counted, FileError>, Stopped> {
        let counting = reading::count(self.bench, self.organization, source, kept);
        tokio::pin!(counting);
        let mut renew = tokio::time::interval(Duration::from_secs(LEASE_SECONDS.unsigned_abs() / 4));
        loop {
            tokio::select! {
                counted = &mut counting => return Ok(counted?),
                _ = renew.tick() => self.note(ImportProgress::default()).await?,
            }
        }
    }

    /// The author with what they may do by now, unless the job is to be stopped.
    async fn may_go_on(&self) -> Result<Result<Caller, End>, Stopped> {
        let store = &self.bench.store;
        let job = store.import(self.organization, self.job.id).await?;
        if job.is_some_and(|job| job.cancelling) {
            return Ok(Err((ImportState::Cancelled, None)));
        }
        let (author, now) = (self.job.author, self.bench.clock.now());
        let grants = store.grants(self.organization, author).await?;
        let caller = Caller::of(self.organization, author, grants, now);
        if caller.require(Action::Import, &Object::of(self.organization)).is_err() {
            return Ok(Err((ImportState::Failed, Some("forbidden".to_owned()))));
        }
        Ok(Ok(caller))
    }

    /// Writes what the rows of a slice ask for; all of them, where they are taken together.
    async fn write(&self, ready: Ready, together: bool) -> Result<(), Stopped> {
        let Ready { caller, judged, edits } = ready;
        let (caller, judged) = (&caller, Arc::new(judged));
        let any_refused = judged.iter().any(|row| matches!(row, Judged::Refused(_)));
        // A dry run says of every row what would become of it, whatever is wrong with others.
        if edits.is_empty() || together && any_refused && !self.job.dry_run {
            let told: Vec<Judged> = Arc::into_inner(judged).unwrap_or_default();
            let rows = i64::try_from(told.len()).unwrap_or(i64::MAX);
            let progress = fates::of_slice(&only_refused(told, together && any_refused), &[]);
            return self.note(ended(ImportProgress { rows, ..progress }, together)).await;
        }
        let note = {
            let judged = Arc::clone(&judged);
            move |outcomes: &[Outcome]| ended(fates::of_slice(&judged, outcomes), together)
        };
        if self.job.dry_run {
            let command = self.command(caller, edits, together && !any_refused, None);
            let (outcomes, _) = self.bench.store.foresee(command).await?;
            return self.note(note(&outcomes)).await;
        }
        let note: Arc<store::imports::Note> = Arc::new(note);
        for _ in 0..TRIES {
            let slice = Slice { lease: self.lease(), note: Arc::clone(&note) };
            let command = self.command(caller, edits.clone(), together, Some(slice));
            match self.bench.store.push(command).await {
                Err(StoreError::Busy) => tokio::time::sleep(BUSY).await,
                Err(error) => return Err(error.into()),
                Ok(recorded) => {
                    let now = self.bench.clock.now();
                    again::quietly(&self.bench.store, self.organization, recorded.ready, now).await;
                    return Ok(());
                }
            }
        }
        Err(StoreError::Busy.into())
    }

    fn command(
        &self,
        caller: &Caller,
        edits: Vec<Proposal>,
        together: bool,
        slice: Option<Slice>,
    ) -> Command {
        Command {
            organization: self.organization,
            author: self.job.author,
            channel: Channel::Import,
            now: self.bench.clock.now(),
            edits,
            permit: caller.permit(),
            dry_run: self.job.dry_run,
            calling: None,
            together,
            slice,
        }
    }

    fn lease(&self) -> Lease {
        let now: Instant = self.bench.clock.now();
        Lease {
            organization: self.organization,
            job: self.job.id,
            holder: self.holder,
            now,
            until: now.plus_seconds(LEASE_SECONDS),
            expires_at: self.bench.expiry(),
        }
    }

    async fn note(&self, progress: ImportProgress) -> Result<(), Stopped> {
        for _ in 0..TRIES {
            match self.bench.store.note_import(self.lease(), progress.clone()).await {
                Err(StoreError::Busy) => tokio::time::sleep(BUSY).await,
                noted => return Ok(noted?),
            }
        }
        Err(StoreError::Busy.into())
    }

    /// Has the job taken up again soon, by whoever comes first; if that cannot be said, when the lease is over.
    async fn leave(&self) {
        let lease = self.lease();
        let until = lease.now.plus_seconds(LATER_SECONDS);
        self.bench.store.note_import(Lease { until, ..lease }, ImportProgress::default()).await.ok();
    }

    async fn end(&self, end: End) -> Result<(), Stopped> {
        if end.0 == ImportState::Failed {
            let reason = end.1.as_deref().unwrap_or_default();
            tracing::error!(import.id = %self.job.id, reason, "an import has failed");
        }
        self.note(ImportProgress { end: Some(end), ..ImportProgress::default() }).await
    }

    /// Ends a job whose file cannot be read.
    async fn refuse_file(&self, error: FileError) -> Result<(), Stopped> {
        let complaints = match error {
            FileError::Refused(complaints) => complaints,
            FileError::Unreadable(error) => return Err(unreadable(error).into()),
        };
        let lines = complaints.iter().map(|complaint| fates::line(complaint, "refused")).collect();
        let end = Some((ImportState::Refused, None));
        self.note(ImportProgress { lines, end, ..ImportProgress::default() }).await
    }
}

/// What it means that a piece of the file could not be had: mostly that the database could not.
fn unreadable(error: std::io::Error) -> ApiError {
    match error.downcast::<StoreError>() {
        Ok(error) => error.into(),
        Err(error) => ApiError::internal(error),
    }
}

/// Of rows that are taken together and are not, only those that are to blame are told.
fn only_refused(judged: Vec<Judged>, only: bool) -> Vec<Judged> {
    judged.into_iter().filter(|row| !only || matches!(row, Judged::Refused(_))).collect()
}

/// Rows that are taken together are the whole job: it ends with them.
fn ended(mut progress: ImportProgress, together: bool) -> ImportProgress {
    if together {
        let refused = progress.counts.refused > 0;
        if refused {
            // What the other rows would have come to is nothing.
            progress.counts = ImportCounts { refused: progress.counts.refused, ..ImportCounts::default() };
            progress.lines.retain(|line| line.fate == "refused");
        }
        let state = if refused { ImportState::Refused } else { ImportState::Done };
        progress.end = Some((state, None));
    }
    progress
}
