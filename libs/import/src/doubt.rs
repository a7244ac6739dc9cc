//! What is wrong with one cell, before it is known where the cell stands.

use model::read::Flaw;

use crate::{Complaint, complaint::shortened};

/// What is wrong with one cell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Doubt {
    pub(crate) code: &'static str,
    pub(crate) detail: String,
    pub(crate) suggestion: Option<String>,
}

impl Doubt {
    pub(crate) fn new(code: &'static str, detail: impl Into<String>) -> Self {
        Self { code, detail: detail.into(), suggestion: None }
    }

    pub(crate) fn suggesting(self, suggestion: impl Into<String>) -> Self {
        Self { suggestion: Some(shortened(&suggestion.into())), ..self }
    }

    /// Between these only a person can decide.
    pub(crate) fn between(self, readings: &[String]) -> Self {
        self.suggesting(readings.join(" or "))
    }

    /// Places it; without a column the member is told.
    pub(crate) fn at(self, line: u64, column: Option<&str>, member: &str) -> Complaint {
        let found = match column {
            Some(column) => Complaint::of_column(line, column, self.code, self.detail),
            None => Complaint::of_row(line, self.code, format!("{member}: {}", self.detail)),
        };
        found.suggesting(self.suggestion)
    }
}

impl From<Flaw> for Doubt {
    fn from(flaw: Flaw) -> Self {
        Self::new(flaw.code, flaw.detail)
    }
}
