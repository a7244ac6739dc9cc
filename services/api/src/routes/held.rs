//! `/v1/held`: edits of handsets that wait for a person, and what that person decides.

use std::collections::BTreeSet;

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use merge::{Flag, Reason};
use model::{
    EditId, HandsetId, Instant, Label, PersonId, UnitId,
    edit::{Action as Wish, Channel},
    read::{Mode, whole},
};
use serde::Serialize;
use serde_json::Value;
use store::{
    Command,
    command::{Outcome, Proposal, Refusal},
    sent::{Decided, Decision, Held},
};
use utoipa::ToSchema;

use super::handsets::{Nothing, nothing_in};
use crate::{
    extract::{self, Caller, Params, path_id},
    intake,
    openapi::{IdempotencyKey, PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    state::State,
    sync::again,
};

/// A page of edits that wait for a person.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HeldEdits {
    /// The edits, the one that came first first.
    items: Vec<HeldEdit>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// An edit of a handset that waits for a person, or did.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HeldEdit {
    /// The edit.
    #[schema(value_type = String, format = "uuid")]
    id: EditId,
    /// What it is about: `service_event`, `unit` or `site`.
    #[schema(example = "service_event")]
    kind: &'static str,
    /// Whether it makes that (`create`), or sets fields of it (`set`).
    #[schema(example = "create")]
    action: &'static str,
    /// The service event, unit or site.
    #[schema(format = "uuid")]
    record_id: String,
    /// The unit that it concerns, if it concerns one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    unit_id: Option<UnitId>,
    /// Why it waits: `handset_revoked`, `unknown_author` (who never signed in on the handset), `correction_of_others`,
    /// `future_event` (what has not happened yet), or `parent_missing` (what it names did not come in thirty days).
    #[schema(example = "future_event")]
    reason: &'static str,
    /// What is noted of it: `after_revocation` (it was written after its handset was revoked, or may have been),
    /// `clock_suspect`, `time_doubtful` or `forked`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    flags: Vec<&'static str>,
    /// Who made it.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
    /// The handset that sent it.
    #[schema(value_type = String, format = "uuid")]
    handset_id: HandsetId,
    /// When it came in.
    #[schema(value_type = String, format = DateTime)]
    recorded_at: Instant,
    /// When what it tells of happened, put right by the offset of the handset's clock; absent where only the day is known,
    /// or nothing happened.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    occurred_at: Option<Instant>,
    /// The members of the event, or the fields.
    #[schema(value_type = Object)]
    body: Value,
    /// The group of its handset's edits to which it belongs: all of them wait, and are decided about together.
    #[serde(skip_serializing_if = "Option::is_none")]
    group: Option<HeldGroup>,
    /// What was decided about it; absent while it waits.
    #[serde(skip_serializing_if = "Option::is_none")]
    decided: Option<HeldDecision>,
}

/// Edits of a handset that count together or not at all.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HeldGroup {
    /// Its name among the groups of the handset.
    #[schema(format = "uuid")]
    id: String,
    /// How many edits it has.
    #[schema(minimum = 1, example = 2)]
    size: usize,
}

/// What somebody has decided about an edit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HeldDecision {
    /// `released`: it counts from then on; `refused`: it never counts.
    #[schema(example = "released")]
    decision: &'static str,
    /// Why it was refused.
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<String>,
    /// Who decided.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
    /// When.
    #[schema(value_type = String, format = DateTime)]
    at: Instant,
}

/// Why an edit never counts.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct HeldRefusal {
    /// The reason, which stays in the log for good; so it names nobody.
    #[schema(value_type = String, min_length = 1, max_length = 200, example = "The handset was stolen by then.")]
    reason: Label,
}

