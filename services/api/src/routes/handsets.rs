//! `/v1/handsets`: field devices that work offline.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    HandsetId, Instant, Label, PersonId,
    edit::{Channel, Target},
    handset::HandsetNumber,
    quantity::Seconds,
    read::{FieldError, Flaw, Mode, Object as Read, whole},
};
use serde::Serialize;
use serde_json::{Value, json};
use store::{
    command::{Outcome, Refusal},
    handsets::{Code, Enrolled, Enrolment, Numbering},
    view::HandsetView,
};
use utoipa::ToSchema;

use super::records;
use crate::{
    answer, enrolment,
    extract::{self, Caller, Params, path_id},
    intake::{self, Fate},
    openapi::{IdempotencyKey, IfNoneMatch, PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    random,
    state::State,
};

/// So many numbers are drawn for a new handset, of which the first free one is taken.
const DRAWN: usize = 8;
/// How often a revocation looks again at a handset that changed meanwhile.
const LOOKS: usize = 3;

/// A code by which one handset may be enrolled.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HandsetCode {
    /// The code, to be typed on the handset: letters of either case, with or without hyphens.
    #[schema(example = "K7QM-2XWP-90TD")]
    code: String,
    /// Until when it is good, once.
    #[schema(value_type = String, format = DateTime)]
    expires_at: Instant,
}

/// A body without members.
#[derive(ToSchema)]
#[serde(deny_unknown_fields)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) struct Nothing {}

/// A handset to be enrolled.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct HandsetNew {
    /// An id of its own, a UUID; absent means that the service makes one.
    #[schema(value_type = Option<String>, format = "uuid")]
    id: Option<String>,
    /// A code that somebody in charge has made, as typed.
    #[schema(min_length = 1, max_length = 64, example = "K7QM-2XWP-90TD")]
    code: String,
    /// What its people call it.
    #[schema(value_type = String, min_length = 1, max_length = 200, example = "Van 2")]
    name: Label,
    /// What it was before the service forgot it, having been restored from an older copy.
    previous: Option<PreviousHandset>,
}

/// What a handset was before the service forgot it.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct PreviousHandset {
    /// Its id.
    #[schema(value_type = String, format = "uuid")]
    id: String,
    /// Its number, which stands in the stamps of its edits.
    #[schema(value_type = i64, minimum = 1, maximum = 4_294_967_295_u32, example = 2_147_480_123_u32)]
    number: u32,
}

/// A handset, and what is known of it.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Handset {
    /// Its id.
    #[schema(value_type = String, format = "uuid")]
    id: HandsetId,
    /// What its people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = String, required = true, example = "Van 2")]
    name: Option<Label>,
    /// Its number, which stands in the stamps of its edits.
    #[schema(value_type = i64, minimum = 1, maximum = 4_294_967_295_u32, example = 2_147_480_123_u32)]
    number: HandsetNumber,
    /// Who enrolled it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = String, format = "uuid", required = true)]
    enrolled_by: Option<PersonId>,
    /// Whether it is revoked: what it sends is kept and waits for a person, and it is sent nothing.
    revoked: bool,
    /// Since when it is revoked.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    revoked_at: Option<Instant>,
    /// When it last synced; absent before it first did.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    last_seen_at: Option<Instant>,
    /// What had to be added to its clock then; negative where that was fast.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = -660.25)]
    offset_seconds: Option<Seconds>,
    /// How many edits it had then that have no final answer yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    waiting: Option<u64>,
    /// When the oldest of those was made.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    oldest_waiting_at: Option<Instant>,
    /// Whether there are two copies of it. It has to be enrolled anew, without `previous`.
    forked: bool,
}

/// A page of handsets.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Handsets {
    /// The items.
    items: Vec<Handset>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

impl From<&HandsetView> for Handset {
    fn from(view: &HandsetView) -> Self {
        let state = &view.state;
        Self {
            id: state.handset,
            name: view.fields.name.clone(),
            number: state.number,
            enrolled_by: view.fields.enrolled_by,
            revoked: view.fields.revoked.is_some(),
            revoked_at: state.revoked_at,
            last_seen_at: state.last_seen_at,
            offset_seconds: state.offset_micros.map(|micros| Seconds::from_hundredths(micros / 10_000)),
            waiting: state.last_seen_at.map(|_| state.waiting),
            oldest_waiting_at: state.oldest_waiting_at,
            forked: state.chain.forked(),
        }
    }
}

/// Make a code for a handset
///
/// For coordinators and admins. Whoever holds the handset types the code on it within 15 minutes; it is good once. The
/// service keeps no more than its hash, so it is told here and never again: a repeat of the request makes another one.
#[utoipa::path(post, path = "/v1/handsets/codes", tag = "handsets", operation_id = "make_handset_code",
    request_body = Nothing,
    responses((status = 201, body = HandsetCode), Problems))]
