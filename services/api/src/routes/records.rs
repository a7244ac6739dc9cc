//! What sites, units and schedules have in common: they are made, read and changed alike.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    edit::{Channel, RecordKind, Target},
    id::{Id, Kind},
    read::{Mode, Object as Reading, whole},
};
use serde_json::Value;
use store::{
    command::Written,
    view::{ExternalQuery, Page, RecordView},
};

use super::units;
use crate::{
    answer,
    extract::{self, Bearer, Caller, Params},
    intake::{self, Done},
    problem::{ApiError, ApiResult, Kind as ProblemKind},
    random,
    state::State,
};

/// Makes a record from the body.
pub(super) async fn create(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    payload: web::Payload,
    kind: RecordKind,
) -> ApiResult<HttpResponse> {
    let done = made(state, caller, request, payload, kind).await?;
    let view = record_of(&done)?;
    Ok(answer::made(done.fate, &answer::record(view), &view.etag.to_string(), location(request, view)))
}

/// Has a record made from the body.
pub(super) async fn made(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    payload: web::Payload,
    kind: RecordKind,
) -> ApiResult<Done> {
    let dry_run = writing(request)?;
    let key = extract::idempotency_key(request)?;
    let body = extract::json(request, payload, extract::JSON).await?;
    let proposal =
        intake::keyed(intake::new_record(kind, body, intake::fallback(key, caller), random::salts()?), key)?;
    intake::submit(state, caller, Channel::Rest, proposal, dry_run).await
}

/// Where a record that was just made is read.
pub(super) fn location(request: &HttpRequest, view: &RecordView) -> String {
    format!("{}/{}", request.path().trim_end_matches('/'), view.id.hyphenated())
}

/// Changes fields of a record from what the author saw.
pub(super) async fn change(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    payload: web::Payload,
    target: Target,
) -> ApiResult<HttpResponse> {
    let done = changed(state, caller, request, payload, target).await?;
    let view = record_of(&done)?;
    Ok(answer::changed(done.fate, &answer::record(view), &view.etag.to_string()))
}

/// Has fields of a record changed.
pub(super) async fn changed(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    payload: web::Payload,
    target: Target,
) -> ApiResult<Done> {
    let dry_run = writing(request)?;
    let key = extract::idempotency_key(request)?;
    let seen = extract::if_match(request)?;
    let body = extract::json(request, payload, extract::MERGE_PATCH).await?;
    let proposal = intake::patch(target, &body, intake::fallback(key, caller), Some(seen), random::salts()?)
        .map_err(ApiError::invalid)?;
    intake::submit(state, caller, Channel::Rest, proposal, dry_run).await
}

/// One record, to those who may see it; it is read together with what the asker may do.
pub(super) async fn read(
    state: &State,
    bearer: Bearer,
    request: &HttpRequest,
    target: Target,
    action: Action,
) -> ApiResult<HttpResponse> {
    Params::of(request)?.close()?;
    let look = state.store.look(bearer.organization, bearer.person, target).await?;
    let caller = bearer.with(look.grants);
    let object = match target {
        Target::Unit(_) => units::placed(&caller, look.sites)?,
        Target::Site(site) => Object::at(caller.organization(), [site]),
        Target::Incident(_) | Target::Promise(_) => outage(&caller, look.record.as_ref())?,
        _ => Object::of(caller.organization()),
    };
    // Whoever does not manage mail lists learns nothing of them.
    let hidden = matches!(target, Target::MailList(_) | Target::Recipient(_));
    let refused = |error| if hidden { ApiError::new(ProblemKind::NotFound) } else { error };
    caller.require(action, &object).map_err(refused)?;
    let view = look.record.ok_or_else(|| ApiError::new(ProblemKind::NotFound))?;
    Ok(answer::one(request, &answer::record(&view), &view.etag.to_string()))
}

/// The typed fields of a record, without its private text.
pub(super) fn fields<T>(
    view: &RecordView,
    private: &[&str],
    read: impl FnOnce(&mut Reading<'_>) -> Option<T>,
) -> ApiResult<T> {
    let mut fields = view.fields.clone();
    private.iter().for_each(|pointer| drop(fields.remove(pointer.trim_start_matches('/'))));
    let unread = |_| ApiError::internal("a record that was read cannot be understood");
    whole(&Value::Object(fields), Mode::Stored, read).map_err(unread)
}

/// An incident or a promise as the decision sees it: at its sites, or of the whole organization.
pub(super) fn outage(caller: &Caller, view: Option<&RecordView>) -> ApiResult<Object> {
    let view = view.ok_or_else(|| ApiError::new(ProblemKind::NotFound))?;
    let sites = model::outage::places(view.kind, &view.fields);
    let organization = caller.organization();
    Ok(if sites.is_empty() { Object::of(organization) } else { Object::at(organization, sites) })
}

/// A page of the incidents or promises that the caller may see.
pub(super) async fn outages<K: Kind>(
    state: &State,
    caller: &Caller,
    request: &HttpRequest,
    kind: RecordKind,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    if caller.require(Action::ReadOutage, &Object::of(caller.organization())).is_err() {
        return Ok(answer::page(Vec::new(), None));
    }
    let after = after::<K>(state, caller, &list, cursor.as_deref())?.map(Id::uuid);
    let found =
        state.store.outages(caller.organization(), kind, caller.visible_sites(), after, limit).await?;
    page(state, caller, &list, &found)
}

/// The query of a request that writes: whether it is a dry run, and nothing else.
pub(super) fn writing(request: &HttpRequest) -> ApiResult<bool> {
    let mut params = Params::of(request)?;
    let dry_run = params.dry_run();
    params.close()?;
    Ok(dry_run)
}

/// The id after which a page begins, from a cursor bound to `list`.
pub(super) fn after<K: Kind>(
    state: &State,
    caller: &Caller,
    list: &str,
    cursor: Option<&str>,
) -> ApiResult<Option<Id<K>>> {
    cursor.map(|cursor| state.cursors.read(caller.organization(), list, cursor)).transpose()
}

/// A page of the records that have an id in another system.
pub(super) async fn with_external_id(
    state: &State,
    caller: &Caller,
    list: &str,
    query: ExternalQuery,
) -> ApiResult<HttpResponse> {
    let found = state.store.records_with(query).await?;
    page(state, caller, list, &found)
}

/// A page of records with the cursor of the next.
pub(super) fn page(
    state: &State,
    caller: &Caller,
    list: &str,
    page: &Page<RecordView>,
) -> ApiResult<HttpResponse> {
    let last = page.items.last().filter(|_| page.more).map(|view| view.id.hyphenated().to_string());
    let next = last.map(|id| state.cursors.make(caller.organization(), list, &id)).transpose()?;
    Ok(answer::page(page.items.iter().map(answer::record).collect(), next))
}

/// The record that was written.
pub(super) fn record_of(done: &Done) -> ApiResult<&RecordView> {
    match &done.written {
        Written::Record(view) => Ok(view),
        _ => Err(ApiError::internal("a record's edit wrote something else")),
    }
}
