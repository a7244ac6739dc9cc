//! Answers: representations, their tags, pages.

use actix_web::{
    HttpRequest, HttpResponse, HttpResponseBuilder,
    http::header::{self, ContentType},
};
use serde::Serialize;
use serde_json::{Map, Value, json};
use store::view::{EditionView, EventView, RecordView};
use utoipa::ToSchema;

use crate::{
    extract::if_none_match_is,
    intake::Fate,
    problem::{ApiError, ApiResult},
};

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Listed<T> {
    /// The items.
    pub items: Vec<T>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// A record as it is sent: its id and its fields.
pub(crate) fn record(view: &RecordView) -> Value {
    let mut members = Map::new();
    members.insert("id".to_owned(), Value::from(view.id.hyphenated().to_string()));
    members.extend(view.fields.clone());
    Value::Object(members)
}

/// A service event as it is sent: as it was recorded, with when and by whom.
pub(crate) fn event(view: &EventView) -> Value {
    let mut members = view.body.clone();
    if let Some(happened_at) = view.happened_at {
        members.insert("happened_at".to_owned(), Value::from(happened_at.to_string()));
    }
    members.insert("recorded_at".to_owned(), Value::from(view.recorded_at.to_string()));
    members.insert("author".to_owned(), Value::from(view.author.to_string()));
    Value::Object(members)
}

/// An edition as it is sent.
pub(crate) fn edition(view: &EditionView) -> ApiResult<Value> {
    view.sent().map_err(ApiError::internal)
}

/// An immutable thing's tag: a digest of what is sent.
pub(crate) fn digest(value: &Value) -> String {
    tag_of(value.to_string().as_bytes())
}

/// The tag of bytes that are sent as they are.
pub(crate) fn tag_of(bytes: &[u8]) -> String {
    let digest = proof::sha256(bytes).to_string();
    format!("\"{}\"", digest.get(..24).unwrap_or_default())
}

/// What was spelled before.
pub(crate) fn spelled(text: Vec<u8>) -> HttpResponse {
    HttpResponse::Ok().content_type(ContentType::json()).body(text)
}

/// One thing, or 304 when the client has it already.
pub(crate) fn one(request: &HttpRequest, value: &Value, etag: &str) -> HttpResponse {
    if if_none_match_is(request, etag) {
        return HttpResponse::NotModified().insert_header((header::ETAG, etag.to_owned())).finish();
    }
    HttpResponse::Ok().insert_header((header::ETAG, etag.to_owned())).json(value)
}

/// The header of an answer to a dry run, which says what the real request would have come to.
pub(crate) const DRY_RUN: &str = "Keepstart-Dry-Run";

/// One thing that was just made: 201 with its address, or 200 where it was there before.
pub(crate) fn made(fate: Fate, value: &Value, etag: &str, location: String) -> HttpResponse {
    let mut response = match fate {
        Fate::New => HttpResponse::Created(),
        Fate::Repeat | Fate::WouldBeNew | Fate::WouldBeRepeat => HttpResponse::Ok(),
    };
    if fate == Fate::New {
        response.insert_header((header::LOCATION, location));
    }
    with_tag(response, fate, value, etag)
}

/// One thing that was just changed.
pub(crate) fn changed(fate: Fate, value: &Value, etag: &str) -> HttpResponse {
    with_tag(HttpResponse::Ok(), fate, value, etag)
}

/// What was not written has no tag by which it could be changed.
fn with_tag(mut response: HttpResponseBuilder, fate: Fate, value: &Value, etag: &str) -> HttpResponse {
    match fate {
        Fate::New | Fate::Repeat => response.insert_header((header::ETAG, etag.to_owned())),
        Fate::WouldBeNew => response.insert_header((DRY_RUN, "applied")),
        Fate::WouldBeRepeat => response.insert_header((DRY_RUN, "already_applied")),
    };
    response.json(value)
}

/// A page as it is sent.
pub(crate) fn page(items: Vec<Value>, next: Option<String>) -> HttpResponse {
    HttpResponse::Ok().json(json!(Listed { items, next }))
}
