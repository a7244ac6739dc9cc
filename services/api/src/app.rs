//! The frame around every request: its id, its log line, its headers, and a problem for whatever fails.

use std::time::Instant as Ticks;

use actix_web::{
    Error, HttpResponse,
    body::{EitherBody, MessageBody},
    dev::{ServiceRequest, ServiceResponse},
    http::{Method, StatusCode, header},
    middleware::Next,
};
use tracing::Instrument;
use uuid::Uuid;

use crate::problem::{ApiError, Kind, UPLOAD_OFFSET};

pub(crate) use crate::routes::configure;

/// Headers on every answer: nothing of ours is to be framed, guessed at or referred from. A page says itself what it may
/// load.
const HEADERS: &[(&str, &str)] = &[
    ("content-security-policy", "default-src 'none'; frame-ancestors 'none'"),
    ("referrer-policy", "no-referrer"),
    ("strict-transport-security", "max-age=31536000; includeSubDomains"),
    ("vary", "Authorization, Accept, Accept-Encoding"),
    ("x-content-type-options", "nosniff"),
];

/// Headers that a failure has beside its problem.
const KEPT: [header::HeaderName; 6] = [
    header::ACCEPT_ENCODING,
    header::ALLOW,
    header::ETAG,
    header::RETRY_AFTER,
    UPLOAD_OFFSET,
    header::WWW_AUTHENTICATE,
];

/// Wraps every request.
pub(crate) async fn frame<B: MessageBody>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<EitherBody<B>>, Error> {
    let id = request_id(&request);
    let started = Ticks::now();
    let route = request.match_pattern().unwrap_or_else(|| "unmatched".to_owned());
    let asked_to_read = matches!(*request.method(), Method::GET | Method::HEAD);
    let method = known_method(request.method());
    let span = tracing::info_span!("request", id = %id, http.method = method, http.route = %route);
    let answered = next.call(request).instrument(span.clone()).await;
    let mut response = answered.map(|response| with_problem(response, &id))?;
    // What has a tag may be kept and asked about again; nothing else may be kept at all.
    let tagged =
        asked_to_read && response.headers().contains_key(header::ETAG) && response.status().as_u16() < 400;
    let cache = if tagged { "private, no-cache" } else { "private, no-store" };
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, header::HeaderValue::from_static(cache));
    for (name, value) in HEADERS {
        let name = header::HeaderName::from_static(name);
        if !headers.contains_key(&name) {
            headers.insert(name, header::HeaderValue::from_static(value));
        }
    }
    if let Ok(value) = header::HeaderValue::from_str(&id) {
        headers.insert(header::HeaderName::from_static("x-request-id"), value);
    }
    let status = response.status().as_u16();
    let micros = u64::try_from(started.elapsed().as_micros()).unwrap_or(u64::MAX);
    span.in_scope(|| tracing::info!(http.status = status, duration_us = micros, "answered"));
    Ok(response)
}

/// A method as the log names it: whatever a client makes up is `other`, so that lines stay short.
fn known_method(method: &Method) -> &'static str {
    let known = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"];
    known.into_iter().find(|known| *known == method.as_str()).unwrap_or("other")
}

/// The client's id for the request if it is a plain one, else a fresh one.
fn request_id(request: &ServiceRequest) -> String {
    let plain = |id: &&str| {
        (1..=64).contains(&id.len())
            && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    };
    let sent = request.headers().get("x-request-id").and_then(|value| value.to_str().ok()).filter(plain);
    sent.map_or_else(|| Uuid::new_v4().hyphenated().to_string(), str::to_owned)
}

/// Makes a problem of every failure, the framework's included.
fn with_problem<B: MessageBody>(response: ServiceResponse<B>, id: &str) -> ServiceResponse<EitherBody<B>> {
    let status = response.status();
    if !status.is_client_error() && !status.is_server_error() {
        return response.map_into_left_body();
    }
    let ours = response
        .response()
        .error()
        .and_then(|error| error.as_error::<ApiError>())
        .map(|error| error.problem(None));
    let mut problem = ours.unwrap_or_else(|| ApiError::new(kind_of(status)).problem(None));
    problem.instance = Some(format!("urn:keepstart:request:{id}"));
    let kept: Vec<_> = KEPT
        .iter()
        .filter_map(|name| response.headers().get(name).cloned().map(|value| (name.clone(), value)))
        .collect();
    let code = StatusCode::from_u16(problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
    let mut replaced = HttpResponse::build(code);
    replaced.content_type("application/problem+json");
    for header in kept {
        replaced.insert_header(header);
    }
    let (request, _) = response.into_parts();
    ServiceResponse::new(request, replaced.json(problem)).map_into_right_body()
}

fn kind_of(status: StatusCode) -> Kind {
    Kind::ALL
        .iter()
        .copied()
        .find(|kind| kind.status() == status.as_u16())
        .unwrap_or(if status.is_server_error() { Kind::Internal } else { Kind::InvalidHeader })
}
