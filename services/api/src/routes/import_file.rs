//! `/v1/imports/{import_id}/file`: the file itself, kept as it comes.

use std::time::Duration;

use actix_web::{HttpRequest, HttpResponse, http::header, web};
use futures_util::StreamExt;
use import::{FILE_BYTES_MOST, Format, Mapping, RECORD_BYTES_MOST};
use model::read::{FieldError, Flaw};
use store::imports::{ImportJob, ImportState};

use super::imports::{Import, bench, own, wrong_state};
use crate::{
    extract::{Caller, Params},
    imports::{Bench, Incoming, TOGETHER_BYTES_MOST, Unkept},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// How long the next bytes of a file may take to come,
const PATIENCE: Duration = Duration::from_secs(30);
/// and all of it.
const PATIENCE_FOR_ALL: Duration = Duration::from_secs(3600);

/// Send the file
///
/// The bytes as they are, once, as `text/csv` or, where the mapping says so, as `application/x-ndjson`; they may come compressed
/// with gzip. At most 256 MiB, 1,000,000 rows and 1,000 columns, and 32 MiB where all rows are taken or none. A line of more than
/// 1 MiB is refused as soon as it comes. The rows are then judged one after the other: read the import to see how far it is.
#[utoipa::path(put, path = "/v1/imports/{import_id}/file", tag = "imports", operation_id = "send_import_file",
    request_body(content = String, content_type = "text/csv", description = "The file."),
    params(("import_id" = String, Path, format = "uuid", description = "The import.")),
    responses((status = 202, body = Import, description = "The file is there, and will be gone through."), Problems))]
pub(super) async fn send(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let job = own(&state, &caller, &request).await?;
    let packed = checked(&request, &job)?;
    if job.state != ImportState::WaitingForFile {
        return Err(wrong_state(&job, "It has its file already, or was stopped."));
    }
    let (bench, organization) = (bench(&state), caller.organization());
    let most = if job.all_or_none { TOGETHER_BYTES_MOST } else { FILE_BYTES_MOST };
    let mut incoming = Incoming::begin(&bench, organization, packed, most).await?;
    let file = incoming.file();
    let taken = tokio::time::timeout(PATIENCE_FOR_ALL, take(&mut incoming, payload)).await;
    let kept = match taken.unwrap_or_else(|_| Err(Ok(ApiError::new(Kind::TooSlow)))) {
        Ok(()) => incoming.end().await.map_err(|why| unkept(why, most)),
        Err(error) => Err(error.unwrap_or_else(|why| unkept(why, most))),
    };
    let given = match kept {
        Ok(file) => state.store.give_file(organization, job.id, file).await?,
        Err(error) => {
            give_up(bench, organization, file);
            return Err(error);
        }
    };
    if !given {
        give_up(bench, organization, file);
        return Err(wrong_state(&job, "It was given another file meanwhile, or was stopped."));
    }
    state.imports_wait.notify_one();
    let job_path = format!("/v1/imports/{}", job.id);
    let mut accepted = HttpResponse::Accepted();
    accepted.insert_header((header::LOCATION, job_path));
    Ok(accepted.json(Import::from(ImportJob { state: ImportState::Queued, ..job })))
}

/// Whether the file comes compressed; an error if it is not what the mapping says.
fn checked(request: &HttpRequest, job: &ImportJob) -> ApiResult<bool> {
    let mapping = Mapping::parse(job.mapping.as_bytes()).map_err(|_| ApiError::internal("its mapping"))?;
    let wanted = match mapping.format() {
        Format::Csv => "text/csv",
        Format::Ndjson => "application/x-ndjson",
    };
    let headers = request.headers();
    let text = |name: header::HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
    let media = text(header::CONTENT_TYPE).unwrap_or_default().split(';').next().unwrap_or_default();
    if !media.trim().eq_ignore_ascii_case(wanted) {
        return Err(ApiError::media_type(wanted));
    }
    match text(header::CONTENT_ENCODING).unwrap_or("identity").trim().to_ascii_lowercase().as_str() {
        "identity" => Ok(false),
        "gzip" | "x-gzip" => Ok(true),
        _ => Err(ApiError::coding("gzip")),
    }
}

/// Takes all that is sent.
async fn take(
    incoming: &mut Incoming<'_>,
    mut payload: web::Payload,
) -> Result<(), Result<ApiError, Unkept>> {
    loop {
        let next = tokio::time::timeout(PATIENCE, payload.next()).await;
        match next.map_err(|_| Ok(ApiError::new(Kind::TooSlow)))? {
            None => return Ok(()),
            Some(Ok(bytes)) => incoming.take(&bytes).await.map_err(Err)?,
            Some(Err(_)) => return Err(Err(Unkept::Broken)),
        }
    }
}

fn unkept(why: Unkept, most: u64) -> ApiError {
    match why {
        Unkept::TooLarge => ApiError::too_large(usize::try_from(most).unwrap_or(usize::MAX)),
        Unkept::LineTooLong => {
            let detail =
                format!("A line has at most {} MiB: this is no table of rows.", RECORD_BYTES_MOST >> 20);
            let flaw = Flaw::new("record_too_large", detail);
            ApiError::new(Kind::TooLarge).errors(vec![FieldError::at("", flaw)])
        }
        Unkept::Broken => {
            let flaw =
                Flaw::new("broken_off", "The file broke off, or is not of the coding in Content-Encoding.");
            ApiError::invalid(vec![FieldError::at("", flaw)])
        }
        Unkept::Failed(error) => error.into(),
    }
}

/// Drops what was kept of a file that came to nothing, after the answer.
fn give_up(bench: Bench, organization: model::OrganizationId, file: uuid::Uuid) {
    tokio::spawn(async move {
        if let Err(error) = bench.drop_file(organization, file).await {
            // It is dropped with the strays a day later.
            tracing::warn!(%error, "a file that came to nothing could not be dropped");
        }
    });
}
