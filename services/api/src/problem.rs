//! Problems: one table of everything that can go wrong for a client, and how it is said (RFC 9457).

use std::fmt;

use actix_web::{
    HttpResponse, ResponseError,
    http::{StatusCode, header},
};
use model::read::{FieldError, Flaw};
use serde::Serialize;
use store::{
    StoreError,
    blobs::{NoRoom, ORGANIZATION_ROOM, PERSON_ROOM},
    command::Etag,
};
use utoipa::ToSchema;

/// How many bytes of a blob have come; the name is that of the IETF's draft on resumable uploads.
pub(crate) const UPLOAD_OFFSET: header::HeaderName = header::HeaderName::from_static("upload-offset");

macro_rules! problems {
    ($($kind:ident $code:literal $status:literal $retry:literal $title:literal $then:literal;)*) => {
        /// The kinds of problem there are.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(crate) enum Kind { $(#[doc = $title] $kind,)* }

        impl Kind {
            /// All kinds, in the order of the table.
            pub(crate) const ALL: &[Self] = &[$(Self::$kind),*];

            /// The stable code, the last step of the problem's type.
            pub(crate) const fn code(self) -> &'static str {
                match self { $(Self::$kind => $code),* }
            }
            /// The HTTP status.
            pub(crate) const fn status(self) -> u16 {
                match self { $(Self::$kind => $status),* }
            }
            /// Whether the same request may succeed later.
            pub(crate) const fn retryable(self) -> bool {
                match self { $(Self::$kind => $retry),* }
            }
            /// What it is, in a few words.
            pub(crate) const fn title(self) -> &'static str {
                match self { $(Self::$kind => $title),* }
            }
            /// What a client does about it.
            pub(crate) const fn then(self) -> &'static str {
                match self { $(Self::$kind => $then),* }
            }
        }
    };
}

