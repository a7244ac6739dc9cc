//! The description as it is served: what the macros made, made fit for people and for generators of types.

use std::sync::OnceLock;

use serde::Serialize;
use serde_json::{Map, Value};

use super::{answers, examples, flatten, generated, requests, schemas, subjects};
use crate::problem::{ApiError, ApiResult};

/// The description, its parts in the order in which one reads them.
#[derive(Serialize)]
pub(super) struct Description {
    openapi: Value,
    info: Value,
    tags: Value,
    security: Value,
    paths: Value,
    components: Value,
}

/// The description as it is served and checked in.
pub(crate) fn text() -> ApiResult<&'static str> {
    static TEXT: OnceLock<String> = OnceLock::new();
    if let Some(text) = TEXT.get() {
        return Ok(text);
    }
    let mut text = serde_json::to_string_pretty(&finished()?).map_err(ApiError::internal)?;
    text.push('\n');
    Ok(TEXT.get_or_init(|| text))
}

/// The finished description.
pub(super) fn finished() -> ApiResult<Description> {
    let mut whole = serde_json::to_value(generated()).map_err(ApiError::internal)?;
    if let Some(Value::Object(all)) = whole.pointer_mut("/components/schemas") {
        flatten::flatten(all);
        subjects::describe(all);
    }
    flatten::absent_instead_of_null(&mut whole);
    schemas::visit(&mut whole, &mut unwrap_lines);
    let mut take = |name: &str| whole.get_mut(name).map(Value::take).unwrap_or_default();
    let (mut paths, mut components) = (take("paths"), take("components"));
    if let Some(Value::Object(all)) = components.get_mut("schemas") {
        requests::patches(all);
        requests::close(&paths, all);
        schemas::drop_unused(&paths, all);
        answers::describe(&mut paths, all);
    }
    examples::insert(&mut paths, &mut components)?;
    let mut info = take("info");
    // Nobody has given the project a licence yet, and an empty one is worse than none.
    info.as_object_mut().map(|members| members.remove("license"));
    let (openapi, tags, security) = (take("openapi"), take("tags"), take("security"));
    Ok(Description { openapi, info, tags, security, paths, components })
}

/// Lines that a comment in the source was wrapped into become one line again; paragraphs stay apart.
fn unwrap_lines(members: &mut Map<String, Value>) {
    if let Some(Value::String(text)) = members.get_mut("description") {
        let paragraphs = text.split("\n\n").map(|paragraph| paragraph.replace('\n', " "));
        *text = paragraphs.collect::<Vec<_>>().join("\n\n");
    }
}