impl From<&Held> for HeldEdit {
    fn from(held: &Held) -> Self {
        let Held { proposal, decided, .. } = held;
        let wish = &proposal.edit.action;
        let sent = proposal.sent.as_ref();
        Self {
            id: proposal.edit.id,
            kind: wish.kind().as_str(),
            action: if matches!(wish, Wish::Set { .. }) { "set" } else { "create" },
            record_id: wish.uuid().hyphenated().to_string(),
            unit_id: held.unit,
            reason: Reason::as_str(held.reason),
            flags: held.flags.iter().copied().map(Flag::as_str).collect(),
            author: held.author,
            handset_id: held.handset,
            recorded_at: held.recorded_at,
            occurred_at: sent.and_then(|sent| sent.received.as_ref()?.occurred_at),
            body: held.body.clone(),
            group: held
                .group
                .map(|group| HeldGroup { id: group.id.hyphenated().to_string(), size: group.size }),
            decided: decided.as_ref().map(HeldDecision::from),
        }
    }
}

impl From<&Decided> for HeldDecision {
    fn from(decided: &Decided) -> Self {
        let (decision, reason) = match &decided.decision {
            Decision::Release => ("released", None),
            Decision::Refuse(reason) => ("refused", Some(reason.clone())),
        };
        Self { decision, reason, author: decided.author, at: decided.at }
    }
}

/// List edits that wait for a person
///
/// What handsets sent and what counts for nothing until somebody has looked at it, the oldest first: see `reason`. For
/// coordinators, admins, planners and auditors, each at their sites; what concerns no unit that is known is shown to those
/// with a grant on all sites.
#[utoipa::path(get, path = "/v1/held", tag = "sync", operation_id = "list_held",
    params(PageParams),
    responses((status = 200, body = HeldEdits), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let organization = caller.organization();
    caller.require(Action::ReadHeld, &Object::of(organization))?;
    let after = cursor.map(|cursor| state.cursors.read(organization, &list, &cursor)).transpose()?;
    let sites = caller.sites_for(Action::ReadHeld);
    let page = state.store.held(organization, sites, after.unwrap_or(0), limit).await?;
    let last = page.items.last().filter(|_| page.more).map(|held| held.seq);
    let next = last.map(|seq| state.cursors.make(organization, &list, &seq)).transpose()?;
    Ok(HttpResponse::Ok().json(HeldEdits { items: page.items.iter().map(HeldEdit::from).collect(), next }))
}

/// Release an edit
///
/// For coordinators and admins at the sites of its unit. It counts from now on, as its author's, with the stamp and the
/// times that it came with. One that cannot be recorded as things are goes on waiting. Releasing it again changes nothing.
///
/// An edit with a `group` is released with all others of that group, in one transaction or not at all; so you have to be in
/// charge of what each of them concerns.
#[utoipa::path(post, path = "/v1/held/{edit_id}/release", tag = "sync", operation_id = "release_held",
    request_body = Nothing,
    params(("edit_id" = String, Path, format = "uuid", description = "The edit."), IdempotencyKey),
    responses((status = 200, body = HeldEdit), Problems))]
pub(super) async fn release(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    extract::idempotency_key(&request)?;
    nothing_in(&request, payload).await?;
    decide(&state, &caller, &request, Decision::Release).await
}

/// Refuse an edit
///
/// For coordinators and admins at the sites of its unit. It never counts; its handset is told `refused_by_person`, and it
/// stays in the log. Refusing it again for the same reason changes nothing. An edit with a `group` is refused with all others
/// of that group.
#[utoipa::path(post, path = "/v1/held/{edit_id}/refuse", tag = "sync", operation_id = "refuse_held",
    request_body = HeldRefusal,
    params(("edit_id" = String, Path, format = "uuid", description = "The edit."), IdempotencyKey),
    responses((status = 200, body = HeldEdit), Problems))]
pub(super) async fn refuse(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let reason = whole(&body, Mode::New, |o| o.required("reason", Label::read)).map_err(ApiError::invalid)?;
    decide(&state, &caller, &request, Decision::Refuse(reason.as_str().to_owned())).await
}

