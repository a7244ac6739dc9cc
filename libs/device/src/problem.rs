//! What is wrong with a question, as the service says it.

use model::read::{FieldError, Flaw, listed};
use serde::Serialize;

/// Why a question has no answer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Names the kind of problem.
    #[serde(rename = "type")]
    pub kind: ProblemKind,
    /// The kind in a few words, always the same.
    pub title: &'static str,
    /// The HTTP status that the service gives it.
    pub status: u16,
    /// This case in a sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// Everything wrong in the question, each with its place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldError>,
}

/// The kinds of problem that a question can have; the service has them, too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum ProblemKind {
    /// It is no JSON.
    #[serde(rename = "/problems/invalid_json")]
    InvalidJson,
    /// Something in it is wrong.
    #[serde(rename = "/problems/invalid_request")]
    InvalidRequest,
    /// It is about something that is not among the records.
    #[serde(rename = "/problems/not_found")]
    NotFound,
    /// It is too large.
    #[serde(rename = "/problems/content_too_large")]
    TooLarge,
    /// The program has a fault.
    #[serde(rename = "/problems/internal")]
    Internal,
}

impl ProblemKind {
    /// Every kind.
    pub const ALL: [Self; 5] =
        [Self::InvalidJson, Self::InvalidRequest, Self::NotFound, Self::TooLarge, Self::Internal];

    const fn told(self) -> (&'static str, u16) {
        match self {
            Self::InvalidJson => ("The body is no acceptable JSON", 400),
            Self::InvalidRequest => ("Members of the body are wrong", 400),
            Self::NotFound => ("There is no such thing here", 404),
            Self::TooLarge => ("The body is too large", 413),
            Self::Internal => ("Something went wrong on our side", 500),
        }
    }
}

impl Problem {
    /// A problem without more to it.
    #[must_use]
    pub const fn new(kind: ProblemKind) -> Self {
        let (title, status) = kind.told();
        Self { kind, title, status, detail: None, errors: Vec::new() }
    }

    /// The same with what it is about.
    #[must_use]
    pub fn detail(self, detail: impl Into<String>) -> Self {
        Self { detail: Some(detail.into()), ..self }
    }

    /// Members of the question are wrong.
    pub(crate) fn invalid(errors: Vec<FieldError>) -> Self {
        Self { errors: listed(errors), ..Self::new(ProblemKind::InvalidRequest) }
    }

    /// Something that is not among the records.
    pub(crate) fn not_here(pointer: &str) -> Self {
        let error = FieldError::at(pointer, Flaw::new("unknown_id", "This is not among the records."));
        Self { errors: vec![error], ..Self::new(ProblemKind::NotFound) }
    }
}
