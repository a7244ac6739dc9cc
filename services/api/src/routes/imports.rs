//! `/v1/imports`: files that are brought in, how far they are, and what is said of their rows.

mod shapes;

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, http::header, web};
use import::Mapping;
use model::{
    ImportId, Instant,
    read::{FieldError, Flaw, Mode, boolean, whole, word},
};
use serde_json::Value;
use store::imports::{ImportJob, ImportQuery, ImportState, NewImport};

pub(super) use self::shapes::Import;
use self::shapes::{ImportApply, ImportNew, ImportRow, ImportRows, Imports, ON_ERROR};
use super::handsets::{Nothing, nothing_in};
use crate::{
    extract::{self, Caller, Params, path_id},
    imports::{Bench, KEPT_SECONDS},
    openapi::{IdempotencyKey, PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// List imports
///
/// Your own, the newest first; coordinators and admins with a grant on all sites see everybody's.
#[utoipa::path(get, path = "/v1/imports", tag = "imports", operation_id = "list_imports",
    params(PageParams),
    responses((status = 200, body = Imports), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let organization = caller.organization();
    let after: Option<(i64, ImportId)> =
        cursor.map(|cursor| state.cursors.read(organization, &list, &cursor)).transpose()?;
    let after = after.map(|(made_at, id)| (Instant::from_micros(made_at), id));
    let author = (!sees_all(&caller)).then(|| caller.person());
    let query = ImportQuery { organization, author, now: caller.now(), after, limit };
    let page = state.store.imports(query).await?;
    let last = page.items.last().filter(|_| page.more).map(|job| (job.made_at.micros(), job.id));
    let next = last.map(|place| state.cursors.make(organization, &list, &place)).transpose()?;
    Ok(HttpResponse::Ok().json(Imports { items: page.items.into_iter().map(Import::from).collect(), next }))
}

/// Bring in a file
///
/// For coordinators and integrators; each row is then judged like a request of yours. Say how the file is to be read, then send
/// it to `/v1/imports/{import_id}/file`. A row that names a site or unit by its id, or by its id in another system, changes that;
/// else it makes one. Cells that are empty leave things as they are. Bringing in the same file again changes nothing.
#[utoipa::path(post, path = "/v1/imports", tag = "imports", operation_id = "create_import", request_body = ImportNew,
    params(IdempotencyKey),
    responses((status = 201, body = Import), (status = 200, description = "It was made before, by the same request.", body = Import),
        Problems))]
pub(super) async fn create(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let key = extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    caller.require(Action::Import, &Object::of(caller.organization()))?;
    let (id, mapping, all_or_none, dry_run) = read_new(&body)?;
    let id = own_id(id, key, &caller)?;
    let new = NewImport {
        organization: caller.organization(),
        id,
        author: caller.person(),
        made_at: caller.now(),
        expires_at: caller.now().plus_seconds(KEPT_SECONDS),
        records: mapping.1,
        mapping: mapping.0,
        all_or_none,
        dry_run,
        applies: None,
    };
    made(&state, new).await
}

/// Read an import
///
/// How far it is, and what became of its rows. After `expires_at` it is gone.
#[utoipa::path(get, path = "/v1/imports/{import_id}", tag = "imports", operation_id = "read_import",
    params(("import_id" = String, Path, format = "uuid", description = "The import.")),
    responses((status = 200, body = Import), Problems))]
pub(super) async fn read(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    Ok(HttpResponse::Ok().json(Import::from(found(&state, &caller, &request).await?)))
}

/// List what is said of rows
///
/// Of every row that is not plainly fine: the line, the column, why, and what to write instead.
#[utoipa::path(get, path = "/v1/imports/{import_id}/rows", tag = "imports", operation_id = "list_import_rows",
    params(("import_id" = String, Path, format = "uuid", description = "The import."), PageParams),
    responses((status = 200, body = ImportRows), Problems))]
pub(super) async fn rows(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let organization = caller.organization();
    let job = found(&state, &caller, &request).await?;
    let after = cursor.map(|cursor| state.cursors.read(organization, &list, &cursor)).transpose()?;
    let page = state.store.import_report(organization, job.id, after.unwrap_or(0), limit).await?;
    let last = page.items.last().filter(|_| page.more).map(|line| line.n);
    let next = last.map(|n| state.cursors.make(organization, &list, &n)).transpose()?;
    let items = page.items.into_iter().map(ImportRow::from);
    Ok(HttpResponse::Ok().json(ImportRows { items: items.collect(), next }))
}

/// Stop an import
///
/// For whoever sees it. What was written stays, and so does what is being written; no further row is taken. Stopping it again changes nothing.
#[utoipa::path(post, path = "/v1/imports/{import_id}/cancel", tag = "imports", operation_id = "cancel_import",
    request_body = Nothing,
    params(("import_id" = String, Path, format = "uuid", description = "The import."), IdempotencyKey),
    responses((status = 200, body = Import), Problems))]
pub(super) async fn cancel(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    extract::idempotency_key(&request)?;
    nothing_in(&request, payload).await?;
    let job = found(&state, &caller, &request).await?;
    if job.state.is_final() && job.state != ImportState::Cancelled {
        return Err(wrong_state(&job, "It has ended."));
    }
    state.store.cancel_import(caller.organization(), job.id, caller.now()).await?;
    Ok(HttpResponse::Ok().json(Import::from(found(&state, &caller, &request).await?)))
}