/// Writes a decision down for an edit with its group, unless it was made before; it needs no key to be repeated safely.
async fn decide(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    decision: Decision,
) -> ApiResult<HttpResponse> {
    let edit: EditId = path_id(request, "edit_id")?;
    let held = found(state, caller, edit).await?;
    caller.require(Action::DecideHeld, &concerned(state, caller, &held).await?)?;
    if held.decided.is_none() {
        let group = state.store.held_with(caller.organization(), held).await?;
        for other in &group {
            let object = concerned(state, caller, other).await?;
            caller.require(Action::DecideHeld, &object).map_err(|_| not_all())?;
        }
        write(state, caller, edit, group, &decision).await?;
    }
    let held = found(state, caller, edit).await?;
    match &held.decided {
        Some(decided) if decided.decision == decision => Ok(HttpResponse::Ok().json(HeldEdit::from(&held))),
        Some(_) => Err(ApiError::new(Kind::AlreadyDecided)),
        None => Err(not_possible(None, Refusal::Exists)),
    }
}

/// What somebody has to be in charge of to decide about an edit.
async fn concerned(state: &State, caller: &Caller, held: &Held) -> ApiResult<Object> {
    let sites = match held.unit {
        Some(unit) => state.store.sites_of_unit(caller.organization(), unit).await?,
        None => BTreeSet::new(),
    };
    Ok(Object::at(caller.organization(), sites))
}

fn not_all() -> ApiError {
    let detail = "It is decided about together with the others of its group, and not all of them are for you to decide.";
    ApiError::new(Kind::Forbidden).detail(detail)
}

async fn found(state: &State, caller: &Caller, edit: EditId) -> ApiResult<Held> {
    let held = state.store.held_edit(caller.organization(), edit).await?;
    held.ok_or_else(|| ApiError::new(Kind::NotFound))
}

/// Writes the same decision down for all edits of a group, in one transaction.
async fn write(
    state: &State,
    caller: &Caller,
    asked: EditId,
    group: Vec<Held>,
    decision: &Decision,
) -> ApiResult<()> {
    let decided = |held: Held| {
        let mut proposal = held.proposal;
        if let Some(sent) = &mut proposal.sent {
            sent.decision = Some(decision.clone());
        }
        proposal
    };
    let edits: Vec<Proposal> = group.into_iter().map(decided).collect();
    let ids: Vec<EditId> = edits.iter().map(|proposal| proposal.edit.id).collect();
    let command = Command {
        organization: caller.organization(),
        author: caller.person(),
        channel: Channel::Rest,
        now: caller.now(),
        edits,
        permit: caller.permit_to_decide(),
        dry_run: false,
        calling: None,
        together: false,
        slice: None,
    };
    let recorded = state.store.push(command).await?;
    again::afterwards(state, caller.organization(), recorded.ready).await;
    for (edit, outcome) in ids.into_iter().zip(recorded.outcomes) {
        match outcome {
            // Somebody else was faster, or the record that it makes is there: what is read next tells which.
            Outcome::Refused(Refusal::Exists | Refusal::WithGroup) => {}
            Outcome::Refused(Refusal::Forbidden) if edit == asked => {
                return Err(ApiError::new(Kind::Forbidden));
            }
            Outcome::Refused(Refusal::Forbidden | Refusal::NotFound) if edit != asked => {
                return Err(not_all());
            }
            Outcome::Refused(refusal) => {
                return Err(not_possible(Some(edit).filter(|edit| *edit != asked), refusal));
            }
            _ => {}
        }
    }
    Ok(())
}

/// That an edit cannot be recorded, with pointers into it as it is listed; of `other`, if it is another one of its group.
fn not_possible(other: Option<EditId>, refusal: Refusal) -> ApiError {
    let why = intake::refused(refusal).problem(None);
    let mut errors = why.errors;
    for error in &mut errors {
        error.pointer = error.pointer.as_ref().map(|pointer| format!("/body{pointer}"));
    }
    let why = why.detail.unwrap_or_else(|| format!("{}.", why.title));
    let detail = match other {
        None => why,
        Some(other) => format!("The edit {other} of its group cannot be recorded: {why}"),
    };
    ApiError::new(Kind::NotPossible).detail(detail).errors(errors)
}
