//! Query parameters and ids in paths: known ones only, each once, each parsed.

use actix_web::{HttpRequest, web};
use model::{
    Code, Instant, Label,
    id::{Id, Kind as IdKind},
    read::{FieldError, Flaw, listed},
};

use crate::problem::{ApiError, ApiResult, Kind};

/// Items of a page when the client does not say.
const LIMIT: usize = 100;
/// Items of a page at most; a larger wish is drawn down to it.
const LIMIT_MOST: usize = 500;

/// The parameters of a query, taken one by one.
pub(crate) struct Params {
    path: String,
    sent: Vec<(String, String)>,
    bound: Vec<String>,
    errors: Vec<FieldError>,
}

impl Params {
    /// All parameters of a request.
    pub(crate) fn of(request: &HttpRequest) -> ApiResult<Self> {
        let query = web::Query::<Vec<(String, String)>>::from_query(request.query_string())
            .map_err(|_| ApiError::new(Kind::InvalidParameter).detail("The query cannot be read."))?;
        Ok(Self {
            path: request.path().to_owned(),
            sent: query.into_inner(),
            bound: Vec::new(),
            errors: Vec::new(),
        })
    }

    /// A parameter that may be absent and binds the list's cursor.
    pub(crate) fn take<T>(
        &mut self,
        name: &'static str,
        parse: impl FnOnce(&str) -> Result<T, Flaw>,
    ) -> Option<T> {
        let text = self.raw(name)?;
        self.bound.push(format!("{name}={text}"));
        self.parsed(name, &text, parse)
    }

    /// A parameter of words separated by commas.
    pub(crate) fn take_list<T>(
        &mut self,
        name: &'static str,
        parse: impl Fn(&str) -> Result<T, Flaw>,
    ) -> Vec<T> {
        let all = |text: &str| text.split(',').map(&parse).collect::<Result<Vec<_>, _>>();
        self.take(name, all).unwrap_or_default()
    }

    /// How many items a page has.
    pub(crate) fn limit(&mut self) -> usize {
        let flaw =
            || Flaw::new("out_of_range", format!("A whole number from 1; {LIMIT_MOST} at most are given."));
        let found = self.raw("limit").and_then(|text| {
            self.parsed("limit", &text, |text| text.parse::<u64>().ok().filter(|n| *n > 0).ok_or_else(flaw))
        });
        found.map_or(LIMIT, |n| usize::try_from(n).unwrap_or(LIMIT_MOST).min(LIMIT_MOST))
    }

    /// An instant. A plus sign that was not escaped comes as a space, which is no fault that its sender can see.
    pub(crate) fn instant(&mut self, name: &'static str) -> Option<Instant> {
        self.take(name, instant)
    }

    /// An id in another system, of which both parts are given or neither.
    pub(crate) fn external(&mut self) -> Option<(Code, Label)> {
        let is_sent = |name: &str| self.sent.iter().any(|(sent, _)| sent == name);
        let missing = match (is_sent("external_system"), is_sent("external_id")) {
            (true, false) => Some("external_id"),
            (false, true) => Some("external_system"),
            _ => None,
        };
        let flaw = || Flaw::new("required", "Give the other system and the id there, or neither.");
        self.errors.extend(missing.map(|name| FieldError::in_parameter(name, flaw())));
        self.take("external_system", Code::parse).zip(self.take("external_id", Label::parse))
    }

    /// Whether the request only asks what would be answered.
    pub(crate) fn dry_run(&mut self) -> bool {
        let parse = |text: &str| match text {
            "true" => Ok(true),
            "false" => Ok(false),
            _ => Err(Flaw::new("unknown_word", "This is true or false.")),
        };
        self.take("dry_run", parse).unwrap_or(false)
    }

    /// The cursor, if the page is not the first.
    pub(crate) fn cursor(&mut self) -> Option<String> {
        self.raw("cursor")
    }

    /// Ends the taking: whatever is left is an error. Gives the text that cursors of this list are bound to.
    pub(crate) fn close(mut self) -> ApiResult<String> {
        for (name, _) in std::mem::take(&mut self.sent) {
            let flaw = Flaw::new("unknown_parameter", "There is no such parameter here.");
            self.errors.push(FieldError::in_parameter(&name, flaw));
        }
        if self.errors.is_empty() {
            self.bound.sort();
            Ok(format!("{}?{}", self.path, self.bound.join("&")))
        } else {
            Err(ApiError::new(Kind::InvalidParameter).errors(listed(self.errors)))
        }
    }

    fn raw(&mut self, name: &'static str) -> Option<String> {
        let (mut found, rest): (Vec<_>, Vec<_>) = self.sent.drain(..).partition(|(sent, _)| sent == name);
        self.sent = rest;
        if found.len() > 1 {
            self.errors.push(FieldError::in_parameter(
                name,
                Flaw::new("repeated_parameter", "Give this parameter once."),
            ));
        }
        found.pop().map(|(_, text)| text)
    }

    fn parsed<T>(
        &mut self,
        name: &str,
        text: &str,
        parse: impl FnOnce(&str) -> Result<T, Flaw>,
    ) -> Option<T> {
        parse(text).map_err(|flaw| self.errors.push(FieldError::in_parameter(name, flaw))).ok()
    }
}

/// What a word stands for; a word that is not in the table is answered with those that are.
pub(crate) fn word<T: Copy>(words: &[(&str, T)], what: &str, text: &str) -> Result<T, Flaw> {
    words.iter().find(|(word, _)| *word == text).map(|(_, meant)| *meant).ok_or_else(|| {
        let all: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        Flaw::new("unknown_word", format!("{what} is one of: {}.", all.join(", ")))
    })
}

/// The id in a path; what is no id is not there.
pub(crate) fn path_id<K: IdKind>(request: &HttpRequest, name: &str) -> ApiResult<Id<K>> {
    let text = request.match_info().get(name).unwrap_or_default();
    Id::parse(text).map_err(|_| ApiError::new(Kind::NotFound))
}

/// An instant in an address.
pub(crate) fn instant(text: &str) -> Result<Instant, Flaw> {
    Instant::parse(text).map_err(|flaw| match Instant::parse(&text.replace(' ', "+")) {
        Ok(_) => Flaw::new("invalid_instant", "In an address the plus sign of an offset is written %2B."),
        Err(_) => flaw,
    })
}
