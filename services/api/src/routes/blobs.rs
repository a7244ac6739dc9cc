//! `/v1/blobs/{sha256}`: the bytes of photos and papers that events name.

use actix_web::{HttpRequest, HttpResponse, body::SizedStream, http::header, web};
use blob::{BYTES_MOST, MAGIC_BYTES, Refused};
use futures_util::stream;
use model::{BlobHash, event::EVENT_KINDS};
use process::blobs::Place;
use store::blobs::{Blob, Sender, Upload};
use uuid::Uuid;

use access::Action;

use crate::{
    blobs::{
        BlobState, Incoming, Part, Unkept, finish, give_up, is_there, out_of_reach, part, place, reached,
        refused, sender, wanted, whole,
    },
    extract::{Caller, Params, header_once, if_none_match_is},
    openapi::{IfNoneMatch, Problems},
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// How long all of a part may take to come.
const PATIENCE_FOR_ALL: std::time::Duration = std::time::Duration::from_secs(3600);
/// So many bytes are read and sent at a time.
const PIECE: usize = 256 << 10;
/// What the browser of somebody who opens it may do with it: nothing.
const POLICY: &str = "default-src 'none'; frame-ancestors 'none'; sandbox";

/// Send a photo or paper
///
/// JPEG, PNG or PDF, told by the bytes themselves: at most 16 MiB, and 64,000,000 pixels. The address is the SHA-256 of what you
/// send. Take metadata (place, time, camera, comments, previews) out of a picture before you name it: what still has some is
/// refused, and so is what has another hash; then nothing of it is kept. A PDF is kept as it is, with what it says of its
/// author and its making.
///
/// Send all at once, or parts of any size in order, each with `Content-Range` (RFC 9110 section 14.5). What has come is kept,
/// also of a part that breaks off: ask with HEAD where to go on, or send a part that begins further back. Events may name
/// it before it comes. The same again is answered 200. Whoever may record events may send.
///
/// Of what has been begun and not ended, or has come and no event names, there are 1 GiB of one person at most, and 16 GiB of an
/// organization, each counted as 1 MiB or more. Beyond that nothing is begun (`no_room`); what was begun goes on.
#[utoipa::path(put, path = "/v1/blobs/{sha256}", tag = "attachments", operation_id = "send_blob",
    request_body(content = String, content_type = "application/octet-stream", description = "The bytes, or some of them."),
    params(("sha256" = String, Path, description = "The SHA-256, as 64 lower-case hexadecimal digits.", pattern = "^[0-9a-f]{64}$"),
        ("Content-Range" = Option<String>, Header, description = "Which part is sent, such as `bytes 0-1048575/3145728`; absent means all.")),
    responses((status = 201, body = BlobState, description = "All of it is there."),
        (status = 200, body = BlobState, description = "It was there already."),
        (status = 202, body = BlobState, description = "This part is there; `received` says with which byte to go on."), Problems))]
pub(super) async fn send(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let sha256 = named(&request)?;
    may_send(&caller)?;
    let part = checked(&request)?;
    let sender = sender(&caller);
    if let Some(blob) = found(&state, &sender, sha256).await? {
        // Who may read it has nothing to prove; by this it counts as sent by them, too.
        if state.store.keep_blob(&sender, Blob { kept_at: caller.now(), ..blob }, None).await?.is_some() {
            return Ok(there(HttpResponse::Ok(), &blob));
        }
    }
    let upload = state.store.take_upload(&sender, sha256, part.total, Uuid::new_v4(), caller.now()).await?;
    let upload = upload.map_err(ApiError::no_room)?;
    let received = received(&state, &sender, &upload, part, payload).await?;
    if received < part.total {
        let told = BlobState { sha256, bytes: part.total, received, media_type: None };
        return Ok(HttpResponse::Accepted().json(told));
    }
    let blob = finish(&state, &sender, upload, caller.now()).await?;
    let mut created = HttpResponse::Created();
    created.insert_header((header::LOCATION, format!("/v1/blobs/{sha256}")));
    Ok(there(created, &blob))
}

