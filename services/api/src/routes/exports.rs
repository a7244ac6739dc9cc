//! `/v1/exports`: sites, units, service events and due items as CSV, written page by page as they are read.
//!
//! The columns are those that an import reads ([`import::columns`]), so that what is brought in elsewhere is the same there.

mod due;
mod rows;

use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder, http::header, web};
use futures_util::{StreamExt, stream};
use model::{SiteId, UnitId};

use self::{
    due::Items,
    rows::{Events, Pages, Sites, Units},
};
use crate::{
    extract::{Caller, Params},
    openapi::Problems,
    problem::{ApiError, ApiResult},
    state::State,
};

/// Records of a page that is read at a time.
const PAGE: usize = 500;

/// Export sites
///
/// The sites that you may see, by id, as CSV (RFC 4180): UTF-8 with a header row, ISO dates, and one `'` before text that a
/// spreadsheet would take for a formula.
#[utoipa::path(get, path = "/v1/exports/sites.csv", tag = "imports", operation_id = "export_sites",
    responses((status = 200, body = String, content_type = "text/csv", description = "One row for each site."), Problems))]
pub(super) async fn sites(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    file("sites.csv", Sites::new(state, caller)).await
}

/// Export units
///
/// The units at home at, or standing at, a site that you may see, by id.
#[utoipa::path(get, path = "/v1/exports/units.csv", tag = "imports", operation_id = "export_units",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only units of this site: at home there, or standing there.")),
    responses((status = 200, body = String, content_type = "text/csv", description = "One row for each unit."), Problems))]
pub(super) async fn units(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    params.close()?;
    file("units.csv", Units::new(state, caller, site)).await
}

/// Export service events
///
/// What happened to the units that you may see, unit by unit in the order it happened, voided events and corrections included;
/// adoptions for a model are not of one unit, and not among them.
#[utoipa::path(get, path = "/v1/exports/service-events.csv", tag = "imports", operation_id = "export_service_events",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only units of this site: at home there, or standing there.")),
    responses((status = 200, body = String, content_type = "text/csv", description = "One row for each event."), Problems))]
pub(super) async fn service_events(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    params.close()?;
    file("service-events.csv", Events::new(Units::new(state, caller, site))).await
}

/// Export what is due
///
/// One row for each task of each adopted schedule on each unit that you may see, the earliest due first, all of one instant.
#[utoipa::path(get, path = "/v1/exports/due.csv", tag = "imports", operation_id = "export_due",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only units of this site: at home there, or standing there."),
        ("unit" = Option<String>, Query, format = "uuid", description = "Only this unit.")),
    responses((status = 200, body = String, content_type = "text/csv", description = "One row for each due item."), Problems))]
pub(super) async fn due(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    let unit = params.take("unit", UnitId::parse);
    params.close()?;
    file("due.csv", Items::new(state, caller, site, unit).await?).await
}

/// A file that is written as its pages are read; the first of them before anything is answered, so that what fails is a problem.
async fn file(name: &str, mut pages: impl Pages + 'static) -> ApiResult<HttpResponse> {
    let first = pages.next().await?.unwrap_or_default();
    let rest = stream::unfold(Some(pages), |pages| async {
        let mut pages = pages?;
        match pages.next().await {
            Ok(Some(bytes)) => Some((Ok(bytes), Some(pages))),
            Ok(None) => None,
            // The connection breaks off, so that nobody takes the part for the whole.
            Err(error) => Some((Err(actix_web::Error::from(error)), None)),
        }
    });
    let first = stream::once(async { Ok(first) });
    let body = first.chain(rest).map(|bytes: Result<Vec<u8>, actix_web::Error>| bytes.map(web::Bytes::from));
    Ok(attached(name).streaming(Box::pin(body)))
}

/// The answer that a file is sent in.
pub(super) fn attached(name: &str) -> HttpResponseBuilder {
    let mut answer = HttpResponse::Ok();
    answer
        .content_type("text/csv; charset=utf-8; header=present")
        .insert_header((header::CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")));
    answer
}

/// What a file could not be written for.
pub(super) fn unwritten(error: impl std::fmt::Display) -> ApiError {
    ApiError::internal(error)
}
