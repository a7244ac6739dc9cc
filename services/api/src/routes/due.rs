//! `/v1/due`: what is due, over all units.

use std::collections::BTreeMap;

use actix_web::{HttpRequest, HttpResponse, web};
use interval::{DueState, Reason};
use model::{Code, EditionId, Instant, ScheduleId, SiteId, UnitId, read::Flaw, schedule::Pack};
use serde::{Deserialize, Serialize};
use store::view::{DuePlace, DueQuery, DueRow, ThenQuery};
use utoipa::ToSchema;

use super::{
    due_query::{self, DueBefore, Filters, Pin, is_zero},
    moment::{Asked, KnownThen, MomentParams, folded},
};
use crate::{
    extract::{Caller, Params},
    openapi::{PageParams, Problems},
    problem::ApiResult,
    state::State,
};

/// A place in a list.
#[derive(Serialize, Deserialize)]
struct Place {
    pin: Pin,
    due_at: i64,
    unit: UnitId,
    schedule: ScheduleId,
    task: Code,
}

/// The order of a list of due items.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand")]
pub(crate) enum DueSort {
    /// The earliest first.
    #[schema(rename = "due_at")]
    Earliest,
    /// The latest first.
    #[schema(rename = "-due_at")]
    Latest,
}

/// A page of due items, exact at its instant.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueList {
    /// The instant that the whole list is about; its pages keep it.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// How many of the units asked about are not worked out anew yet since a change that concerns many; their items
    /// are as before it. Absent if none.
    #[serde(skip_serializing_if = "is_zero")]
    #[schema(value_type = Option<usize>, example = 3200)]
    pending: usize,
    /// The items.
    items: Vec<DueLine>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// One task on one unit, in a list.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueLine {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// The unit's home site.
    #[schema(value_type = String, format = "uuid")]
    home_site_id: SiteId,
    /// Where the unit stands.
    #[schema(value_type = String, format = "uuid")]
    standing_site_id: SiteId,
    /// With the filter `site`: the unit is lent out, and this is the home site's copy of a line that is for the site
    /// where it stands.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    copy: bool,
    /// The schedule that asks for the work.
    #[schema(value_type = String, format = "uuid")]
    schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "oil_change")]
    task: Code,
    /// The edition of the schedule that holds for the unit. Absent only while `pending` units are worked out anew.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = "uuid")]
    edition_id: Option<EditionId>,
    /// The policy pack that names the edition, if one does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pack: Option<Pack>,
    /// The state.
    state: DueState,
    /// Why it is unknown.
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<Reason>,
    /// When the state changes next, given no new data; absent if never.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    until: Option<Instant>,
    /// The first instant of being due, given no new data; absent if never.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    due_at: Option<Instant>,
}

/// List what is due
///
/// One line for each task of each adopted schedule on each unit that you may see, exact at `as_of`. Items of unknown
/// state are lines too: missing data is never ok. After a change that concerns thousands of units, `pending` says how
/// many of them are still shown as they were before it; reading one unit is always right.
///
/// With `valid_at` ahead the list tells what will be due if nothing is recorded until then. With `valid_at` past, or with
/// `known_at`, every unit asked about is worked out anew, up to 200 of them; more are a problem.
///
/// A unit that is lent out is on the list of the site where it stands, and a copy is on that of its home site.
#[utoipa::path(get, path = "/v1/due", tag = "due", operation_id = "list_due",
    params(Filters, DueBefore, MomentParams,
        ("sort" = inline(Option<DueSort>), Query, description = "In which order; absent means `due_at`."),
        PageParams),
    responses((status = 200, body = DueList), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let filter = due_query::filter(&mut params, &caller);
    let asked = Asked::of(&mut params, caller.now());
    let descending = params.take("sort", |word| match word {
        "due_at" => Ok(false),
        "-due_at" => Ok(true),
        _ => Err(Flaw::new("unknown_word", "A list is sorted by due_at or -due_at.")),
    });
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let pin = Pin::keep(&state, &caller, &asked, place.as_ref().map(|place| place.pin)).await?;
    let (descending, site) = (descending.unwrap_or(false), filter.site);
    let after = place.map(DuePlace::from);
    let (page, pending, known, pin) = match pin.moment(&asked) {
        Some(moment) => {
            let query = ThenQuery { filter, moment, descending, after, limit };
            let then = folded(state.store.due_then(query).await?)?;
            let known = KnownThen::of(&asked, then.known_seq);
            (then.answer, 0, known, pin.known(then.known_seq))
        }
        None => {
            let query = DueQuery { filter, as_of: pin.as_of(), descending, after, limit };
            let (page, pending) = state.store.due(query).await?;
            (page, pending, KnownThen::NOW, pin)
        }
    };
    let labels = state
        .store
        .labels(caller.organization(), page.items.iter().map(|row| row.place.unit).collect())
        .await?;
    let editions = page.items.iter().filter_map(|row| row.edition).collect();
    let packs = state.store.packs(caller.organization(), editions).await?;
    let next = page.items.last().filter(|_| page.more).map(|row| place_of(row, pin));
    let next = next.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let names = Names { labels, packs };
    let items = page.items.into_iter().map(|row| line(row, &names, site)).collect();
    Ok(HttpResponse::Ok().json(DueList { as_of: pin.as_of(), known, pending, items, next }))
}

impl From<Place> for DuePlace {
    fn from(place: Place) -> Self {
        let Place { due_at, unit, schedule, task, .. } = place;
        Self { due_at: Instant::from_micros(due_at), unit, schedule, task }
    }
}

fn place_of(row: &DueRow, pin: Pin) -> Place {
    Place {
        pin,
        due_at: row.place.due_at.micros(),
        unit: row.place.unit,
        schedule: row.place.schedule,
        task: row.place.task.clone(),
    }
}

/// What the lines of a page are told with.
struct Names {
    labels: BTreeMap<UnitId, String>,
    packs: BTreeMap<EditionId, Pack>,
}

fn line(row: DueRow, names: &Names, site: Option<SiteId>) -> DueLine {
    DueLine {
        copy: site.is_some_and(|site| row.standing_site != site),
        unit_label: names.labels.get(&row.place.unit).cloned(),
        edition_id: row.edition,
        pack: row.edition.and_then(|edition| names.packs.get(&edition).cloned()),
        unit_id: row.place.unit,
        home_site_id: row.home_site,
        standing_site_id: row.standing_site,
        schedule_id: row.place.schedule,
        task: row.place.task,
        state: row.state,
        reason: row.reason,
        until: some(row.until),
        due_at: some(row.place.due_at),
    }
}

fn some(instant: Instant) -> Option<Instant> {
    (instant < Instant::LAST).then_some(instant)
}
