//! Answers in a coding that the client accepts (RFC 9110 section 12.5.3).

use actix_http::encoding::Encoder;
use actix_web::{
    Error,
    body::{BodySize, MessageBody},
    dev::{ServiceRequest, ServiceResponse},
    http::header::{self, AcceptEncoding, ContentEncoding, Encoding, Header},
    middleware::Next,
};

/// Bytes below which an answer fits into a packet anyway.
const WORTH: u64 = 1024;

/// The codings that answers may have. `deflate` is read in two ways, so it is not sent.
const CODINGS: [Encoding; 3] = [
    Encoding::Known(ContentEncoding::Identity),
    Encoding::Known(ContentEncoding::Gzip),
    Encoding::Known(ContentEncoding::Zstd),
];

/// Wraps every request.
pub(crate) async fn compress<B: MessageBody>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<Encoder<B>>, Error> {
    let accepted = coding(&request);
    let response = next.call(request).await?;
    let coding = if is_worth(&response) { accepted } else { ContentEncoding::Identity };
    Ok(response.map_body(|head, body| {
        let body = Encoder::response(coding, head, body);
        // The frame says for every answer what it varies with.
        head.headers_mut().remove(header::VARY);
        body
    }))
}

/// The coding that the client likes best; none where it likes nothing that we have, which is what the standard advises.
fn coding(request: &ServiceRequest) -> ContentEncoding {
    match AcceptEncoding::parse(request).ok().and_then(|accepted| accepted.negotiate(CODINGS.iter())) {
        Some(Encoding::Known(coding)) => coding,
        _ => ContentEncoding::Identity,
    }
}

/// A strong tag names bytes as they are sent (RFC 9110 section 8.8.3), and ours are sent back in If-Match: so what has one
/// goes out as it is. And what comes piece by piece must not wait in a compressor for the next piece.
fn is_worth<B: MessageBody>(response: &ServiceResponse<B>) -> bool {
    let large = matches!(response.response().body().size(), BodySize::Sized(bytes) if bytes >= WORTH);
    large && response.status().is_success() && !response.headers().contains_key(header::ETAG)
}
