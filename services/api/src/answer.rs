//! Answers: representations, their tags, pages.

use actix_web::{
    HttpRequest, HttpResponse,
    http::{StatusCode, header},
};
use serde::Serialize;
use serde_json::{Map, Value, json};
use store::view::{EditionView, EventView, RecordView};
use utoipa::ToSchema;

use crate::{
    extract::if_none_match_is,
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
    members.insert("recorded_at".to_owned(), Value::from(view.recorded_at.to_string()));
    members.insert("author".to_owned(), Value::from(view.author.to_string()));
    Value::Object(members)
}

/// An edition as it is sent.
pub(crate) fn edition(view: &EditionView) -> ApiResult<Value> {
    let mut value = serde_json::to_value(&view.edition).map_err(ApiError::internal)?;
    if let Some(members) = value.as_object_mut() {
        members.insert("id".to_owned(), Value::from(view.id.to_string()));
        members.insert("schedule_id".to_owned(), Value::from(view.schedule.to_string()));
    }
    Ok(value)
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

/// One thing, or 304 when the client has it already.
pub(crate) fn one(request: &HttpRequest, value: &Value, etag: &str) -> HttpResponse {
    if if_none_match_is(request, etag) {
        return HttpResponse::NotModified().insert_header((header::ETAG, etag.to_owned())).finish();
    }
    HttpResponse::Ok().insert_header((header::ETAG, etag.to_owned())).json(value)
}

/// One thing that was just written: 201 with its address, or 200 where it was there before.
pub(crate) fn written(value: &Value, etag: &str, location: Option<String>) -> HttpResponse {
    let status = if location.is_some() { StatusCode::CREATED } else { StatusCode::OK };
    let mut response = HttpResponse::build(status);
    response.insert_header((header::ETAG, etag.to_owned()));
    if let Some(location) = location {
        response.insert_header((header::LOCATION, location));
    }
    response.json(value)
}

/// A page as it is sent.
pub(crate) fn page(items: Vec<Value>, next: Option<String>) -> HttpResponse {
    HttpResponse::Ok().json(json!(Listed { items, next }))
}
