//! What is wrong with a file, told to the person who has it open in front of them.

use serde::{Deserialize, Serialize};

/// One thing wrong with a row, or with the file as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Complaint {
    /// The physical line where the row begins, counted from 1; for NDJSON the line of the object.
    pub line: u64,
    /// The heading of the column, or the member of the object; none where it is the row that is wrong.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// A stable code for programs.
    pub code: String,
    /// A sentence for people.
    pub detail: String,
    /// What to write instead; readings between which only a person can decide are joined by ` or `.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub suggestion: Option<String>,
}

/// Why nothing more of a file can be read.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// The bytes could not be had.
    #[error("the file could not be read: {0}")]
    Unreadable(#[from] std::io::Error),
    /// The file itself is wrong: its headings, its size, its encoding.
    #[error("the file is refused: {}", .0.first().map_or("", |complaint| complaint.detail.as_str()))]
    Refused(Vec<Complaint>),
}

/// A row is told so many complaints at most; one more says that there are more.
pub const COMPLAINTS_MOST: usize = 100;

impl Complaint {
    /// A complaint about a whole row or file.
    pub fn of_row(line: u64, code: &str, detail: impl Into<String>) -> Self {
        Self { line, column: None, code: code.to_owned(), detail: detail.into(), suggestion: None }
    }

    /// A complaint about one column.
    pub fn of_column(line: u64, column: &str, code: &str, detail: impl Into<String>) -> Self {
        Self { column: Some(shortened(column)), ..Self::of_row(line, code, detail) }
    }

    /// The complaints as they are told: not more than [`COMPLAINTS_MOST`], and that there are more.
    pub(crate) fn listed(mut all: Vec<Self>) -> Vec<Self> {
        if all.len() > COMPLAINTS_MOST {
            all.truncate(COMPLAINTS_MOST);
            let line = all.first().map_or(1, |first| first.line);
            all.push(Self::of_row(line, "more_errors", "There are more errors than are listed here."));
        }
        all
    }

    /// The same with what to write instead.
    #[must_use]
    pub fn suggesting(self, suggestion: Option<String>) -> Self {
        Self { suggestion, ..self }
    }
}

/// Text of the file, cut to what is fit to be repeated.
pub(crate) fn shortened(text: &str) -> String {
    if text.chars().count() <= 100 {
        text.to_owned()
    } else {
        text.chars().take(100).chain(['…']).collect()
    }
}
