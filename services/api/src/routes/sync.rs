//! `/v1/sync`: a handset sends its edits and is told what changed.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Instant,
    person::GrantFields,
    quantity::Seconds,
    stamp::Stamp,
    sync::{SyncError, SyncRequest},
};
use serde_json::Value;
use store::view::{Cursor, HandsetState, HandsetView, Pull};
use utoipa::ToSchema;

use crate::{
    answer,
    extract::{self, Bearer, Caller, Params},
    limits::Limits,
    members::Members,
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
    sync::{
        pull::{self, PullHalf, Pulling},
        push::{self, Sending},
        results::SyncResult,
    },
};

/// What a handset sends.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct SyncNew {
    /// The handset.
    #[schema(format = "uuid")]
    handset: String,
    /// What its clock says at the moment of sending.
    #[schema(format = DateTime, example = "2026-06-15T12:11:00-06:00")]
    clock: String,
    /// Which of its starts this is; its clock is trusted within one start only.
    #[schema(minimum = 0)]
    boot: Option<u64>,
    /// The cursor of the last answer; absent or null fills afresh.
    cursor: Option<String>,
    /// How many edits it has that were neither recorded nor refused as far as it knows, those of this request included;
    /// absent means those of this request.
    #[schema(minimum = 0)]
    waiting: Option<u32>,
    /// When the oldest of them was made, by its clock.
    #[schema(format = DateTime)]
    oldest_waiting_at: Option<String>,
    /// Its edits in the order of their numbers.
    #[schema(max_items = 1000, required = false)]
    edits: Vec<EditNew>,
    /// Whether it wants a page of changes, too; absent means yes.
    #[schema(required = false)]
    pull: bool,
}

/// An edit that was made on a handset.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct EditNew {
    /// Its id, made by the handset once and for all; of a service event, a new unit or a new site the id of that, too.
    #[schema(format = "uuid")]
    id: String,
    /// The format in which it is written.
    #[schema(minimum = 1, example = 1)]
    format: i32,
    /// Its number among the edits of the handset, from 1 without gaps.
    #[schema(minimum = 1, maximum = 9_007_199_254_740_991_i64)]
    number: u64,
    /// The edit that the handset wrote just before it, which has the number before; absent at number 1. Without it an edit
    /// is not taken to have seen what its handset wrote before.
    #[schema(format = "uuid")]
    previous: Option<String>,
    /// The stamp that the handset made for it.
    #[schema(min_length = 20, max_length = 20, example = "06GJPNV0000000000000")]
    stamp: String,
    /// Who made it; absent means whoever sends it.
    #[schema(format = "uuid")]
    author: Option<String>,
    /// The start of the handset in which it was made.
    #[schema(minimum = 0)]
    boot: Option<u64>,
    /// The group with which it is recorded together or not at all.
    group: Option<GroupNew>,
    /// What it is about: `service_event`, `unit` or `site`.
    #[schema(example = "service_event")]
    kind: String,
    /// `create` a record, or `set` fields of one; service events are only created.
    #[schema(example = "create")]
    action: String,
    /// The unit or site; absent for service events.
    #[schema(format = "uuid")]
    record_id: Option<String>,
    /// The members of the record, as in a POST or PATCH of its own, without id.
    #[schema(value_type = Object)]
    body: Value,
    /// Of `set`: what its author had seen of the fields that it sets, by field.
    #[schema(value_type = Option<std::collections::BTreeMap<String, Vec<SeenNew>>>)]
    base: Option<Value>,
}

/// Some edits that are recorded together or not at all.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct GroupNew {
    /// Its name among the groups of the handset.
    #[schema(format = "uuid")]
    id: String,
    /// How many edits it has.
    #[schema(minimum = 1)]
    size: u32,
}

/// A value that somebody had seen.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct SeenNew {
    /// The stamp of the edit that set it, as its device made it.
    #[schema(min_length = 20, max_length = 20)]
    raw: String,
    /// That edit.
    #[schema(format = "uuid")]
    edit: String,
}

/// What a handset is answered.
#[derive(ToSchema)]
pub(crate) struct Synced {
    /// What became of each edit, in the order in which they were sent.
    results: Vec<SyncResult>,
    /// What it is told.
    #[serde(flatten)]
    pulled: PullHalf,
    /// Whether the service has met a second copy of this handset: it enrols anew and goes on under its new number.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    forked: bool,
    /// A stamp of the service, for the handset's clock to hear.
    #[schema(value_type = String, example = "06GJPNV0000000000000")]
    clock: Stamp,
    /// What the service's clock says.
    #[schema(value_type = String, format = DateTime)]
    now: Instant,
    /// What has to be added to the handset's clock, in seconds; negative where that is fast.
    #[schema(value_type = f64, example = -660)]
    offset_seconds: Seconds,
    /// How much the handset may send, and how often.
    limits: Limits,
}

