//! `/v1/mail-lists` and `/v1/recipients`: who gets the digest of what is due, about which sites, and when.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    MailListId,
    edit::{RecordKind, Target},
    read::{FieldError, Flaw},
};

use super::records;
use crate::{
    extract::{Bearer, Caller, Params, path_id},
    openapi::{
        ChangeHeaders, DryRun, IdempotencyKey, IfNoneMatch, MailList, MailListNew, MailListPatch, MailLists,
        PageParams, Problems, Recipient, RecipientNew, RecipientPatch, Recipients,
    },
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// List mail lists
///
/// By id, those that are given up included. For coordinators and admins.
#[utoipa::path(get, path = "/v1/mail-lists", tag = "mail", operation_id = "list_mail_lists",
    params(PageParams),
    responses((status = 200, body = MailLists), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    caller.require(Action::ManageMail, &Object::of(caller.organization()))?;
    let after = records::after::<model::id::kind::MailList>(&state, &caller, &list, cursor.as_deref())?;
    let after = after.map(MailListId::uuid);
    let page = state.store.records(caller.organization(), RecordKind::MailList, None, after, limit).await?;
    records::page(&state, &caller, &list, &page)
}

/// Make a mail list
///
/// Its first digest is made at its next time of day, then one each day on which something changed, and on its day of the
/// heartbeat. Whoever is on it is told of its sites what somebody of its role may see.
#[utoipa::path(post, path = "/v1/mail-lists", tag = "mail", operation_id = "create_mail_list", request_body = MailListNew,
    params(DryRun, IdempotencyKey),
    responses((status = 201, body = MailList), (status = 200, description = "It was made before, by the same request.", body = MailList),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::MailList).await
}

/// Read a mail list
///
/// Its fields, with a strong ETag to change it by.
#[utoipa::path(get, path = "/v1/mail-lists/{mail_list_id}", tag = "mail", operation_id = "read_mail_list",
    params(("mail_list_id" = String, Path, format = "uuid", description = "The mail list."), IfNoneMatch),
    responses((status = 200, body = MailList), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let list = path_id(&request, "mail_list_id")?;
    records::read(&state, bearer, &request, Target::MailList(list), Action::ManageMail).await
}

/// Change a mail list
///
/// JSON Merge Patch: members sent are set, null removes one. A list that is `retired` gets no more mail.
#[utoipa::path(patch, path = "/v1/mail-lists/{mail_list_id}", tag = "mail", operation_id = "change_mail_list",
    request_body(content = MailListPatch, content_type = "application/merge-patch+json"),
    params(("mail_list_id" = String, Path, format = "uuid", description = "The mail list."), DryRun, ChangeHeaders),
    responses((status = 200, body = MailList), Problems))]
pub(super) async fn change(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let list = path_id(&request, "mail_list_id")?;
    records::change(&state, &caller, &request, payload, Target::MailList(list)).await
}

/// List the recipients of a mail list
///
/// By id, those that have left included.
#[utoipa::path(get, path = "/v1/recipients", tag = "mail", operation_id = "list_recipients",
    params(("mail_list" = String, Query, format = "uuid", description = "The mail list."), PageParams),
    responses((status = 200, body = Recipients), Problems))]
pub(super) async fn list_recipients(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let of = params.take("mail_list", MailListId::parse);
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let of = of.ok_or_else(|| {
        let flaw = Flaw::new("required", "Say of which mail list.");
        ApiError::new(Kind::InvalidParameter).errors(vec![FieldError::in_parameter("mail_list", flaw)])
    })?;
    caller.require(Action::ManageMail, &Object::of(caller.organization()))?;
    let after = records::after::<model::id::kind::Recipient>(&state, &caller, &list, cursor.as_deref())?;
    let page = state
        .store
        .records(
            caller.organization(),
            RecordKind::Recipient,
            Some(of.uuid()),
            after.map(model::RecipientId::uuid),
            limit,
        )
        .await?;
    records::page(&state, &caller, &list, &page)
}

/// Put somebody on a mail list
///
/// With `person_id` they are told no more than that person may see at the time, and nothing once they see none of its
/// sites.
#[utoipa::path(post, path = "/v1/recipients", tag = "mail", operation_id = "create_recipient", request_body = RecipientNew,
    params(DryRun, IdempotencyKey),
    responses((status = 201, body = Recipient), (status = 200, description = "They were put on it before, by the same request.", body = Recipient),
        Problems))]
pub(super) async fn create_recipient(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    records::create(&state, &caller, &request, payload, RecordKind::Recipient).await
}

/// Read a recipient
///
/// Their fields, with a strong ETag to change them by.
#[utoipa::path(get, path = "/v1/recipients/{recipient_id}", tag = "mail", operation_id = "read_recipient",
    params(("recipient_id" = String, Path, format = "uuid", description = "The recipient."), IfNoneMatch),
    responses((status = 200, body = Recipient), (status = 304, description = "You have it already."),
        Problems))]
pub(super) async fn read_recipient(
    state: web::Data<State>,
    bearer: Bearer,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let recipient = path_id(&request, "recipient_id")?;
    records::read(&state, bearer, &request, Target::Recipient(recipient), Action::ManageMail).await
}

/// Change a recipient
///
/// JSON Merge Patch: members sent are set, null removes one. One that has `ended` gets no more mail; a change also has mail
/// sent again to an address that had been refused for good.
#[utoipa::path(patch, path = "/v1/recipients/{recipient_id}", tag = "mail", operation_id = "change_recipient",
    request_body(content = RecipientPatch, content_type = "application/merge-patch+json"),
    params(("recipient_id" = String, Path, format = "uuid", description = "The recipient."), DryRun, ChangeHeaders),
    responses((status = 200, body = Recipient), Problems))]
pub(super) async fn change_recipient(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    let recipient = path_id(&request, "recipient_id")?;
    records::change(&state, &caller, &request, payload, Target::Recipient(recipient)).await
}
