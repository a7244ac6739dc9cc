//! `/v1/unsubscribe/{token}`: leaving a mail list without a login (RFC 8058).

use std::sync::Arc;

use actix_web::{HttpRequest, HttpResponse, http::header, web};
use model::{
    OrganizationId, PersonId, RecipientId,
    edit::{Channel, Target},
};
use serde_json::json;
use store::{
    Command,
    command::{Outcome, Permission, Permit},
};

use crate::{
    extract::{self, Params},
    intake,
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    random,
    state::State,
};

/// What the page may do: nothing but send its form here.
const POLICY: &str =
    "default-src 'none'; style-src 'none'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/// The body that a mail program sends (RFC 8058 section 3.1).
const ONE_CLICK: [&str; 2] = ["List-Unsubscribe", "One-Click"];
/// How often somebody else may change the recipient meanwhile.
const LOOKS: usize = 3;

/// Ask whether somebody wants to leave a mail list
///
/// A page with one button. It changes nothing: links in mails are looked at by programs, too.
#[utoipa::path(get, path = "/v1/unsubscribe/{token}", tag = "mail", operation_id = "show_unsubscribe", security(()),
    params(("token" = String, Path, description = "From the mail.")),
    responses((status = 200, description = "The page.", content_type = "text/html", body = String), Problems))]
pub(super) async fn page(state: web::Data<State>, request: HttpRequest) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    recipient(&state, &request)?;
    Ok(HttpResponse::Ok()
        .insert_header((header::CONTENT_SECURITY_POLICY, POLICY))
        .content_type("text/html; charset=utf-8")
        .body(include_str!("unsubscribe/page.html")))
}

/// Leave a mail list
///
/// Takes the recipient of the mail off its list, at once and without a login. The same again is as well.
#[utoipa::path(post, path = "/v1/unsubscribe/{token}", tag = "mail", operation_id = "unsubscribe", security(()),
    params(("token" = String, Path, description = "From the mail.")),
    request_body(content = String, content_type = "application/x-www-form-urlencoded", description = "`List-Unsubscribe=One-Click`"),
    responses((status = 200, description = "They get no more mail of this list.", content_type = "text/plain", body = String), Problems))]
pub(super) async fn leave(
    state: web::Data<State>,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let (organization, recipient) = recipient(&state, &request)?;
    let body = extract::form(&request, payload).await?;
    if !ONE_CLICK.iter().all(|word| body.contains(word)) {
        return Err(ApiError::new(Kind::InvalidRequest).detail("The body is List-Unsubscribe=One-Click."));
    }
    for _ in 0..LOOKS {
        if leave_list(&state, organization, recipient).await? {
            return Ok(HttpResponse::Ok()
                .content_type("text/plain; charset=utf-8")
                .body("You get no more mail of this list.\n"));
        }
    }
    Err(ApiError::new(Kind::Busy))
}

fn recipient(state: &State, request: &HttpRequest) -> ApiResult<(OrganizationId, RecipientId)> {
    let token = request.match_info().get("token").unwrap_or_default();
    state.leaving.read(token).ok_or_else(|| ApiError::new(Kind::NotFound))
}

/// Takes somebody off a list; says whether that was done, and not overtaken by another change.
async fn leave_list(state: &State, organization: OrganizationId, recipient: RecipientId) -> ApiResult<bool> {
    let target = Target::Recipient(recipient);
    let view =
        state.store.record(organization, target).await?.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    if view.fields.contains_key("ended") {
        return Ok(true);
    }
    let now = state.clock.now();
    let edit =
        intake::patch(target, &json!({"ended": true}), random::id(now), Some(view.etag), random::salts()?)
            .map_err(ApiError::invalid)?;
    let command = Command {
        organization,
        // Nobody has signed in: the recipient stands for whoever holds the mail.
        author: PersonId::from_uuid(recipient.uuid()),
        channel: Channel::Service,
        now,
        edits: vec![edit],
        permit: Permit(Arc::new(|_| Permission::Allowed)),
        dry_run: false,
        calling: None,
        together: false,
        slice: None,
    };
    let outcomes = state.store.write(command).await?;
    Ok(outcomes.iter().all(|outcome| matches!(outcome, Outcome::Applied(_) | Outcome::AlreadyApplied(_))))
}
