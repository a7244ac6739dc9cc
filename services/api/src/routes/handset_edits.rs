//! `/v1/handsets/{handset_id}/edits`: what came from a handset and was not recorded.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use merge::Flag;
use model::{EditId, HandsetId, Instant, PersonId, SiteId, UnitId};
use proof::Hash;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use store::view::{KeptContent, KeptEdit, KeptPlace, KeptQuery, KeptState};
use utoipa::ToSchema;

use crate::{
    extract::{Caller, Params, path_id, word},
    openapi::{PageParams, Problems},
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

const STATES: [(&str, KeptState); 2] = [("parked", KeptState::Parked), ("refused", KeptState::Refused)];

/// A page of what came from a handset and was not recorded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HandsetEdits {
    /// The edits, the one that came first first.
    items: Vec<HandsetEdit>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// An edit of a handset that was not recorded.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct HandsetEdit {
    /// The edit. Two with one id are two contents: the later one was refused.
    #[schema(value_type = String, format = "uuid")]
    id: EditId,
    /// `parked`: it waits; `refused`: it never counts.
    #[schema(example = "refused")]
    state: &'static str,
    /// Why, in the word that the handset was told: of a parked one `missing_parent`, `group_incomplete` or `newer_format`.
    #[schema(example = "invalid")]
    reason: String,
    /// Its number among the edits of the handset; absent where none could be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1)]
    number: Option<i64>,
    /// What it is about: `service_event`, `unit` or `site`; absent where it could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "service_event")]
    kind: Option<&'static str>,
    /// Whether it makes that (`create`), or sets fields of it (`set`); absent where it could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "create")]
    action: Option<&'static str>,
    /// The service event, unit or site; absent where it could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(format = "uuid")]
    record_id: Option<String>,
    /// The unit that it names, whether there is such a one or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    unit_id: Option<UnitId>,
    /// What is noted of it, as in the answers of `/v1/sync`.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false)]
    flags: Vec<&'static str>,
    /// Who made it, as it says.
    #[schema(value_type = String, format = "uuid")]
    author: PersonId,
    /// When it first came.
    #[schema(value_type = String, format = DateTime)]
    received_at: Instant,
    /// When what it tells of happened, put right by the offset of the handset's clock; absent where only the day is known,
    /// or nothing happened.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    occurred_at: Option<Instant>,
    /// The group of the handset's edits with which it counts or not.
    #[serde(skip_serializing_if = "Option::is_none")]
    group: Option<EditGroup>,
    /// The members of the event, or the fields; absent where it could not be read.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    body: Option<Value>,
    /// All of an edit that could not be read, as it came; of one that was too large without what is long.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    sent: Option<Value>,
}

/// Edits of a handset that count together or not at all, as far as it could be read.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct EditGroup {
    /// Its name among the groups of the handset.
    #[schema(format = "uuid")]
    id: String,
    /// How many edits it has.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, example = 2)]
    size: Option<usize>,
}

impl From<KeptEdit> for HandsetEdit {
    fn from(edit: KeptEdit) -> Self {
        let state = STATES.iter().find(|(_, state)| *state == edit.state).map(|(word, _)| *word);
        let of =
            |(id, size): (uuid::Uuid, Option<usize>)| EditGroup { id: id.hyphenated().to_string(), size };
        let base = Self {
            id: edit.place.edit,
            state: state.unwrap_or_default(),
            reason: edit.reason,
            number: Some(edit.number).filter(|number| *number > 0),
            kind: None,
            action: None,
            record_id: None,
            unit_id: edit.unit,
            flags: edit.flags.into_iter().map(Flag::as_str).collect(),
            author: edit.author,
            received_at: edit.place.received_at,
            occurred_at: edit.occurred_at,
            group: edit.group.map(of),
            body: None,
            sent: None,
        };
        match edit.content {
            KeptContent::Unread(sent) => Self { sent: Some(sent), ..base },
            KeptContent::Read { kind, record, creates, body } => Self {
                kind: Some(kind.as_str()),
                action: Some(if creates { "create" } else { "set" }),
                record_id: Some(record.hyphenated().to_string()),
                body: Some(body),
                ..base
            },
        }
    }
}

/// A place in the list, as its cursor has it.
#[derive(Serialize, Deserialize)]
struct Place {
    at: i64,
    edit: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    other: Option<Hash>,
}

impl Place {
    fn of(place: KeptPlace) -> Self {
        Self { at: place.received_at.micros(), edit: place.edit.to_string(), other: place.other }
    }

    fn read(self) -> ApiResult<KeptPlace> {
        let edit = EditId::parse(&self.edit).map_err(|_| ApiError::internal("a cursor without an edit"))?;
        Ok(KeptPlace { received_at: Instant::from_micros(self.at), edit, other: self.other })
    }
}

/// List the edits of a handset that were not recorded
///
/// What it sent and what waits or was refused, in the order in which it came, with what it says: for whoever has to find
/// out what became of an entry. Edits that wait for a person are in `/v1/held`.
///
/// For coordinators, admins, planners and auditors, each at their sites; what names no unit that is known is shown to those
/// with a grant on all sites. Whoever has signed in on the handset sees what they made themselves.
#[utoipa::path(get, path = "/v1/handsets/{handset_id}/edits", tag = "handsets", operation_id = "list_handset_edits",
    params(("handset_id" = String, Path, format = "uuid", description = "The handset."),
        ("state" = Option<String>, Query, description = "Only those that are `parked`, or `refused`."),
        PageParams),
    responses((status = 200, body = HandsetEdits), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let handset: HandsetId = path_id(&request, "handset_id")?;
    let mut params = Params::of(&request)?;
    let kept = params.take("state", |text| word(&STATES, "A state", text));
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let organization = caller.organization();
    let after: Option<Place> =
        cursor.map(|cursor| state.cursors.read(organization, &list, &cursor)).transpose()?;
    let after = after.map(Place::read).transpose()?;
    let (sites, own) = sight(&state, &caller, handset).await?;
    let query = KeptQuery { organization, handset, state: kept, sites, own, after, limit };
    let page = state.store.kept(query).await?;
    let last = page.items.last().filter(|_| page.more).map(|edit| Place::of(edit.place.clone()));
    let next = last.map(|place| state.cursors.make(organization, &list, &place)).transpose()?;
    let items = page.items.into_iter().map(HandsetEdit::from).collect();
    Ok(HttpResponse::Ok().json(HandsetEdits { items, next }))
}

/// Of which sites the caller sees what a handset sent, none meaning all, and whether what they made themselves.
async fn sight(
    state: &State,
    caller: &Caller,
    handset: HandsetId,
) -> ApiResult<(Option<Vec<SiteId>>, Option<PersonId>)> {
    let organization = caller.organization();
    let missing = || ApiError::new(Kind::NotFound);
    let view = state.store.handset(organization, handset).await?.ok_or_else(missing)?;
    let own = Some(caller.person()).filter(|person| view.state.signed_in.contains(person));
    if caller.require(Action::ReadHeld, &Object::of(organization)).is_ok() {
        return Ok((caller.sites_for(Action::ReadHeld), own));
    }
    caller
        .require(Action::ReadHandset { own: own.is_some() }, &Object::of(organization))
        .map_err(|_| missing())?;
    Ok((Some(Vec::new()), own))
}