/// Write what a dry run has judged
///
/// For whoever made it: an import of the same file with the same mapping, which is not sent again. Each row is judged anew.
#[utoipa::path(post, path = "/v1/imports/{import_id}/apply", tag = "imports", operation_id = "apply_import",
    request_body = ImportApply,
    params(("import_id" = String, Path, format = "uuid", description = "The dry run."), IdempotencyKey),
    responses((status = 201, body = Import), (status = 200, description = "It was made before, by the same request.", body = Import),
        Problems))]
pub(super) async fn apply(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let key = extract::idempotency_key(&request)?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let job = own(&state, &caller, &request).await?;
    let id =
        whole(&body, Mode::New, |o| Some(o.optional("id", ImportId::read))).map_err(ApiError::invalid)?;
    let id = own_id(id, key, &caller)?;
    if !job.dry_run || job.state != ImportState::Done {
        return Err(wrong_state(&job, "Only a dry run that is done can be written."));
    }
    let mapping = Mapping::parse(job.mapping.as_bytes()).map_err(|_| ApiError::internal("its mapping"))?;
    let new = NewImport {
        organization: caller.organization(),
        id,
        author: caller.person(),
        made_at: caller.now(),
        expires_at: caller.now().plus_seconds(KEPT_SECONDS),
        records: mapping.records().as_str(),
        mapping: job.mapping,
        all_or_none: job.all_or_none,
        dry_run: false,
        applies: Some(job.id),
    };
    made(&state, new).await
}

/// What a body says of a new import: the mapping as text and what it is of.
type New = (Option<ImportId>, (String, &'static str), bool, bool);

fn read_new(body: &Value) -> ApiResult<New> {
    let read = whole(body, Mode::New, |o| {
        let id = o.optional("id", ImportId::read);
        let mapping = o.required("mapping", |value| Ok(value.clone()));
        let on_error = o.optional("on_error", word(ON_ERROR)).unwrap_or(false);
        let dry_run = o.optional("dry_run", boolean).unwrap_or(false);
        Some((id, mapping?, on_error, dry_run))
    });
    let (id, mapping, all_or_none, dry_run) = read.map_err(ApiError::invalid)?;
    let text = proof::canonical(&mapping).map_err(ApiError::internal)?.into_string();
    let parsed = Mapping::parse(text.as_bytes()).map_err(|errors| {
        let within = |error: FieldError| FieldError {
            pointer: error.pointer.map(|pointer| format!("/mapping{pointer}")),
            ..error
        };
        ApiError::invalid(errors.into_iter().map(within).collect())
    })?;
    Ok((id, (text, parsed.records().as_str()), all_or_none, dry_run))
}

/// The id for a new import: that in the body, or the key, or a fresh one; a body and a key may not say two.
fn own_id(id: Option<ImportId>, key: Option<model::EditId>, caller: &Caller) -> ApiResult<ImportId> {
    if let Some(id) = id {
        crate::intake::one_id(key, id.cast())?;
        return Ok(id);
    }
    Ok(crate::intake::fallback(key, caller).cast())
}

/// Makes a job, or finds the one that the same request has made before.
async fn made(state: &State, new: NewImport) -> ApiResult<HttpResponse> {
    let (job, is_new) = state.store.make_import(new.clone()).await?;
    let same = job.author == new.author
        && job.mapping == new.mapping
        && (job.all_or_none, job.dry_run, job.applies) == (new.all_or_none, new.dry_run, new.applies);
    if !same {
        let detail = format!("An import with the id {} was made before, with other content.", new.id);
        return Err(ApiError::new(Kind::IdReused).detail(detail));
    }
    if job.state == ImportState::Queued {
        state.imports_wait.notify_one();
    }
    let location = format!("/v1/imports/{}", job.id);
    let mut response = if is_new { HttpResponse::Created() } else { HttpResponse::Ok() };
    if is_new {
        response.insert_header((header::LOCATION, location));
    }
    Ok(response.json(Import::from(job)))
}

/// Whether somebody sees what everybody brings in.
fn sees_all(caller: &Caller) -> bool {
    caller.require(Action::ReadImport { own: false }, &Object::of(caller.organization())).is_ok()
}

/// The import that a path names, to those who may see it.
async fn found(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<ImportJob> {
    let id: ImportId = path_id(request, "import_id")?;
    let nothing = || ApiError::new(Kind::NotFound);
    let job = state.store.import(caller.organization(), id).await?.ok_or_else(nothing)?;
    let object = Object::of(caller.organization());
    if job.author == caller.person() {
        caller.require(Action::ReadImport { own: true }, &object)?;
    } else if !sees_all(caller) {
        return Err(nothing());
    }
    if job.expires_at <= caller.now() && !matches!(job.state, ImportState::Queued | ImportState::Running) {
        return Err(ApiError::new(Kind::ImportExpired));
    }
    Ok(job)
}

/// The import that a path names, to its author alone, who still may bring in files.
pub(super) async fn own(state: &State, caller: &Caller, request: &HttpRequest) -> ApiResult<ImportJob> {
    let job = found(state, caller, request).await?;
    if job.author != caller.person() {
        return Err(ApiError::new(Kind::Forbidden));
    }
    caller.require(Action::Import, &Object::of(caller.organization()))?;
    Ok(job)
}

/// That an import is not in a state for what is asked.
pub(super) fn wrong_state(job: &ImportJob, detail: &str) -> ApiError {
    let flaw = Flaw::new("wrong_state", format!("Its state is {}.", job.state.as_str()));
    ApiError::new(Kind::WrongState).detail(detail).errors(vec![FieldError::at("/state", flaw)])
}

/// What it takes to bring in files.
pub(super) fn bench(state: &State) -> Bench {
    Bench { store: state.store.clone(), clock: state.clock }
}