problems! {
    InvalidJson "invalid_json" 400 false "The body is no acceptable JSON" "Correct the body: one JSON value in UTF-8, no member twice, at most 128 levels deep.";
    InvalidRequest "invalid_request" 400 false "Members of the body are wrong" "Correct every member that `errors` points at; nothing was recorded.";
    InvalidParameter "invalid_parameter" 400 false "A parameter of the query is wrong" "Correct or leave out the parameters that `errors` names.";
    InvalidHeader "invalid_header" 400 false "A header is wrong" "Correct the header that `detail` names.";
    InvalidCursor "cursor_invalid" 400 false "The cursor is broken, or belongs to another list" "Begin the list again without a cursor.";
    Unauthenticated "unauthenticated" 401 false "There is no valid access token" "Get a new access token and send it as a bearer token. Keep whatever is queued.";
    Forbidden "forbidden" 403 false "This is not for you to do" "Ask somebody whose role allows it.";
    HandsetUnknown "handset_unknown" 404 false "No such handset is enrolled" "Keep the queue; enrol the handset anew under its id and number, and send it again.";
    NotFound "not_found" 404 false "There is no such thing here" "Check the address; what you may not see is answered like what is not there.";
    MethodNotAllowed "method_not_allowed" 405 false "The method is not for this address" "Use one of the methods in Allow.";
    TooSlow "request_too_slow" 408 true "The body took too long to come" "Send it again over a better connection, with the same ids.";
    IdReused "id_reused" 409 false "The id was used before for something else" "Keep the first edit; give the new one an id of its own.";
    AlreadyExists "already_exists" 409 false "There is a record with this id already" "Read the record; change it with PATCH.";
    ExternalIdTaken "external_id_taken" 409 false "Another record has this id in the other system" "Look it up by `external_system` and `external_id`; change that record, or give this one its own id.";
    UploadOffset "upload_offset" 409 false "What has come does not reach to where this part begins" "Go on with the byte that Upload-Offset names.";
    AlreadyDecided "already_decided" 409 false "Somebody has decided about this edit already" "Leave it: nothing is decided twice.";
    NotPossible "not_possible" 409 false "The edit cannot be recorded as things are" "Look at `errors`, which point into the edit as it is listed; put right what is in its way, or refuse it.";
    WrongState "wrong_state" 409 false "The import is not in a state for this" "Read the import: its `state` says what can be done with it.";
    TooManyImports "too_many_imports" 409 true "Too many of your imports are unfinished" "Wait until some have ended, or stop those that wait for a file.";
    ImportExpired "import_expired" 410 false "The import has expired" "Its file and its report are gone; bring the file in once more.";
    CursorExpired "cursor_expired" 410 false "The service was restored from a backup since this cursor was given" "Drop the copy and begin without a cursor.";
    PreconditionFailed "precondition_failed" 412 false "The record changed since you read it" "Read it again, look at what changed, and send the change with the new ETag.";
    TooLarge "content_too_large" 413 false "The body is too large" "Send less: `errors` says how much is taken; a batch can be split.";
    CodeNotValid "code_not_valid" 422 false "The code is not good" "Look whether it was typed right; a code is good once and for minutes, so ask for another one.";
    UnsupportedMediaType "unsupported_media_type" 415 false "The body's media type is not taken here" "Send application/json, or application/merge-patch+json for PATCH; compressed once with gzip, deflate or zstd, or not at all.";
    BlobRefused "blob_refused" 422 false "The photo or paper is not taken" "Look at `errors`; nothing of it was kept, so send it anew under the hash of what you send.";
    TooManyEdits "too_many_edits" 422 false "The request has too many edits" "Keep the queue, and send at most as many at a time as the limits say.";
    TooManyUnits "too_many_units" 422 false "The question concerns too many units" "Ask about fewer: one site or one unit at a time.";
    PreconditionRequired "precondition_required" 428 false "A change needs If-Match" "Read the record and send its ETag as If-Match.";
    TooManyRequests "too_many_requests" 429 true "You ask too often, or send too much" "Keep the queue, and go on after the seconds in Retry-After, with the same ids.";
    Internal "internal" 500 true "Something went wrong on our side" "Try again later; an edit keeps its id, so that it is recorded once.";
    NoRoom "no_room" 507 true "There is no room for another photo or paper" "Bring what was begun to its end, and record what names the rest; then send this one again.";
    Busy "busy" 503 true "The service is busy" "Try again after the seconds in Retry-After, with the same ids.";
}

/// A problem as it is sent.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(crate) struct Problem {
    /// Names the kind of problem; a reference that leads to its description.
    #[serde(rename = "type")]
    #[schema(example = "/problems/invalid_request")]
    pub type_: String,
    /// The kind in a few words, always the same.
    #[schema(example = "Members of the body are wrong")]
    pub title: &'static str,
    /// The HTTP status.
    #[schema(example = 400)]
    pub status: u16,
    /// This case in a sentence.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// Names this very answer, as the log does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instance: Option<String>,
    /// Everything wrong in the body or the query, each with its place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    pub errors: Vec<FieldError>,
    /// The record's ETag now, when the one sent is out of date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub current_etag: Option<String>,
}

/// Why a request fails. What clients may read is apart from what only the log may.
#[derive(Debug)]
pub(crate) struct ApiError(Box<Failure>);

#[derive(Debug)]
struct Failure {
    kind: Kind,
    detail: Option<String>,
    errors: Vec<FieldError>,
    current_etag: Option<Etag>,
    /// Headers beside the problem.
    headers: Vec<(header::HeaderName, String)>,
    /// For the log alone.
    internal: Option<String>,
}

/// What handlers give back.
pub(crate) type ApiResult<T> = Result<T, ApiError>;

impl ApiError {
    /// A problem of this kind.
    pub(crate) fn new(kind: Kind) -> Self {
        Self(Box::new(Failure {
            kind,
            detail: None,
            errors: Vec::new(),
            current_etag: None,
            headers: Vec::new(),
            internal: None,
        }))
    }

    /// Says what about this case, for the client.
    #[must_use]
    pub(crate) fn detail(mut self, detail: impl Into<String>) -> Self {
        self.0.detail = Some(detail.into());
        self
    }

