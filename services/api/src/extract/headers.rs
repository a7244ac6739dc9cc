//! Conditions and keys that come in headers.

use actix_web::{HttpRequest, http::header};
use model::EditId;
use store::command::Etag;

use crate::problem::{ApiError, ApiResult, Kind};

/// The ETag that a change was made from; a change without one is refused.
pub(crate) fn if_match(request: &HttpRequest) -> ApiResult<Etag> {
    let Some(value) = request.headers().get(header::IF_MATCH) else {
        return Err(ApiError::new(Kind::PreconditionRequired));
    };
    let wrong = || {
        ApiError::new(Kind::InvalidHeader).detail("If-Match takes the one strong ETag that you read, in quotes; * would overwrite what you have not seen.")
    };
    let text = value.to_str().map_err(|_| wrong())?;
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
    let Some(value) = request.headers().get("idempotency-key") else { return Ok(None) };
    let wrong = || ApiError::new(Kind::InvalidHeader).detail("Idempotency-Key is a UUID.");
    let text = value.to_str().map_err(|_| wrong())?;
    EditId::parse(text.trim_matches('"')).map(Some).map_err(|_| wrong())
}
