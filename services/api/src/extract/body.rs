//! Bodies: bounded while they are read and unpacked, of the right media type, strict JSON.

use std::time::Duration;

use actix_web::{HttpRequest, http::header, web};
use futures_util::StreamExt;
use model::json;
use serde_json::Value;

use super::{
    coding::{Coding, Unpackable},
    headers,
};
use crate::problem::{ApiError, ApiResult, Kind};

/// How many bytes a body may have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Room {
    /// As it is sent.
    pub sent: usize,
    /// Unpacked, where it came compressed.
    pub unpacked: usize,
}

impl Room {
    /// So many MiB, compressed or not.
    pub(crate) const fn mebibytes(most: usize) -> Self {
        Self { sent: most << 20, unpacked: most << 20 }
    }
}

/// What bodies may have unless their route says otherwise.
const ROOM: Room = Room::mebibytes(1);

/// How long a body may take to come.
const PATIENCE: Duration = Duration::from_secs(30);

/// The media type of bodies of POST.
pub(crate) const JSON: &str = "application/json";
/// The media type of bodies of PATCH (RFC 7396).
pub(crate) const MERGE_PATCH: &str = "application/merge-patch+json";

/// Reads the body as JSON of media type `media`.
pub(crate) async fn json(request: &HttpRequest, payload: web::Payload, media: &str) -> ApiResult<Value> {
    json_up_to(ROOM, request, payload, media).await
}

/// The same of a body that may have other room.
pub(crate) async fn json_up_to(
    room: Room,
    request: &HttpRequest,
    payload: web::Payload,
    media: &str,
) -> ApiResult<Value> {
    check_media(request, media)?;
    let coding = Coding::of(request)?;
    let read = tokio::time::timeout(PATIENCE, bounded(room.sent, request, payload)).await;
    let bytes = read.map_err(|_| ApiError::new(Kind::TooSlow))??;
    match coding {
        None => json::parse(&bytes),
        Some(coding) => json::parse(&unpacked(coding, bytes, room.unpacked).await?),
    }
    .map_err(|e| ApiError::json(e.detail))
}

/// Reads the body as text, whatever its media type: the fields of a form, however they were packed.
pub(crate) async fn form(request: &HttpRequest, payload: web::Payload) -> ApiResult<String> {
    let read = tokio::time::timeout(PATIENCE, bounded(ROOM.sent, request, payload)).await;
    let bytes = read.map_err(|_| ApiError::new(Kind::TooSlow))??;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn check_media(request: &HttpRequest, media: &str) -> ApiResult<()> {
    let wrong = || ApiError::media_type(media);
    let sent = headers::header_once(request, "Content-Type")?.ok_or_else(wrong)?;
    let (name, parameters) = sent.split_once(';').unwrap_or((sent, ""));
    let parameter = parameters.trim().to_ascii_lowercase();
    let utf8 = ["", "charset=utf-8", "charset=\"utf-8\""].contains(&parameter.as_str());
    if name.trim().eq_ignore_ascii_case(media) && utf8 { Ok(()) } else { Err(wrong()) }
}

async fn bounded(most: usize, request: &HttpRequest, mut payload: web::Payload) -> ApiResult<web::BytesMut> {
    let stated = request
        .headers()
        .get(header::CONTENT_LENGTH)
        .and_then(|value| value.to_str().ok()?.parse::<u64>().ok());
    if stated.is_some_and(|length| length > most as u64) {
        return Err(ApiError::too_large(most));
    }
    let mut bytes = web::BytesMut::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|_| ApiError::json("The body broke off."))?;
        if bytes.len() + chunk.len() > most {
            return Err(ApiError::too_large(most));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

async fn unpacked(coding: Coding, packed: web::BytesMut, most: usize) -> ApiResult<Vec<u8>> {
    // Unpacking takes its time, in which the thread's other requests must not stand still.
    let unpacked = web::block(move || coding.unpack(&packed, most)).await.map_err(ApiError::internal)?;
    unpacked.map_err(|why| match why {
        Unpackable::TooLarge => ApiError::too_large(most),
        Unpackable::Broken => {
            ApiError::json("The body is not whole, or not of the coding in Content-Encoding.")
        }
    })
}