    /// Lists what is wrong and where.
    #[must_use]
    pub(crate) fn errors(mut self, errors: Vec<FieldError>) -> Self {
        self.0.errors = errors;
        self
    }

    fn header_of(mut self, name: header::HeaderName, value: impl Into<String>) -> Self {
        self.0.headers.push((name, value.into()));
        self
    }

    /// Members of the body are wrong.
    pub(crate) fn invalid(errors: Vec<FieldError>) -> Self {
        Self::new(Kind::InvalidRequest).errors(errors)
    }

    /// A header is wrong.
    pub(crate) fn header(name: &str, code: &'static str, detail: &str) -> Self {
        let error = FieldError::in_header(name, Flaw::new(code, detail));
        Self::new(Kind::InvalidHeader).detail(detail).errors(vec![error])
    }

    /// A change without the ETag that it was made from.
    pub(crate) fn no_if_match() -> Self {
        let flaw = Flaw::new("required", "Send the ETag that you read as If-Match.");
        Self::new(Kind::PreconditionRequired).errors(vec![FieldError::in_header("If-Match", flaw)])
    }

    /// A body of another media type.
    pub(crate) fn media_type(wanted: &str) -> Self {
        Self::media_type_but(format!("Send {wanted} in UTF-8."))
    }

    /// A body of a media type that no photo or paper has.
    pub(crate) fn no_blob_type() -> Self {
        Self::media_type_but("Send image/jpeg, image/png or application/pdf.".to_owned())
    }

    fn media_type_but(detail: String) -> Self {
        let flaw = Flaw::new("unsupported_media_type", detail.clone());
        Self::new(Kind::UnsupportedMediaType)
            .detail(detail)
            .errors(vec![FieldError::in_header("Content-Type", flaw)])
    }

    /// A body that was compressed in another way than one of `taken`, or more than once.
    pub(crate) fn coding(taken: &'static str) -> Self {
        let detail = format!("A body is compressed once, with one of {taken}, or not at all.");
        let flaw = Flaw::new("unsupported_coding", detail.clone());
        let error = Self::new(Kind::UnsupportedMediaType).detail(detail);
        error
            .header_of(header::ACCEPT_ENCODING, taken)
            .errors(vec![FieldError::in_header("Content-Encoding", flaw)])
    }

    /// A body of more than `most` bytes.
    pub(crate) fn too_large(most: usize) -> Self {
        let flaw = Flaw::new("content_too_large", format!("A body has at most {} MiB.", most >> 20));
        Self::new(Kind::TooLarge).errors(vec![FieldError::at("", flaw)])
    }

    /// The body is no acceptable JSON.
    pub(crate) fn json(detail: impl Into<String>) -> Self {
        let detail = detail.into();
        let error = FieldError::at("", Flaw::new("invalid_json", detail.clone()));
        Self::new(Kind::InvalidJson).detail(detail).errors(vec![error])
    }

    /// The cursor is broken, or of another list.
    pub(crate) fn cursor(detail: &str) -> Self {
        let error = FieldError::in_parameter("cursor", Flaw::new("cursor_invalid", detail));
        Self::new(Kind::InvalidCursor).detail(detail).errors(vec![error])
    }

    /// The same where what is wrong came as members of the body, and not as parameters.
    pub(crate) fn in_body(mut self) -> Self {
        for error in &mut self.0.errors {
            if let Some(parameter) = error.parameter.take() {
                error.pointer = Some(format!("/{parameter}"));
            }
        }
        self
    }

    /// The record is another than its author saw.
    pub(crate) fn stale(current: Etag) -> Self {
        let flaw = Flaw::new("stale_etag", "The record has another ETag now.");
        let mut error =
            Self::new(Kind::PreconditionFailed).errors(vec![FieldError::in_header("If-Match", flaw)]);
        error.0.current_etag = Some(current);
        error
    }

    /// The address has other methods.
    pub(crate) fn method_not_allowed(allow: String) -> Self {
        Self::new(Kind::MethodNotAllowed).header_of(header::ALLOW, allow)
    }

