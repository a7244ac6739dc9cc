//! What became of rows: counts, and what is to be said of those that are not plainly fine.

use import::{Complaint, Wish};
use model::read::{FieldError, Flaw};
use store::{
    command::{Outcome, Refusal, Warning, Written},
    imports::{ImportCounts, ImportLine, ImportProgress},
};

/// A row of a slice, as far as it is judged before its edits are.
pub(super) enum Judged {
    /// It was refused.
    Refused(Vec<Complaint>),
    /// The record says all that already.
    Unchanged,
    /// It is an edit, the next one of the slice.
    Edit {
        /// What the row asks for, without its body.
        wish: Wish,
        /// What the edit would do.
        does: Does,
    },
}

/// What an edit of a row does.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Does {
    /// It makes a record.
    Make,
    /// It changes one.
    Change,
    /// It records an event.
    Record,
}

/// What is noted of rows, given what became of their edits.
pub(super) fn of_slice(rows: &[Judged], outcomes: &[Outcome]) -> ImportProgress {
    let mut progress =
        ImportProgress { rows: i64::try_from(rows.len()).unwrap_or(i64::MAX), ..ImportProgress::default() };
    let mut outcomes = outcomes.iter();
    for row in rows {
        let (counts, lines) = (&mut progress.counts, &mut progress.lines);
        match row {
            Judged::Unchanged => counts.unchanged += 1,
            Judged::Refused(complaints) => {
                counts.refused += 1;
                lines.extend(complaints.iter().map(|complaint| line(complaint, "refused")));
            }
            Judged::Edit { wish, does } => of_edit(wish, *does, outcomes.next(), counts, lines),
        }
    }
    progress
}

fn of_edit(
    wish: &Wish,
    does: Does,
    outcome: Option<&Outcome>,
    counts: &mut ImportCounts,
    lines: &mut Vec<ImportLine>,
) {
    match (outcome, does) {
        (Some(Outcome::Applied(written)), does) => {
            let (count, fate) = match does {
                Does::Make | Does::Record => (&mut counts.created, "created"),
                Does::Change => (&mut counts.changed, "changed"),
            };
            *count += 1;
            if let Written::Event(_, warnings) = written {
                lines.extend(warnings.iter().map(|warning| line(&warned(wish, warning), fate)));
            }
        }
        (Some(Outcome::AlreadyApplied(_)), Does::Record) => counts.repeated += 1,
        (Some(Outcome::AlreadyApplied(_)), Does::Make | Does::Change) => counts.unchanged += 1,
        // Another row is to blame, and told.
        (Some(Outcome::Refused(Refusal::WithGroup)), _) => {}
        (Some(Outcome::Refused(refusal)), does) => {
            counts.refused += 1;
            lines.extend(refused(wish, does, refusal).iter().map(|complaint| line(complaint, "refused")));
        }
        (Some(Outcome::OfHandset(_)) | None, _) => counts.refused += 1,
    }
}

/// What is said of a row whose edit was refused.
fn refused(wish: &Wish, does: Does, refusal: &Refusal) -> Vec<Complaint> {
    let whole = |detail: &str| vec![Complaint::of_row(wish.line, refusal.code(), detail)];
    match refusal {
        Refusal::Invalid(errors) | Refusal::ExternalIdTaken(errors) => wish.complain(errors),
        Refusal::Forbidden if does == Does::Change => whole("You may not change this record."),
        Refusal::Forbidden => whole("You may not record this there."),
        Refusal::NotFound => whole("There is nothing of this kind with this id."),
        Refusal::Stale(_) => {
            whole("Somebody has changed the record at the same time: bring the row in once more.")
        }
        Refusal::IdReused(_) if does == Does::Record => whole(
            "An event of the same unit, time and work was recorded before with another note. What was recorded stays: record a correction of it, or give the row an id of its own if it is another event.",
        ),
        Refusal::IdReused(_) => whole("This id was used before for something else."),
        Refusal::Exists => {
            whole("There is a record with this id, which you may not see or which is of another kind.")
        }
        Refusal::OtherHandset | Refusal::WithGroup | Refusal::Unreadable => whole("It cannot be recorded."),
    }
}

/// What is doubtful of an event that was recorded all the same.
fn warned(wish: &Wish, warning: &Warning) -> Complaint {
    let error = FieldError::at(warning.pointer, Flaw::new(warning.code, warning.detail.clone()));
    let complaint = wish.complain(&[error]).into_iter().next();
    let complaint =
        complaint.unwrap_or_else(|| Complaint::of_row(wish.line, warning.code, warning.detail.clone()));
    let suggested = warning.suggested_meter_hours.and_then(|hours| serde_json::to_string(&hours).ok());
    complaint.suggesting(suggested)
}

/// What is wrong with a row or a file, as a line of the report.
pub(super) fn line(complaint: &Complaint, fate: &'static str) -> ImportLine {
    ImportLine {
        line: i64::try_from(complaint.line).unwrap_or(i64::MAX),
        column: complaint.column.clone(),
        fate,
        code: complaint.code.clone(),
        detail: complaint.detail.clone(),
        suggestion: complaint.suggestion.clone(),
    }
}
