//! What a handset is answered about each of its edits.

use std::collections::BTreeSet;

use merge::Flag;
use model::{
    Instant,
    read::{FieldError, Flaw},
};
use serde::Serialize;
use serde_json::{Value, json};
use store::{
    command::{Outcome, Refusal, Warning, Written},
    sent::Fate,
};
use utoipa::ToSchema;

use crate::{
    intake,
    openapi::{EventWarning, Problem},
    problem::{ApiError, ApiResult, Kind},
};

/// What became of one edit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SyncResult {
    /// The edit's id, as sent; absent where it has none that can be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = "uuid")]
    id: Option<String>,
    /// `applied`: recorded; `already_applied`: recorded before, with the same content; `contested`: recorded, and somebody
    /// else who did not know of it set the same fields; `parked`: it waits for what it names; `held`: it waits for a
    /// person; `refused`: it is never recorded.
    #[schema(example = "applied")]
    result: &'static str,
    /// The version that the record has by it; of a service event 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1)]
    version: Option<i64>,
    /// When it was recorded, if it is a service event: the handset adds it to what it sent, and has what others are told.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    recorded_at: Option<Instant>,
    /// The tag that the record has by it; absent for service events.
    #[serde(skip_serializing_if = "Option::is_none")]
    etag: Option<String>,
    /// The fields that are contested by it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    contested: Vec<String>,
    /// What is doubtful about a recorded event, with pointers into the request.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<EventWarning>, required = false)]
    warnings: Vec<Value>,
    /// What its handset and coordinators should know: `clock_suspect`, `late_scope`, `forked`, `after_revocation`,
    /// `time_doubtful`, `possible_duplicate` (another record has the id in another system that it gives).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    flags: Vec<&'static str>,
    /// Why it is parked, held or refused.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "missing_parent")]
    reason: Option<&'static str>,
    /// Why it is refused: the problem that it would have got alone, with pointers into the request.
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<Problem>,
}

/// The result of an edit that was judged.
pub(crate) fn of(n: usize, id: Option<&str>, outcome: Option<&Outcome>) -> ApiResult<SyncResult> {
    let outcome = outcome.ok_or_else(|| ApiError::internal("an edit without an outcome"))?;
    Ok(match outcome {
        Outcome::Applied(written) => taken(n, id, "applied", written),
        Outcome::AlreadyApplied(written) => taken(n, id, "already_applied", written),
        Outcome::OfHandset(Fate::Taken { written, contested, flags }) => {
            let result = if contested.is_empty() { "applied" } else { "contested" };
            SyncResult { contested: contested.clone(), ..noted(flags, taken(n, id, result, written)) }
        }
        Outcome::OfHandset(Fate::Parked(reason)) => waits(id, "parked", reason.as_str()),
        Outcome::OfHandset(Fate::Held { reason, flags }) => noted(flags, waits(id, "held", reason.as_str())),
        Outcome::OfHandset(Fate::Released { written, flags }) => {
            noted(flags, taken(n, id, "already_applied", written))
        }
        Outcome::OfHandset(Fate::RefusedByPerson { flags }) => {
            noted(flags, waits(id, "refused", "refused_by_person"))
        }
        Outcome::Refused(refusal) => refused(n, id, refusal.code(), &problem(refusal)),
    })
}

fn noted(flags: &BTreeSet<Flag>, result: SyncResult) -> SyncResult {
    SyncResult { flags: flags.iter().copied().map(Flag::as_str).collect(), ..result }
}

/// The result of an edit that cannot be read; `error` says why, unless its format is newer.
pub(crate) fn of_unread(
    n: usize,
    id: Option<&str>,
    outcome: Option<&Outcome>,
    error: Option<&ApiError>,
) -> ApiResult<SyncResult> {
    match (outcome, error) {
        (Some(Outcome::Refused(Refusal::Unreadable)), Some(error)) => Ok(refused(n, id, "invalid", error)),
        _ => of(n, id, outcome),
    }
}

/// The result of an edit that is not recorded.
pub(crate) fn refused(n: usize, id: Option<&str>, reason: &'static str, error: &ApiError) -> SyncResult {
    let mut problem = error.problem(None);
    for error in &mut problem.errors {
        let of_edit = error.pointer.as_deref().filter(|pointer| !pointer.starts_with("/edits/"));
        if let Some(pointer) = of_edit {
            error.pointer = Some(format!("/edits/{n}/body{pointer}"));
        }
    }
    SyncResult { reason: Some(reason), problem: Some(problem), ..result(id, "refused") }
}

/// The `n`th edit, which is larger than any may be.
pub(crate) fn too_large(n: usize, bytes: usize) -> ApiError {
    let flaw = Flaw::new("content_too_large", format!("An edit has at most {bytes} bytes."));
    ApiError::new(Kind::TooLarge).errors(vec![FieldError::at(format!("/edits/{n}"), flaw)])
}

fn problem(refusal: &Refusal) -> ApiError {
    intake::refused(refusal.clone())
}

fn taken(n: usize, id: Option<&str>, word: &'static str, written: &Written) -> SyncResult {
    let result = result(id, word);
    match written {
        Written::Record(view) => {
            SyncResult { version: Some(view.version), etag: Some(view.etag.to_string()), ..result }
        }
        Written::Event(view, warnings) => SyncResult {
            version: Some(1),
            recorded_at: Some(view.recorded_at),
            warnings: warnings.iter().map(|warning| placed(n, warning)).collect(),
            ..result
        },
        Written::Edition(_) => result,
    }
}

fn waits(id: Option<&str>, word: &'static str, reason: &'static str) -> SyncResult {
    SyncResult { reason: Some(reason), ..result(id, word) }
}

fn result(id: Option<&str>, result: &'static str) -> SyncResult {
    SyncResult {
        id: id.map(str::to_owned),
        result,
        version: None,
        recorded_at: None,
        etag: None,
        contested: Vec::new(),
        warnings: Vec::new(),
        flags: Vec::new(),
        reason: None,
        problem: None,
    }
}

fn placed(n: usize, warning: &Warning) -> Value {
    let mut value = json!(warning);
    if let Some(members) = value.as_object_mut() {
        let pointer = format!("/edits/{n}/body{}", warning.pointer);
        members.insert("pointer".to_owned(), Value::from(pointer));
    }
    value
}
