//! Bodies: bounded while they are read, of the right media type, strict JSON.

use std::time::Duration;

use actix_web::{HttpRequest, http::header, web};
use futures_util::StreamExt;
use model::json;
use serde_json::Value;

use super::headers;
use crate::problem::{ApiError, ApiResult, Kind};

/// The most MiB of a body.
const MOST: usize = 1;

/// How long a body may take to come.
const PATIENCE: Duration = Duration::from_secs(30);

/// The media type of bodies of POST.
pub(crate) const JSON: &str = "application/json";
/// The media type of bodies of PATCH (RFC 7396).
pub(crate) const MERGE_PATCH: &str = "application/merge-patch+json";

/// Reads the body as JSON of media type `media`.
pub(crate) async fn json(request: &HttpRequest, payload: web::Payload, media: &str) -> ApiResult<Value> {
    json_up_to(MOST, request, payload, media).await
}

/// The same of a body that may have as many MiB as `most`.
pub(crate) async fn json_up_to(
    most: usize,
    request: &HttpRequest,
    payload: web::Payload,
    media: &str,
) -> ApiResult<Value> {
    check_media(request, media)?;
    let read = tokio::time::timeout(PATIENCE, bounded(most, request, payload)).await;
    let bytes = read.map_err(|_| ApiError::new(Kind::TooSlow))??;
    json::parse(&bytes).map_err(|e| ApiError::json(e.detail))
}

fn check_media(request: &HttpRequest, media: &str) -> ApiResult<()> {
    let wrong = || ApiError::media_type(media);
    let sent = headers::one(request, "Content-Type")?.ok_or_else(wrong)?;
    let (name, parameters) = sent.split_once(';').unwrap_or((sent, ""));
    let parameter = parameters.trim().to_ascii_lowercase();
    let utf8 = ["", "charset=utf-8", "charset=\"utf-8\""].contains(&parameter.as_str());
    if name.trim().eq_ignore_ascii_case(media)
        && utf8
        && !request.headers().contains_key(header::CONTENT_ENCODING)
    {
        Ok(())
    } else {
        Err(wrong())
    }
}

async fn bounded(most: usize, request: &HttpRequest, mut payload: web::Payload) -> ApiResult<web::BytesMut> {
    let bytes_at_most = most << 20;
    let stated = request
        .headers()
        .get(header::CONTENT_LENGTH)
        .and_then(|value| value.to_str().ok()?.parse::<u64>().ok());
    if stated.is_some_and(|length| length > bytes_at_most as u64) {
        return Err(ApiError::too_large(most));
    }
    let mut bytes = web::BytesMut::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|_| ApiError::json("The body broke off."))?;
        if bytes.len() + chunk.len() > bytes_at_most {
            return Err(ApiError::too_large(most));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}
