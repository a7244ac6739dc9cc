//! Files that are brought in: jobs, what they come to, and reports.

mod files;

use diesel::prelude::*;
use model::{ImportId, Instant};

pub(crate) use self::files::{begin_file, drop_pieces, forget, forgettable, keep_piece, piece};
use super::super::Conn;
use super::{
    inserts,
    schema::{import_job, import_row},
};
use crate::{
    error::{Result, StoreError},
    imports::{
        IMPORT_STATES, ImportCounts, ImportJob, ImportProgress, ImportQuery, ImportState, Lease, NewImport,
        ReportLine, UNFINISHED_MOST,
    },
    key::Key,
    view::{Page, one_more},
};

/// A job as it is stored.
#[derive(Queryable, Selectable)]
#[diesel(table_name = import_job)]
struct JobRow {
    id: Key,
    author: Key,
    made_at: i64,
    expires_at: i64,
    state: String,
    records: String,
    mapping: String,
    all_or_none: i64,
    dry_run: i64,
    applies: Option<Key>,
    file: Option<Key>,
    rows_read: i64,
    rows_total: Option<i64>,
    created: i64,
    changed: i64,
    unchanged: i64,
    repeated: i64,
    refused: i64,
    failure: Option<String>,
    cancelling: i64,
    started_at: Option<i64>,
    finished_at: Option<i64>,
}

impl JobRow {
    fn job(self) -> Result<ImportJob> {
        let state = IMPORT_STATES.iter().find(|(word, _)| *word == self.state).map(|(_, state)| *state);
        Ok(ImportJob {
            id: self.id.id(),
            author: self.author.id(),
            made_at: Instant::from_micros(self.made_at),
            expires_at: Instant::from_micros(self.expires_at),
            state: state.ok_or_else(|| StoreError::corrupt("import")(&self.state))?,
            records: self.records,
            mapping: self.mapping,
            all_or_none: self.all_or_none != 0,
            dry_run: self.dry_run != 0,
            applies: self.applies.map(Key::id),
            file: self.file.map(|file| file.0),
            rows_read: self.rows_read,
            rows_total: self.rows_total,
            counts: ImportCounts {
                created: self.created,
                changed: self.changed,
                unchanged: self.unchanged,
                repeated: self.repeated,
                refused: self.refused,
            },
            failure: self.failure,
            cancelling: self.cancelling != 0,
            started_at: self.started_at.map(Instant::from_micros),
            finished_at: self.finished_at.map(Instant::from_micros),
        })
    }
}

/// Makes a job, unless there is one with its id, or too many are unfinished. One that writes what a dry run has judged begins
/// with the file of that.
pub(crate) fn make(conn: &mut Conn, new: &NewImport) -> Result<(ImportJob, bool)> {
    let (organization, id) = (Key::from(new.organization), Key::from(new.id));
    if let Some(job) = find(conn, organization, id)? {
        return Ok((job, false));
    }
    if unfinished(conn, organization, Key::from(new.author), new.made_at)? >= UNFINISHED_MOST {
        return Err(StoreError::TooManyImports);
    }
    let applied = new.applies.map(|dry| find(conn, organization, Key::from(dry))).transpose()?.flatten();
    let file = applied.as_ref().and_then(|job| job.file).map(Key);
    let state = if file.is_some() { ImportState::Queued } else { ImportState::WaitingForFile };
    diesel::insert_into(import_job::table)
        .values((
            (
                import_job::organization.eq(organization),
                import_job::id.eq(id),
                import_job::author.eq(Key::from(new.author)),
                import_job::made_at.eq(new.made_at.micros()),
                import_job::expires_at.eq(new.expires_at.micros()),
                import_job::state.eq(state.as_str()),
                import_job::records.eq(new.records),
                import_job::mapping.eq(&new.mapping),
                import_job::all_or_none.eq(i64::from(new.all_or_none)),
                import_job::dry_run.eq(i64::from(new.dry_run)),
                import_job::applies.eq(new.applies.map(Key::from)),
                import_job::file.eq(file),
            ),
            (
                import_job::rows_read.eq(0),
                import_job::created.eq(0),
                import_job::changed.eq(0),
                import_job::unchanged.eq(0),
                import_job::repeated.eq(0),
                import_job::refused.eq(0),
                import_job::reported.eq(0),
                import_job::cancelling.eq(0),
                import_job::lease_until.eq(0),
            ),
        ))
        .execute(conn)?;
    let made = find(conn, organization, id)?;
    made.map(|job| (job, true)).ok_or_else(|| StoreError::corrupt("import")(&"it is not there"))
}