impl Synced {
    fn spelled(&self) -> ApiResult<Vec<u8>> {
        let mut text = Members::with_room(self.pulled.room());
        text.add("results", &self.results)?;
        self.pulled.add_to(&mut text)?;
        if self.forked {
            text.add("forked", &self.forked)?;
        }
        text.add("clock", &self.clock)?;
        text.add("now", &self.now)?;
        text.add("offset_seconds", &self.offset_seconds)?;
        text.add("limits", &self.limits)?;
        Ok(text.done())
    }
}

/// A handset whose request was let in.
struct Visit {
    caller: Caller,
    handset: HandsetState,
    request: SyncRequest,
    cursor: Option<Cursor>,
}

impl Visit {
    /// Lets a request of this handset in, whose person holds these grants.
    fn admitted(
        state: &State,
        bearer: Bearer,
        request: SyncRequest,
        found: Option<HandsetView>,
        grants: Vec<GrantFields>,
    ) -> ApiResult<Self> {
        let caller = bearer.with(grants);
        let handset = found.ok_or_else(|| ApiError::new(Kind::HandsetUnknown))?.state;
        state.throttle.admit(caller.organization(), request.handset, request.edits.len())?;
        let cursor = request.cursor.as_deref().map(|text| pull::cursor(state, &caller, text)).transpose();
        let cursor = cursor.map_err(ApiError::in_body)?;
        Ok(Self { caller, handset, request, cursor })
    }

    fn has_news(&self) -> bool {
        push::has_news(&self.request, &self.handset, self.caller.person(), self.caller.now())
    }

    /// The page that the handset wants.
    fn pull(&self) -> Pull {
        let pulling = Pulling {
            handset: Some(self.request.handset),
            revoked: self.handset.revoked_at.is_some(),
            cursor: self.cursor.clone(),
            page: self.request.pull,
            limit: usize::MAX,
        };
        pull::asked(&self.caller, pulling)
    }
}

/// Sync a handset
///
/// Sends the edits that a handset made without a signal, and asks for what changed. Each edit is judged by itself, so
/// that a wrong one blocks no other, and all that are good are recorded in one transaction. Edits keep their ids, so
/// sending them again is safe after any time. The answer is 200 whenever the edits were taken, whatever became of them;
/// every other status means that nothing was taken, and the handset keeps its queue. Every pointer leads into the
/// request, such as `/edits/3/body/meter_hours`.
#[utoipa::path(post, path = "/v1/sync", tag = "sync", operation_id = "sync", request_body = SyncNew,
    responses((status = 200, description = "What became of the edits, and a page of changes.", body = Synced), Problems))]
pub(super) async fn sync(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let limits = state.limits;
    let body = extract::json_up_to(limits.room(), &request, payload, extract::JSON).await?;
    let whole = body.get("edits").and_then(Value::as_array).cloned().unwrap_or_default();
    let request = SyncRequest::read(body, limits.edits as usize).map_err(unread)?;
    let clock = request.clock;
    let (organization, person, handset) = (bearer.organization, bearer.person, request.handset);
    let admitting = state.clone();
    let ask = move |found, grants| {
        let visit = Visit::admitted(&admitting, bearer, request, found, grants);
        // Who writes first is told of that, too.
        let pull = visit.as_ref().ok().filter(|visit| !visit.has_news()).map(Visit::pull);
        (visit, pull)
    };
    let (visit, pulled) = state.store.visit(organization, person, handset, ask).await?;
    let visit = visit?;
    let (mut results, mut forked) = (Vec::new(), visit.handset.chain.forked());
    let pulled = match pulled {
        Some(pulled) => pulled,
        None => {
            let pull = visit.pull();
            let mark = visit.cursor.map(|cursor| cursor.mark);
            let sending =
                Sending { request: visit.request, whole, mark, edit_bytes: limits.edit_bytes as usize };
            (results, forked) = push::push(&state, &visit.caller, sending).await?;
            state.store.pull(pull).await?
        }
    };
    let now = visit.caller.now();
    let offset = now.micros().saturating_sub(clock.micros()) / 10_000;
    let synced = Synced {
        results,
        pulled: pull::said(&state, &visit.caller, pulled)?,
        forked,
        clock: Stamp::service(now, None),
        now,
        offset_seconds: Seconds::from_hundredths(offset),
        limits,
    };
    Ok(answer::spelled(synced.spelled()?))
}

fn unread(error: SyncError) -> ApiError {
    match error {
        SyncError::TooManyEdits { sent, most } => ApiError::new(Kind::TooManyEdits)
            .detail(format!("{sent} edits were sent; a request has at most {most}.")),
        SyncError::Invalid(errors) => ApiError::invalid(errors),
    }
}
