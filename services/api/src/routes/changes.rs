//! `/v1/changes`: what has changed since a reader asked last, page by page or as a stream.

use std::time::{Duration, Instant as Ticks};

use actix_web::{
    HttpRequest, HttpResponse,
    http::{Method, header},
    web,
    web::Bytes,
};
use futures_util::stream;
use serde_json::json;
use store::view::Cursor;

use crate::{
    answer,
    extract::{Bearer, Caller, Params},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
    sync::{
        pull::{self, PullHalf, PullStatus, Pulling},
        streams::Open,
    },
};

/// Where a reader of the changes is.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct Place {
    /// `cursor` of the page before; absent: begin with what is there now.
    cursor: Option<String>,
}

/// How large a page is.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct PageSize {
    /// Changes of a page; absent means 100, and 500 at most are given. A page also ends at 512 KiB.
    #[param(minimum = 1)]
    limit: Option<u32>,
}

/// Where a stream goes on.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Header)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct LastEventId {
    /// `id` of the last event that came; counts before `cursor`.
    #[param(rename = "Last-Event-ID")]
    last_event_id: Option<String>,
}

/// List what has changed
///
/// For systems that keep a copy. Without a cursor, what is there now and may be seen is told page by page, retired records left
/// out (but for units that a correction names with another one); with the cursor of the page before, what changed since. Keep each cursor once its page is applied, and ask again with
/// it, also when `more` is false: the last cursor is where to go on another day.
///
/// Each record is told as it is now, at most once a page, and what was told before may be told again: apply changes in the order
/// they come, the newer version over the older. A unit that comes into sight is followed by all its service events, perhaps over
/// several pages; `forget` says that a unit (with its events) or a site is out of sight, which is no retirement.
///
/// `pull.status` is `reset` where the sites that you may see changed while they were being told: drop the copy and go on with
/// the cursor. A cursor that a restore of the service from a backup has overtaken is answered 410 `cursor_expired`: drop the copy
/// and begin without one.
#[utoipa::path(get, path = "/v1/changes", tag = "sync", operation_id = "list_changes",
    params(Place, PageSize),
    responses((status = 200, body = PullHalf), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    params.close()?;
    let cursor = cursor.map(|cursor| pull::cursor(&state, &caller, &cursor)).transpose()?;
    let half = pull::pull_half(&state, &caller, Pulling::of_reader(cursor, limit)).await?;
    if half.is_restored() {
        return Err(ApiError::new(Kind::CursorExpired));
    }
    Ok(answer::spelled(half.spelled()?))
}

/// Follow what changes
///
/// The pages of `/v1/changes` as server-sent events, each when there is something to tell: `changes` with a page as its data and
/// the page's cursor as its id. A client that is cut off goes on with the last id as `Last-Event-ID`, as browsers do by
/// themselves. `reset` says to drop the copy; what is there now follows. Lines that begin with a colon keep the connection alive.
/// The stream ends when the access token does, when nothing may be seen any more, or when the service stops. An organization
/// has 20 streams at once; one more is answered 503.
#[utoipa::path(get, path = "/v1/changes/stream", tag = "sync", operation_id = "follow_changes",
    params(Place, LastEventId),
    responses((status = 200, description = "Server-sent events, for as long as the client stays.", body = String,
        content_type = "text/event-stream"), Problems))]
pub(super) async fn follow(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let cursor = params.cursor();
    params.close()?;
    let last = request.headers().get("Last-Event-ID").and_then(|id| id.to_str().ok()).map(str::to_owned);
    let cursor = last.filter(|id| !id.is_empty()).or(cursor);
    let caller = caller(&state, bearer).await?;
    let cursor = cursor.map(|cursor| pull::cursor(&state, &caller, &cursor)).transpose()?;
    let open = state.streams.open(bearer.organization)?;
    let mut response = HttpResponse::Ok();
    response.content_type("text/event-stream").insert_header((header::X_CONTENT_TYPE_OPTIONS, "nosniff"));
    if *request.method() == Method::HEAD {
        return Ok(response.finish());
    }
    let follower = Follower { state, bearer, cursor, said: None, _open: open };
    Ok(response.streaming(stream::unfold(follower, |mut follower| async move {
        let chunk = follower.next().await?;
        Some((Ok::<Bytes, actix_web::Error>(chunk), follower))
    })))
}

/// How long a stream waits before it looks again.
const PAUSE: Duration = Duration::from_millis(500);

/// How long a stream says nothing at most, so that whoever stands between keeps the connection, and one that is gone is noticed.
const SILENCE: Duration = Duration::from_secs(15);

/// So many changes an event tells at most.
const CHANGES_OF_AN_EVENT: usize = 500;

/// An open stream.
struct Follower {
    state: web::Data<State>,
    bearer: Bearer,
    cursor: Option<Cursor>,
    /// When it said something last.
    said: Option<Ticks>,
    _open: Open,
}

impl Follower {
    /// What is said next; nothing when the stream ends. Between two looks no connection to the database is held.
    async fn next(&mut self) -> Option<Bytes> {
        let text = if self.said.is_none() { None } else { self.something().await? };
        self.said = Some(Ticks::now());
        Some(text.unwrap_or_else(|| Bytes::from_static(b":\n\n")))
    }

    /// Waits for something to say, or until it was silent for too long; nothing when the stream ends.
    async fn something(&mut self) -> Option<Option<Bytes>> {
        loop {
            if self.state.streams.are_ended() {
                return None;
            }
            match self.look().await {
                Ok(Some(text)) => return Some(Some(text)),
                Ok(None) => {}
                Err(end) => {
                    tracing::info!(reason = %end, "stream ends");
                    return None;
                }
            }
            if self.said.is_none_or(|said| said.elapsed() >= SILENCE) {
                return Some(None);
            }
            tokio::time::sleep(PAUSE).await;
        }
    }

    async fn look(&mut self) -> ApiResult<Option<Bytes>> {
        let now = self.state.clock.now();
        if now >= self.bearer.until {
            return Err(ApiError::new(Kind::Unauthenticated));
        }
        let caller = caller(&self.state, Bearer { now, ..self.bearer }).await?;
        if caller.visible_sites().is_some_and(|sites| sites.is_empty()) {
            return Err(ApiError::new(Kind::NotFound));
        }
        let pulling = Pulling::of_reader(self.cursor.clone(), CHANGES_OF_AN_EVENT);
        let (half, cursor) = pull::half_and_cursor(&self.state, &caller, pulling).await?;
        self.cursor = cursor;
        if half.pull.status == PullStatus::Reset {
            // With an empty id a client forgets the one it has.
            let id = half.cursor.as_deref().unwrap_or_default();
            let text = format!("event: reset\nid: {id}\ndata: {}\n\n", json!({"pull": half.pull}));
            return Ok(Some(text.into()));
        }
        if half.changes.is_empty() && !half.more {
            return Ok(None);
        }
        let id = half.cursor.as_deref().unwrap_or_default();
        let event = format!("event: changes\nid: {id}\ndata: ");
        Ok(Some([event.as_bytes(), &half.spelled()?, b"\n\n"].concat().into()))
    }
}

/// The person behind a stream with the grants they have by now.
async fn caller(state: &State, bearer: Bearer) -> ApiResult<Caller> {
    Ok(bearer.with(state.store.grants(bearer.organization, bearer.person).await?))
}