/// Read a photo or paper
///
/// For whoever has sent it, and whoever sees a unit of which an event names it, if the event is by somebody who has sent it, or
/// somebody has who saw a site of the unit then. It comes as a file to be saved. `Range` gives one part of it. HEAD tells
/// without the bytes whether it is there; if it is not, and you have sent some of it, the 404 has the number of bytes that
/// have come in `Upload-Offset`.
#[utoipa::path(get, path = "/v1/blobs/{sha256}", tag = "attachments", operation_id = "read_blob",
    params(("sha256" = String, Path, description = "The SHA-256, as 64 lower-case hexadecimal digits.", pattern = "^[0-9a-f]{64}$"),
        ("Range" = Option<String>, Header, description = "One range of bytes, such as `bytes=0-1048575`; what else it says is passed over."),
        ("If-Range" = Option<String>, Header, description = "An ETag; with another one the range is passed over."), IfNoneMatch),
    responses((status = 200, body = String, content_type = "application/octet-stream", description = "All of it; Content-Type is `image/jpeg`, `image/png` or `application/pdf`."),
        (status = 206, body = String, content_type = "application/octet-stream", description = "The part; `Content-Range` says which."),
        (status = 304, description = "You have it already."), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let sha256 = named(&request)?;
    let sender = sender(&caller);
    // Whoever sees nothing any more reads nothing, of what they sent neither.
    let blind = sender.sites.as_ref().is_some_and(std::collections::BTreeSet::is_empty);
    let found = if blind { None } else { found(&state, &sender, sha256).await? };
    let Some(blob) = found else { return Err(absent(&state, &sender, sha256).await?) };
    let etag = tag(&blob);
    if if_none_match_is(&request, &etag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, etag)).finish());
    }
    let same = header_once(&request, "If-Range")?.is_none_or(|sent| sent == etag);
    let range = header_once(&request, "Range")?.filter(|_| same);
    given(&state, sender, blob, wanted(range, blob.bytes), &etag).await
}

/// A blob that this person may read, if its bytes are there.
async fn found(state: &State, sender: &Sender, sha256: BlobHash) -> ApiResult<Option<Blob>> {
    let Some(blob) = state.store.blob_for(sender, sha256).await? else { return Ok(None) };
    Ok(is_there(state, sender.organization, &blob).await?.then_some(blob))
}

/// The blob, or a part of it, in an answer; it is begun to be read before anything is said of it.
async fn given(
    state: &State,
    sender: Sender,
    blob: Blob,
    range: Option<(u64, u64)>,
    etag: &str,
) -> ApiResult<HttpResponse> {
    let place = Place { organization: sender.organization, sha256: blob.sha256, id: blob.place };
    let (first, end) = range.unwrap_or((0, blob.bytes));
    let blobs = state.blobs.clone();
    let most = move |at: u64| usize::try_from(end - at).unwrap_or(PIECE).min(PIECE);
    let begun = blobs.read(place, first, most(first)).await.map_err(out_of_reach)?;
    let after = first + u64::try_from(begun.len()).unwrap_or_default();
    let rest = stream::try_unfold(after, move |at| {
        let blobs = blobs.clone();
        async move {
            if at >= end {
                return Ok(None);
            }
            let bytes = blobs.read(place, at, most(at)).await?;
            if bytes.is_empty() {
                // The connection breaks off, so that nobody takes the part for the whole.
                return Err(std::io::ErrorKind::UnexpectedEof.into());
            }
            let next = at + u64::try_from(bytes.len()).unwrap_or_default();
            Ok(Some((web::Bytes::from(bytes), next)))
        }
    });
    let begun = stream::iter([Ok::<_, std::io::Error>(web::Bytes::from(begun))]);
    let body = SizedStream::new(end - first, Box::pin(futures_util::StreamExt::chain(begun, rest)));
    let mut answer = HttpResponse::Ok();
    if range.is_some() {
        answer.status(actix_web::http::StatusCode::PARTIAL_CONTENT);
        let told = format!("bytes {first}-{}/{}", end - 1, blob.bytes);
        answer.insert_header((header::CONTENT_RANGE, told));
    }
    let name = format!("attachment; filename=\"{}.{}\"", blob.sha256, blob.media_type.ending());
    answer
        .content_type(blob.media_type.as_str())
        .insert_header((header::ETAG, etag))
        .insert_header((header::ACCEPT_RANGES, "bytes"))
        .insert_header((header::CONTENT_DISPOSITION, name))
        .insert_header((header::CONTENT_SECURITY_POLICY, POLICY));
    Ok(answer.body(body))
}

