//! Conditions and keys that come in headers.

use actix_web::{HttpRequest, http::header};
use model::EditId;
use store::command::Etag;

use crate::problem::{ApiError, ApiResult};

/// The text of a header that may come once.
pub(crate) fn header_once<'r>(request: &'r HttpRequest, name: &'static str) -> ApiResult<Option<&'r str>> {
    let mut sent = request.headers().get_all(name);
    let Some(value) = sent.next() else { return Ok(None) };
    if sent.next().is_some() {
        return Err(ApiError::header(name, "repeated_header", "This header may come once."));
    }
    value
        .to_str()
        .map(Some)
        .map_err(|_| ApiError::header(name, "invalid_header", "This header holds more than plain text."))
}

/// The ETag that a change was made from; a change without one is refused.
pub(crate) fn if_match(request: &HttpRequest) -> ApiResult<Etag> {
    let Some(text) = header_once(request, "If-Match")? else {
        return Err(ApiError::no_if_match());
    };
    let wrong = || {
        let detail = "If-Match takes the one strong ETag that you read, in quotes; * would overwrite what you have not seen.";
        ApiError::header("If-Match", "invalid_etag", detail)
    };
    let tag = text.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).ok_or_else(wrong)?;
    if tag.is_empty() || tag.contains('"') { Err(wrong()) } else { Ok(Etag(tag.to_owned())) }
}

/// Whether the client has `etag` already (weak comparison, RFC 9110 section 13.1.2).
pub(crate) fn if_none_match_is(request: &HttpRequest, etag: &str) -> bool {
    let bare = |tag: &str| tag.trim().trim_start_matches("W/").to_owned();
    let sent = request.headers().get_all(header::IF_NONE_MATCH).filter_map(|value| value.to_str().ok());
    sent.flat_map(|text| text.split(',')).any(|tag| tag.trim() == "*" || bare(tag) == bare(etag))
}

/// The id that makes a repeat of this request recognisable, if one was sent.
pub(crate) fn idempotency_key(request: &HttpRequest) -> ApiResult<Option<EditId>> {
    let Some(text) = header_once(request, "Idempotency-Key")? else { return Ok(None) };
    let wrong = |_| ApiError::header("Idempotency-Key", "invalid_id", "Idempotency-Key is a UUID.");
    EditId::parse(text.trim_matches('"')).map(Some).map_err(wrong)
}
