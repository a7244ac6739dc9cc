//! `/v1/contested`: fields that people set without knowing of each other.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{EditId, HandsetId, Instant, PersonId, SiteId, edit::RecordKind, stamp::Stamp};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::view::{ContestedField, ContestedRecord, ContestedValue};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{
    extract::{Caller, Params},
    openapi::{PageParams, Problems},
    problem::{ApiError, ApiResult},
    state::State,
};

/// What is contested, by kind: the order of the list.
const KINDS: [RecordKind; 2] = [RecordKind::Unit, RecordKind::Site];

/// A place in the list: the last field of a page.
#[derive(Serialize, Deserialize)]
struct Place {
    /// Of a site, and no more of a unit.
    of_site: bool,
    id: String,
    field: String,
}

/// A page of contested fields.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ContestedFields {
    /// The fields: those of units, then those of sites, each by id and name.
    items: Vec<Contested>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// A field that people set without knowing of each other.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Contested {
    /// What it is a field of: `unit` or `site`.
    #[schema(example = "unit")]
    kind: &'static str,
    /// The unit or site.
    #[schema(format = "uuid")]
    id: String,
    /// Its name.
    #[schema(example = "label")]
    field: String,
    /// The record's tag: a PATCH of the field with it as If-Match settles the field.
    #[schema(example = "\"5-1f0c9a52d4e87b3016ac52f0\"")]
    etag: String,
    /// Every value, the one that counts first.
    #[schema(min_items = 2)]
    values: Vec<ContestedBy>,
}

/// One of several values of a field.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ContestedBy {
    /// The value; absent where the field was removed.
    #[serde(skip_serializing_if = "Value::is_null")]
    #[schema(value_type = Option<AnyField>, required = false)]
    value: Value,
    /// The stamp of the edit that set it, as its device made it.
    #[schema(value_type = String, example = "06GJPNV0000000000000")]
    raw: Stamp,
    /// That edit.
    #[schema(value_type = String, format = "uuid")]
    edit: EditId,
    /// Who set it.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
    /// The handset on which it was set, if it was on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    handset_id: Option<HandsetId>,
    /// When it was recorded.
    #[schema(value_type = String, format = DateTime)]
    at: Instant,
    /// Whether it is the one that counts, until somebody settles the field.
    wins: bool,
}

/// The value of a field, as the record has it.
#[derive(ToSchema)]
#[serde(untagged)]
#[allow(dead_code, reason = "describes what is sent as it was kept")]
enum AnyField {
    /// A text, an id or a date.
    Text(String),
    /// A number.
    Number(f64),
    /// Yes or no.
    Flag(bool),
    /// Several values.
    List(Vec<serde_json::Map<String, Value>>),
}

impl Contested {
    fn of(record: &ContestedRecord, field: ContestedField) -> Self {
        let by = |(n, value): (usize, ContestedValue)| ContestedBy {
            value: value.value,
            raw: value.raw,
            edit: value.edit,
            author: value.author,
            handset_id: value.handset,
            at: value.recorded_at,
            wins: n == 0,
        };
        Self {
            kind: record.kind.as_str(),
            id: record.id.hyphenated().to_string(),
            field: field.field,
            etag: record.etag.to_string(),
            values: field.values.into_iter().enumerate().map(by).collect(),
        }
    }
}

/// List contested fields
///
/// Fields of units and sites that people set without knowing of each other, each with every value. One of them counts
/// meanwhile; a PATCH of the field, with the tag that is given here, settles it, and it leaves the list.
#[utoipa::path(get, path = "/v1/contested", tag = "sync", operation_id = "list_contested",
    params(("site" = Option<String>, Query, format = "uuid", description = "Only this site, and units of it: at home there, or standing there."),
        PageParams),
    responses((status = 200, body = ContestedFields), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let site = params.take("site", SiteId::parse);
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let organization = caller.organization();
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(organization, &list, &cursor)).transpose()?;
    let sets: Vec<Vec<SiteId>> =
        caller.visible_sites().into_iter().chain(site.map(|site| vec![site])).collect();
    let of_site = place.as_ref().is_some_and(|place| place.of_site);
    let after = place.map(|place| Uuid::try_parse(&place.id).map(|id| (id, place.field)));
    let mut after = after.transpose().map_err(ApiError::internal)?;
    let (mut items, mut more) = (Vec::new(), false);
    for kind in KINDS.into_iter().filter(|kind| !of_site || *kind == RecordKind::Site) {
        let left = limit - items.len();
        // With no room left it is still asked whether anything follows.
        let page = state.store.contested(organization, kind, sets.clone(), after.take(), left).await?;
        more = page.more;
        items.extend(page.items.into_iter().flat_map(told));
        if more {
            break;
        }
    }
    let next = items.last().filter(|_| more).map(|last| {
        let of_site = last.kind == RecordKind::Site.as_str();
        state.cursors.make(
            organization,
            &list,
            &Place { of_site, id: last.id.clone(), field: last.field.clone() },
        )
    });
    Ok(HttpResponse::Ok().json(ContestedFields { items, next: next.transpose()? }))
}

/// The fields of a record as they are sent.
fn told(mut record: ContestedRecord) -> Vec<Contested> {
    let fields = std::mem::take(&mut record.fields);
    fields.into_iter().map(|field| Contested::of(&record, field)).collect()
}
