//! `/docs`: the description for people, in a viewer that comes with the service and loads nothing from elsewhere.

use std::{borrow::Cow, collections::BTreeMap, sync::Arc, sync::LazyLock};

use actix_web::{HttpRequest, HttpResponse, http::header, web::Bytes};

use crate::{
    answer,
    extract::{Params, if_none_match_is},
    openapi::{IfNoneMatch, Problems},
    problem::{ApiError, ApiResult, Kind},
};

/// What the page may load: its own files, and the pictures inside its style sheet. The viewer sets styles of elements
/// one by one, which needs no exception for inline styles.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

const PAGE: &str = "page.html";

/// Files of the viewer that the page names.
const VIEWER: &[&str] = &["swagger-ui.css", "swagger-ui-bundle.js"];

/// A file as it is sent.
struct File {
    kind: String,
    bytes: Bytes,
    etag: String,
}

static FILES: LazyLock<BTreeMap<&str, File>> = LazyLock::new(|| {
    let own = [
        (PAGE, "text/html; charset=utf-8", include_str!("docs/page.html")),
        ("start.js", "text/javascript; charset=utf-8", include_str!("docs/start.js")),
    ];
    let own =
        own.map(|(name, kind, text)| (name, File::new(kind.to_owned(), Bytes::from_static(text.as_bytes()))));
    let viewers = VIEWER.iter().filter_map(|name| Some((*name, of_viewer(name)?)));
    own.into_iter().chain(viewers).collect()
});

/// Show this description
///
/// A page for people, with this description in it. It needs JavaScript and no token, and loads nothing from elsewhere.
#[utoipa::path(get, path = "/docs", tag = "service", operation_id = "read_docs", security(()),
    params(IfNoneMatch),
    responses((status = 200, description = "The page.", content_type = "text/html", body = String),
        (status = 304, description = "You have it already."), Problems))]
pub(super) async fn page(request: HttpRequest) -> ApiResult<HttpResponse> {
    send(&request, PAGE)
}

/// Read a file of the page
///
/// What the page at `/docs` loads: scripts and a style sheet.
#[utoipa::path(get, path = "/docs/{file}", tag = "service", operation_id = "read_docs_file", security(()),
    params(("file" = String, Path, description = "The file's name."), IfNoneMatch),
    responses((status = 200, description = "The file.", content_type = "text/javascript", body = String),
        (status = 304, description = "You have it already."), Problems))]
pub(super) async fn file(request: HttpRequest) -> ApiResult<HttpResponse> {
    match request.match_info().get("file").unwrap_or_default() {
        // The page's links lead from `/docs`.
        PAGE => Err(ApiError::new(Kind::NotFound)),
        name => send(&request, name),
    }
}

fn send(request: &HttpRequest, name: &str) -> ApiResult<HttpResponse> {
    Params::of(request)?.close()?;
    let file = FILES.get(name).ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let mut response =
        if if_none_match_is(request, &file.etag) { HttpResponse::NotModified() } else { HttpResponse::Ok() };
    response.insert_header((header::ETAG, file.etag.as_str()));
    response.insert_header((header::CONTENT_SECURITY_POLICY, POLICY));
    response.insert_header((header::CONTENT_TYPE, file.kind.as_str()));
    Ok(response.body(file.bytes.clone()))
}

impl File {
    fn new(kind: String, bytes: Bytes) -> Self {
        let etag = answer::tag_of(&bytes);
        Self { kind, bytes, etag }
    }
}

fn of_viewer(name: &str) -> Option<File> {
    let config = Arc::new(utoipa_swagger_ui::Config::from("openapi.json"));
    let file = utoipa_swagger_ui::serve(name, config).ok()??;
    let bytes = match file.bytes {
        Cow::Borrowed(bytes) => Bytes::from_static(bytes),
        Cow::Owned(bytes) => Bytes::from(bytes),
    };
    Some(File::new(format!("{}; charset=utf-8", file.content_type), bytes))
}