/// That it is not there for this person, with how much they have sent of it.
async fn absent(state: &State, sender: &Sender, sha256: BlobHash) -> ApiResult<ApiError> {
    let upload = state.store.upload(sender.organization, sender.person, sha256).await?;
    let Some(upload) = upload else { return Ok(ApiError::new(Kind::NotFound)) };
    let pieces = state.blobs.pieces(place(sender, &upload)).await.map_err(out_of_reach)?;
    let (_, kept) = reached(&pieces);
    // Where all has come and was not put together, the last byte is sent again, and is passed over.
    let offset = kept.min(upload.bytes.saturating_sub(1));
    Ok(ApiError::upload_at(Kind::NotFound, offset))
}

/// Takes a part; gives how many bytes are there, from the first one on.
async fn received(
    state: &State,
    sender: &Sender,
    upload: &Upload,
    part: Part,
    payload: web::Payload,
) -> ApiResult<u64> {
    let place = place(sender, upload);
    let (_, mut kept) = reached(&state.blobs.pieces(place).await.map_err(out_of_reach)?);
    if kept > part.total {
        // It was begun as something else.
        state.blobs.drop_pieces(place).await.map_err(out_of_reach)?;
        kept = 0;
    }
    if part.first > kept {
        return Err(ApiError::upload_at(Kind::UploadOffset, kept));
    }
    let untold = usize::try_from(kept).is_ok_and(|kept| kept < MAGIC_BYTES);
    let head = if untold { Some(whole(state, place).await.map_err(out_of_reach)?) } else { None };
    let incoming = Incoming::begin(state.blobs.clone(), place, part.first, kept, head);
    // By itself, so that what has come is also kept where the connection is gone and nobody waits for the answer.
    let taking = actix_web::rt::spawn(tokio::time::timeout(PATIENCE_FOR_ALL, incoming.take(payload)));
    let taken = taking.await.map_err(ApiError::internal)?;
    match taken.unwrap_or(Err(Unkept::TooSlow)) {
        Ok(kept) => Ok(kept),
        // Of what broke off nobody hears, and the rest may come again.
        Err(Unkept::Broken | Unkept::TooSlow) => Err(ApiError::new(Kind::TooSlow)),
        Err(Unkept::OtherType) => {
            give_up(state, sender, *upload).await?;
            Err(refused(Refused::OtherType))
        }
        Err(Unkept::Failed(error)) => Err(out_of_reach(error)),
    }
}

/// The part that a request brings, if it may be taken.
fn checked(request: &HttpRequest) -> ApiResult<Part> {
    const TAKEN: [&str; 4] = ["image/jpeg", "image/png", "application/pdf", "application/octet-stream"];
    let media = header_once(request, "Content-Type")?.unwrap_or("application/octet-stream");
    if !TAKEN.iter().any(|taken| media.trim().eq_ignore_ascii_case(taken)) {
        return Err(ApiError::no_blob_type());
    }
    if header_once(request, "Content-Encoding")?
        .is_some_and(|coding| !coding.eq_ignore_ascii_case("identity"))
    {
        return Err(ApiError::coding("identity"));
    }
    let length = header_once(request, "Content-Length")?.and_then(|text| text.parse().ok());
    let part = part(header_once(request, "Content-Range")?, length)
        .map_err(|(name, flaw)| ApiError::header(name, flaw.code, &flaw.detail))?;
    if part.total > BYTES_MOST {
        return Err(ApiError::too_large(usize::try_from(BYTES_MOST).unwrap_or(usize::MAX)));
    }
    Ok(part)
}

/// Whoever may record an event of any kind somewhere may send what it names.
fn may_send(caller: &Caller) -> ApiResult<()> {
    let may = |kind| caller.sites_for(Action::RecordEvent(kind)).is_none_or(|sites| !sites.is_empty());
    if EVENT_KINDS.iter().any(|(_, kind)| may(*kind)) { Ok(()) } else { Err(ApiError::new(Kind::Forbidden)) }
}

fn named(request: &HttpRequest) -> ApiResult<BlobHash> {
    let text = request.match_info().get("sha256").unwrap_or_default();
    BlobHash::parse(text).map_err(|_| ApiError::new(Kind::NotFound))
}

fn there(mut answer: actix_web::HttpResponseBuilder, blob: &Blob) -> HttpResponse {
    let media_type = Some(blob.media_type);
    answer.insert_header((header::ETAG, tag(blob)));
    answer.json(BlobState { sha256: blob.sha256, bytes: blob.bytes, received: blob.bytes, media_type })
}

fn tag(blob: &Blob) -> String {
    format!("\"{}\"", blob.sha256)
}