    /// More than may come in a minute; what was sent may be sent again after so many seconds.
    pub(crate) fn too_many(seconds: u64) -> Self {
        Self::new(Kind::TooManyRequests).header_of(header::RETRY_AFTER, seconds.to_string())
    }

    /// What was sent of a blob reaches to this byte.
    pub(crate) fn upload_at(kind: Kind, offset: u64) -> Self {
        Self::new(kind).header_of(UPLOAD_OFFSET, offset.to_string())
    }

    /// Too much is under way, or has come and no event names it.
    pub(crate) fn no_room(lacking: NoRoom) -> Self {
        let (whose, most) = match lacking {
            NoRoom::Person => ("your photos and papers", PERSON_ROOM),
            NoRoom::Organization => ("your organization's photos and papers", ORGANIZATION_ROOM),
        };
        Self::new(Kind::NoRoom).detail(format!(
            "Too many of {whose} are under way, or have come and no event names them: there is room for {} GiB, and each counts as \
             1 MiB or more.",
            most >> 30
        ))
    }

    /// Something that only the log may tell.
    pub(crate) fn internal(why: impl fmt::Display) -> Self {
        Self::of(Kind::Internal, why)
    }

    /// Something that we depend on is out of reach; the log tells why.
    pub(crate) fn away(why: impl fmt::Display) -> Self {
        Self::of(Kind::Busy, why)
    }

    fn of(kind: Kind, why: impl fmt::Display) -> Self {
        let mut error = Self::new(kind);
        error.0.internal = Some(why.to_string());
        error
    }

    /// The kind of problem.
    pub(crate) fn kind(&self) -> Kind {
        self.0.kind
    }

    /// The problem as it is sent; `instance` names the answer.
    pub(crate) fn problem(&self, instance: Option<String>) -> Problem {
        Problem {
            type_: format!("/problems/{}", self.0.kind.code()),
            title: self.0.kind.title(),
            status: self.0.kind.status(),
            detail: self.0.detail.clone(),
            instance,
            errors: self.0.errors.clone(),
            current_etag: self.0.current_etag.as_ref().map(ToString::to_string),
        }
    }
}

impl fmt::Display for ApiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.kind.code())
    }
}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.0.kind.status()).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponse::build(self.status_code());
        response.content_type("application/problem+json");
        match self.0.kind {
            Kind::Unauthenticated => response.insert_header((header::WWW_AUTHENTICATE, "Bearer")),
            Kind::Busy => response.insert_header((header::RETRY_AFTER, "2")),
            _ => &mut response,
        };
        for (name, value) in &self.0.headers {
            response.insert_header((name, value.as_str()));
        }
        if let Some(etag) = &self.0.current_etag {
            response.insert_header((header::ETAG, etag.to_string()));
        }
        if let Some(internal) = &self.0.internal {
            tracing::error!(error.detail = internal, "request failed");
        }
        response.json(self.problem(None))
    }
}

impl From<StoreError> for ApiError {
    fn from(error: StoreError) -> Self {
        let mut chain = error.to_string();
        let mut source = std::error::Error::source(&error);
        while let Some(cause) = source {
            chain = format!("{chain}: {cause}");
            source = cause.source();
        }
        match error {
            StoreError::Busy => Self::new(Kind::Busy),
            StoreError::TooManyImports => Self::new(Kind::TooManyImports),
            StoreError::Unreachable(_) | StoreError::Stopped => Self::of(Kind::Busy, chain),
            _ => Self::internal(chain),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A device has some of the kinds, and says them in the same words.
    #[test]
    fn a_device_has_the_same_problems() {
        for kind in device::ProblemKind::ALL {
            let told = serde_json::to_value(device::Problem::new(kind)).unwrap();
            let same = Kind::ALL.iter().find(|kind| told["type"] == format!("/problems/{}", kind.code()));
            let same = same.unwrap_or_else(|| panic!("{told}"));
            assert_eq!(
                (told["title"].as_str(), told["status"].as_u64()),
                (Some(same.title()), Some(same.status().into()))
            );
        }
    }
}