pub(super) async fn make_code(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    nothing_in(&request, payload).await?;
    caller.require(Action::MakeHandsetCode, &Object::of(caller.organization()))?;
    let code = enrolment::fresh()?;
    let expires_at = caller.now().plus_seconds(enrolment::GOOD_FOR_SECONDS);
    let kept = Code {
        organization: caller.organization(),
        hash: enrolment::hash(&code),
        made_by: caller.person(),
        made_at: caller.now(),
        expires_at,
    };
    state.store.make_code(kept).await?;
    Ok(HttpResponse::Created().json(HandsetCode { code, expires_at }))
}

/// Enrol a handset
///
/// On the handset itself, by whoever signs in there, with a code that a coordinator or an admin has made. The answer
/// has the number that belongs into the stamps of its edits. Send an id of your own to make a repeat safe; without one
/// a code whose answer got lost is spent. After five wrong codes within a minute you have to wait.
///
/// A handset that the service does not know any more, since it was restored from an older copy, is enrolled with
/// `previous` and goes on under its own id and number.
#[utoipa::path(post, path = "/v1/handsets", tag = "handsets", operation_id = "enrol_handset", request_body = HandsetNew,
    params(IdempotencyKey),
    responses((status = 201, body = Handset), (status = 200, description = "It was enrolled before, by the same request.", body = Handset),
        Problems))]
pub(super) async fn enrol(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let key = extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let wish = whole(&body, Mode::New, Wish::read).map_err(ApiError::invalid)?;
    let handset = wish.handset().unwrap_or_else(|| intake::fallback(key, &caller).cast());
    intake::one_id(key, handset.cast())?;
    state.tries.count(caller.organization(), caller.person())?;
    let wanted = Enrolment {
        organization: caller.organization(),
        person: caller.person(),
        now: caller.now(),
        code: enrolment::hash(&wish.code),
        handset,
        name: wish.name,
        number: match wish.previous {
            Some((_, number)) => Numbering::Again(number),
            None => Numbering::OneOf(drawn()?),
        },
        permit: caller.permit(),
    };
    let enrolled = state.store.enrol(wanted).await?;
    if !matches!(enrolled, Enrolled::CodeNotValid) {
        state.tries.forgive(caller.organization(), caller.person());
    }
    let (view, fate) = match enrolled {
        Enrolled::New(view) => (view, Fate::New),
        Enrolled::Repeat(view) => (view, Fate::Repeat),
        Enrolled::CodeNotValid => return Err(code_not_valid()),
        Enrolled::NumberTaken => return Err(number_taken()),
        Enrolled::Refused(refusal) => return Err(intake::refused(refusal)),
    };
    let (value, etag) = sent(&view);
    Ok(answer::made(fate, &value, &etag, format!("/v1/handsets/{}", view.state.handset)))
}

/// List handsets
///
/// By id, with when each last synced, how far its clock is off and what it has still to send. Coordinators and admins
/// with a grant on all sites see all of them, others those on which they have signed in.
#[utoipa::path(get, path = "/v1/handsets", tag = "handsets", operation_id = "list_handsets",
    params(PageParams),
    responses((status = 200, body = Handsets), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let after = records::after(&state, &caller, &list, cursor.as_deref())?;
    let of = (!sees(&caller, false)).then(|| caller.person());
    let page = state.store.handsets(caller.organization(), of, after, limit).await?;
    let last = page.items.last().filter(|_| page.more).map(|view| view.state.handset.to_string());
    let next = last.map(|id| state.cursors.make(caller.organization(), &list, &id)).transpose()?;
    Ok(HttpResponse::Ok().json(Handsets { items: page.items.iter().map(Handset::from).collect(), next }))
}

/// Read a handset
///
/// What it is, and what is known of it.
#[utoipa::path(get, path = "/v1/handsets/{handset_id}", tag = "handsets", operation_id = "read_handset",
    params(("handset_id" = String, Path, format = "uuid", description = "The handset."), IfNoneMatch),
    responses((status = 200, body = Handset), (status = 304, description = "You have it already."), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let handset = path_id(&request, "handset_id")?;
    Params::of(&request)?.close()?;
    let (value, etag) = sent(&seen(&state, &caller, handset).await?);
    Ok(answer::one(&request, &value, &etag))
}

/// Revoke a handset
///
/// For coordinators and admins with a grant on all sites, once it is lost. It is sent nothing from then on; what it
/// still sends is kept and waits for a person. There is no way back: it is enrolled anew. Of a handset that is revoked
/// already this changes nothing.
#[utoipa::path(post, path = "/v1/handsets/{handset_id}/revoke", tag = "handsets", operation_id = "revoke_handset",
    request_body = Nothing,
    params(("handset_id" = String, Path, format = "uuid", description = "The handset."), IdempotencyKey),
    responses((status = 200, body = Handset), Problems))]