/// How many jobs of somebody may yet come to something.
fn unfinished(conn: &mut Conn, organization: Key, author: Key, now: Instant) -> Result<i64> {
    let states = IMPORT_STATES.iter().filter(|(_, state)| !state.is_final()).map(|(word, _)| *word);
    Ok(import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::state.eq_any(states.collect::<Vec<_>>()))
        .filter(import_job::author.eq(author))
        .filter(import_job::expires_at.gt(now.micros()))
        .count()
        .get_result(conn)?)
}

/// One job.
pub(crate) fn find(conn: &mut Conn, organization: Key, id: Key) -> Result<Option<ImportJob>> {
    let row: Option<JobRow> =
        import_job::table.find((organization, id)).select(JobRow::as_select()).first(conn).optional()?;
    row.map(JobRow::job).transpose()
}

/// A page of jobs, the newest first, without those that have expired.
pub(crate) fn list(conn: &mut Conn, query: &ImportQuery) -> Result<Page<ImportJob>> {
    let mut after = query.after;
    loop {
        let mut page = kept(conn, query, after)?;
        after = page.items.last().map(|job| (job.made_at, job.id));
        // Asked of the database they would be read by that, and sorted.
        page.items.retain(|job: &ImportJob| job.expires_at > query.now);
        // A page of expired ones alone has no last one to go on from.
        if !page.more || !page.items.is_empty() {
            return Ok(page);
        }
    }
}

/// A page of jobs, expired ones among them.
fn kept(conn: &mut Conn, query: &ImportQuery, after: Option<(Instant, ImportId)>) -> Result<Page<ImportJob>> {
    let mut jobs = import_job::table
        .filter(import_job::organization.eq(Key::from(query.organization)))
        .order((import_job::made_at.desc(), import_job::id.desc()))
        .limit(one_more(query.limit))
        .select(JobRow::as_select())
        .into_boxed();
    if let Some(author) = query.author {
        jobs = jobs.filter(import_job::author.eq(Key::from(author)));
    }
    if let Some((made_at, id)) = after {
        let (made_at, id) = (made_at.micros(), Key::from(id));
        let beyond = import_job::made_at.lt(made_at).or(import_job::id.lt(id));
        jobs = jobs.filter(import_job::made_at.le(made_at)).filter(beyond);
    }
    let rows: Vec<JobRow> = jobs.load(conn)?;
    let jobs = rows.into_iter().map(JobRow::job).collect::<Result<_>>()?;
    Ok(Page::cut(jobs, query.limit))
}

/// A page of what is said of a job's rows.
pub(crate) fn report(
    conn: &mut Conn,
    organization: Key,
    job: Key,
    after: i64,
    limit: usize,
) -> Result<Page<ReportLine>> {
    let rows: Vec<RowRow> = import_row::table
        .filter(import_row::organization.eq(organization))
        .filter(import_row::job.eq(job))
        .filter(import_row::n.gt(after))
        .order(import_row::n)
        .limit(one_more(limit))
        .select(RowRow::as_select())
        .load(conn)?;
    let lines = rows.into_iter().map(|row| ReportLine {
        n: row.n,
        line: row.line,
        column: row.name,
        fate: row.fate,
        code: row.code,
        detail: row.detail,
        suggestion: row.suggestion,
    });
    Ok(Page::cut(lines.collect(), limit))
}

/// A line of a report as it is stored.
#[derive(Clone, Queryable, Selectable)]
#[diesel(table_name = import_row)]
pub(crate) struct RowRow {
    pub(crate) organization: Key,
    pub(crate) job: Key,
    pub(crate) n: i64,
    pub(crate) line: i64,
    pub(crate) name: Option<String>,
    pub(crate) fate: String,
    pub(crate) code: String,
    pub(crate) detail: String,
    pub(crate) suggestion: Option<String>,
}

/// Gives a job its file, if it still waits for one.
pub(crate) fn give_file(conn: &mut Conn, organization: Key, job: Key, file: Key) -> Result<bool> {
    let waiting = import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::id.eq(job))
        .filter(import_job::state.eq(ImportState::WaitingForFile.as_str()));
    let given = diesel::update(waiting)
        .set((import_job::file.eq(file), import_job::state.eq(ImportState::Queued.as_str())))
        .execute(conn)?;
    Ok(given > 0)
}

/// Stops a job: one that is worked at is only marked, and stops after its slice.
pub(crate) fn cancel(conn: &mut Conn, organization: Key, job: Key, now: Instant) -> Result<()> {
    let of_state = |states: [ImportState; 2]| {
        import_job::table
            .filter(import_job::organization.eq(organization))
            .filter(import_job::id.eq(job))
            .filter(import_job::state.eq_any(states.map(ImportState::as_str)))
    };
    diesel::update(of_state([ImportState::WaitingForFile, ImportState::Queued]))
        .set((
            import_job::state.eq(ImportState::Cancelled.as_str()),
            import_job::finished_at.eq(now.micros()),
        ))
        .execute(conn)?;
    diesel::update(of_state([ImportState::Running; 2])).set(import_job::cancelling.eq(1)).execute(conn)?;
    Ok(())
}

