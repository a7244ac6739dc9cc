//! What imports look like on the way in and out.

use model::{ImportId, Instant, PersonId};
use serde::Serialize;
use serde_json::Value;
use store::imports::{ImportJob, ReportLine};
use utoipa::ToSchema;

/// How a file is to be brought in.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct ImportNew {
    /// An id of your own, a UUID; absent means that the service makes one.
    #[schema(value_type = Option<String>, format = "uuid")]
    id: Option<String>,
    /// The mapping file: what the rows are (`records`: `sites`, `units`, `service_events` or `readings`), how the file is written
    /// (`format`, `encoding`, `delimiter`, `decimal`, `dates`, `zone`, `skip_lines`, `header_lines`), whose ids it has
    /// (`system`), and which column is which (`columns`, `constants`, `ignore`). Only `records` must be there.
    #[schema(value_type = Object, example = json!({"records": "units", "system": "office_list", "columns": {"Asset no.": "external_id"}}))]
    mapping: Value,
    /// `skip_row`: a row that is refused is told of, and the others are taken. `refuse_all`: all rows are taken, 5,000 at most, or
    /// none. Absent means `skip_row`.
    #[schema(example = "skip_row")]
    on_error: Option<String>,
    /// `true`: judge every row and write nothing. Such a file can be applied afterwards without being sent again.
    dry_run: Option<bool>,
}

/// A file that is brought in.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Import {
    /// Its id.
    #[schema(value_type = String, format = "uuid")]
    id: ImportId,
    /// Who brings it in; its rows are written in their name.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
    /// The mapping file.
    #[schema(value_type = Object)]
    mapping: Value,
    /// `skip_row` or `refuse_all`.
    #[schema(example = "skip_row")]
    on_error: &'static str,
    /// Whether nothing is written.
    dry_run: bool,
    /// The dry run whose file it writes.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    applies: Option<ImportId>,
    /// `waiting_for_file`, `queued`, `running`; `done`; `refused` (nothing was written, because of what is wrong with the file or
    /// with one of its rows), `failed` (see `failure`), `cancelled`.
    #[schema(example = "done")]
    state: &'static str,
    /// Rows that were judged so far.
    #[schema(example = 60)]
    rows_read: i64,
    /// Rows that there are, once they were counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 60)]
    rows_total: Option<i64>,
    /// What became of them.
    counts: ImportedCounts,
    /// Why it failed: `forbidden`, where its author may not bring in files any more, or `internal`, where something is wrong on
    /// our side.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "forbidden")]
    failure: Option<String>,
    /// When it was made.
    #[schema(value_type = String, format = DateTime)]
    made_at: Instant,
    /// When it was begun.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    started_at: Option<Instant>,
    /// When it ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    finished_at: Option<Instant>,
    /// When its file and its report are forgotten.
    #[schema(value_type = String, format = DateTime)]
    expires_at: Instant,
}

/// How many rows came to what; in a dry run, how many would.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ImportedCounts {
    /// New sites, units or events.
    created: i64,
    /// Sites or units that were there and are others now.
    changed: i64,
    /// Sites or units that were there and say the same.
    unchanged: i64,
    /// Events that were recorded before.
    repeated: i64,
    /// Rows that were not taken.
    refused: i64,
}

/// A page of files that are brought in.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Imports {
    /// The files, the newest first.
    pub(super) items: Vec<Import>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) next: Option<String>,
}

/// Something to be said of a row.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ImportRow {
    /// The line of the file where the row begins, counted from 1; 0 for what is wrong with the file as a whole.
    #[schema(example = 12)]
    line: i64,
    /// The heading of the column, where one is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "Hours")]
    column: Option<String>,
    /// What became of the row: `refused`, or `created` or `changed` with something doubtful about it.
    #[schema(example = "refused")]
    fate: String,
    /// Why.
    #[schema(example = "ambiguous_number")]
    code: String,
    /// The same for people.
    #[schema(example = "The number can be read in two ways.")]
    detail: String,
    /// What to write instead.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "1234 or 1.234")]
    suggestion: Option<String>,
}

/// A page of what is said of rows.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ImportRows {
    /// One or more for each row that is not plainly fine, in the order of the file.
    pub(super) items: Vec<ImportRow>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) next: Option<String>,
}

/// That a dry run is to be written.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct ImportApply {
    /// An id of your own for the new import, a UUID; absent means that the service makes one.
    #[schema(value_type = Option<String>, format = "uuid")]
    id: Option<String>,
}

/// The words for what becomes of the others where a row is refused.
const SKIP_ROW: &str = "skip_row";
const REFUSE_ALL: &str = "refuse_all";
/// The words for whether all rows are taken or none.
pub(super) const ON_ERROR: &[(&str, bool)] = &[(SKIP_ROW, false), (REFUSE_ALL, true)];

impl From<ImportJob> for Import {
    fn from(job: ImportJob) -> Self {
        let counts = job.counts;
        Self {
            id: job.id,
            author: job.author,
            mapping: serde_json::from_str(&job.mapping).unwrap_or_default(),
            on_error: if job.all_or_none { REFUSE_ALL } else { SKIP_ROW },
            dry_run: job.dry_run,
            applies: job.applies,
            state: job.state.as_str(),
            rows_read: job.rows_read,
            rows_total: job.rows_total,
            counts: ImportedCounts {
                created: counts.created,
                changed: counts.changed,
                unchanged: counts.unchanged,
                repeated: counts.repeated,
                refused: counts.refused,
            },
            failure: job.failure,
            made_at: job.made_at,
            started_at: job.started_at,
            finished_at: job.finished_at,
            expires_at: job.expires_at,
        }
    }
}

impl From<ReportLine> for ImportRow {
    fn from(line: ReportLine) -> Self {
        let ReportLine { line, column, fate, code, detail, suggestion, .. } = line;
        Self { line, column, fate, code, detail, suggestion }
    }
}