pub(super) async fn revoke(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let handset: HandsetId = path_id(&request, "handset_id")?;
    let key = extract::idempotency_key(&request)?;
    nothing_in(&request, payload).await?;
    let (organization, target) = (caller.organization(), Target::Handset(handset));
    for _ in 0..LOOKS {
        // Whether it is revoked and the tag are of one moment, so that of two who revoke it at once one does.
        let record = state.store.record(organization, target).await?;
        let view = seen(&state, &caller, handset).await?;
        caller.require(Action::RevokeHandset, &Object::of(organization))?;
        let record = record.ok_or_else(|| ApiError::new(Kind::NotFound))?;
        if record.fields.contains_key("revoked") {
            let (value, etag) = sent(&view);
            return Ok(answer::changed(Fate::Repeat, &value, &etag));
        }
        let edit = intake::fallback(key, &caller);
        let proposal = intake::patch(target, &json!({"revoked": true}), edit, Some(record.etag), Vec::new())
            .map_err(ApiError::invalid)?;
        let (outcomes, _) = intake::submit_all(&state, &caller, Channel::Rest, vec![proposal], false).await?;
        match outcomes.into_iter().next() {
            // Revoked by somebody else meanwhile.
            Some(Outcome::Refused(Refusal::Stale(_))) => {}
            Some(Outcome::Refused(refusal)) => return Err(intake::refused(refusal)),
            _ => {}
        }
    }
    Err(ApiError::new(Kind::Busy))
}

/// A handset that the caller may see.
async fn seen(state: &State, caller: &Caller, handset: HandsetId) -> ApiResult<HandsetView> {
    let found = state.store.handset(caller.organization(), handset).await?;
    found
        .filter(|view| sees(caller, view.state.signed_in.contains(&caller.person())))
        .ok_or_else(|| ApiError::new(Kind::NotFound))
}

fn sees(caller: &Caller, own: bool) -> bool {
    caller.require(Action::ReadHandset { own }, &Object::of(caller.organization())).is_ok()
}

/// A handset as it is sent, and the tag of that.
fn sent(view: &HandsetView) -> (Value, String) {
    let value = json!(Handset::from(view));
    let etag = answer::digest(&value);
    (value, etag)
}

/// Takes a body without members.
pub(super) async fn nothing_in(request: &HttpRequest, payload: web::Payload) -> ApiResult<()> {
    Params::of(request)?.close()?;
    let body = extract::json(request, payload, extract::JSON).await?;
    whole(&body, Mode::New, |_| Some(())).map_err(ApiError::invalid)
}

/// A handset to be enrolled, as it was read.
struct Wish {
    id: Option<HandsetId>,
    code: String,
    name: Label,
    previous: Option<(HandsetId, HandsetNumber)>,
}

impl Wish {
    fn read(o: &mut Read<'_>) -> Option<Self> {
        let id = o.optional("id", HandsetId::read);
        let code = o.required("code", code);
        let name = o.required("name", Label::read);
        let previous = o.object("previous", |o| {
            let id = o.required("id", HandsetId::read);
            let number = o.required("number", HandsetNumber::read);
            Some((id?, number?))
        });
        if let (Some(id), Some((before, _))) = (id, previous)
            && id != before
        {
            return o.fail("id", Flaw::new("two_ids", "This is another id than the previous one."));
        }
        Some(Self { id, code: code?, name: name?, previous })
    }

    fn handset(&self) -> Option<HandsetId> {
        self.id.or(self.previous.map(|(id, _)| id))
    }
}

/// A code as somebody typed it; whether it is one is told like whether it is good.
fn code(value: &Value) -> Result<String, Flaw> {
    let text = value.as_str().ok_or_else(|| Flaw::wrong_type("a string"))?;
    match text.chars().count() {
        0 => Err(Flaw::new("empty_text", "The text is empty.")),
        1..=64 => Ok(text.to_owned()),
        _ => Err(Flaw::new("text_too_long", "The text has more than 64 characters.")),
    }
}

/// Numbers drawn at random.
fn drawn() -> ApiResult<Vec<HandsetNumber>> {
    let mut numbers = Vec::with_capacity(DRAWN);
    while numbers.len() < DRAWN {
        numbers.extend(HandsetNumber::new(u32::from_be_bytes(random::bytes()?)));
    }
    Ok(numbers)
}

/// A code that is wrong, spent or too old: which of them is told to nobody.
fn code_not_valid() -> ApiError {
    let flaw = Flaw::new("code_not_valid", "This is no code that is good now.");
    ApiError::new(Kind::CodeNotValid).errors(vec![FieldError::at("/code", flaw)])
}

fn number_taken() -> ApiError {
    let flaw = Flaw::new("number_taken", "Another handset has this number now; enrol without `previous`.");
    ApiError::new(Kind::AlreadyExists).errors(vec![FieldError::at("/previous/number", flaw)])
}