/// The oldest job that has not ended, with the end of the lease that somebody had of it, unless one is held.
pub(crate) fn free(conn: &mut Conn, organization: Key, now: Instant) -> Result<Option<(Key, i64)>> {
    // One state at a time, in each of which the index has the order.
    let mut oldest: Option<(i64, Key, i64)> = None;
    for state in [ImportState::Running, ImportState::Queued] {
        let found: Option<(i64, Key, i64)> = import_job::table
            .filter(import_job::organization.eq(organization))
            .filter(import_job::state.eq(state.as_str()))
            .order((import_job::made_at, import_job::id))
            .select((import_job::made_at, import_job::id, import_job::lease_until))
            .first(conn)
            .optional()?;
        oldest = match (oldest, found) {
            (Some(first), Some(other)) => Some(first.min(other)),
            (first, other) => first.or(other),
        };
        // While one is worked at, the others wait: a file of units may name sites of the file before it.
        if oldest.is_some_and(|(_, _, until)| until > now.micros()) {
            return Ok(None);
        }
    }
    Ok(oldest.map(|(_, id, until)| (id, until)))
}

/// Takes it.
pub(crate) fn lease(
    conn: &mut Conn,
    organization: Key,
    holder: Key,
    now: Instant,
    until: Instant,
) -> Result<Option<ImportJob>> {
    let Some((id, lease_until)) = free(conn, organization, now)? else { return Ok(None) };
    let still_free = import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::id.eq(id))
        .filter(import_job::lease_until.eq(lease_until))
        .filter(import_job::state.eq_any([ImportState::Queued.as_str(), ImportState::Running.as_str()]));
    let taken = diesel::update(still_free)
        .set((
            import_job::state.eq(ImportState::Running.as_str()),
            import_job::lease.eq(holder),
            import_job::lease_until.eq(until.micros()),
        ))
        .execute(conn)?;
    if taken == 0 {
        return Ok(None);
    }
    let unbegun = import_job::table.find((organization, id)).filter(import_job::started_at.is_null());
    diesel::update(unbegun).set(import_job::started_at.eq(now.micros())).execute(conn)?;
    find(conn, organization, id)
}

/// Notes what a job has come to; an error if the lease is not held any more, so that nothing is written with it.
pub(crate) fn note(conn: &mut Conn, lease: &Lease, progress: &ImportProgress) -> Result<()> {
    let (organization, id) = (Key::from(lease.organization), Key::from(lease.job));
    let held = import_job::table
        .filter(import_job::organization.eq(organization))
        .filter(import_job::id.eq(id))
        .filter(import_job::lease.eq(Key(lease.holder)))
        .filter(import_job::state.eq(ImportState::Running.as_str()));
    let counts = &progress.counts;
    let lines = i64::try_from(progress.lines.len()).unwrap_or(i64::MAX);
    let reported: Option<i64> = diesel::update(held)
        .set((
            import_job::rows_read.eq(import_job::rows_read + progress.rows),
            import_job::created.eq(import_job::created + counts.created),
            import_job::changed.eq(import_job::changed + counts.changed),
            import_job::unchanged.eq(import_job::unchanged + counts.unchanged),
            import_job::repeated.eq(import_job::repeated + counts.repeated),
            import_job::refused.eq(import_job::refused + counts.refused),
            import_job::reported.eq(import_job::reported + lines),
            import_job::lease_until.eq(lease.until.micros()),
        ))
        .returning(import_job::reported)
        .get_result(conn)
        .optional()?;
    let Some(reported) = reported else { return Err(StoreError::LeaseLost) };
    if let Some(total) = progress.rows_total {
        let job = import_job::table.find((organization, id));
        diesel::update(job).set(import_job::rows_total.eq(total)).execute(conn)?;
    }
    if let Some((state, failure)) = &progress.end {
        diesel::update(import_job::table.find((organization, id)))
            .set((
                import_job::state.eq(state.as_str()),
                import_job::failure.eq(failure.as_deref()),
                import_job::finished_at.eq(lease.now.micros()),
                import_job::expires_at.eq(lease.expires_at.micros()),
            ))
            .execute(conn)?;
    }
    let rows = progress.lines.iter().zip(reported - lines + 1..).map(|(line, n)| RowRow {
        organization,
        job: id,
        n,
        line: line.line,
        name: line.column.clone(),
        fate: line.fate.to_owned(),
        code: line.code.clone(),
        detail: line.detail.clone(),
        suggestion: line.suggestion.clone(),
    });
    Ok(inserts::import_rows(conn, &rows.collect::<Vec<_>>())?)
}
