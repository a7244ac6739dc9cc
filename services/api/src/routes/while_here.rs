//! `/v1/sites/{site_id}/while-here`: everything whose window is open on the units that stand at a site.

use access::{Action, Object};
use actix_web::{HttpRequest, HttpResponse, web};
use device::{Include, SetAsideReading, UnitDueItem, each_once, is_open, set_aside, summed, with_task};
use interval::EngineHours;
use model::{
    Instant, SiteId, UnitId,
    edit::Target,
    schedule::{Caution, Part, Setting},
};
use serde::Serialize;
use store::view::{DueFilter, UnitDue};
use utoipa::ToSchema;

use super::moment::{Asked, KnownThen, MomentParams, folded};
use crate::{
    extract::{Caller, Params, path_id},
    openapi::Problems,
    problem::{ApiError, ApiResult, Kind},
    state::State,
};

/// All that can be done on a visit to a site, and what it takes.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct WhileHere {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// What people call the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    site_name: Option<String>,
    /// The instant of the answer.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// The units that stand here with something to do, by id.
    units: Vec<UnitHere>,
    /// How many units stand here with nothing to do.
    #[schema(example = 2)]
    clear: usize,
    /// What to bring for all of it, summed.
    parts: Vec<Part>,
    /// What to set, each once.
    settings: Vec<Setting>,
    /// What can hurt somebody, each once, with its source.
    cautions: Vec<Caution>,
}

/// A unit that stands at the site, with its items whose window is open.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct UnitHere {
    /// The unit.
    #[schema(value_type = String, format = "uuid")]
    unit_id: UnitId,
    /// What people call the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    unit_label: Option<String>,
    /// The unit's home site; another than this one where it is on loan.
    #[schema(value_type = String, format = "uuid")]
    home_site_id: SiteId,
    /// Hours of the engine since new.
    engine_hours: EngineHours,
    /// Readings that are not used, with what was probably meant: the meter is worth another look.
    set_aside: Vec<SetAsideReading>,
    /// The items, by schedule and task.
    items: Vec<UnitDueItem>,
}

/// List what can be done while you are here
///
/// One answer for a day's visit: every item whose window is open (coming due, due, overdue, deferred or unknown) on
/// every unit that stands at the site, with the parts summed, what to set and what to beware of. Worked out afresh, for
/// up to 200 units.
#[utoipa::path(get, path = "/v1/sites/{site_id}/while-here", tag = "due", operation_id = "list_while_here",
    params(("site_id" = String, Path, format = "uuid", description = "The site."),
        ("unit" = Option<String>, Query, format = "uuid", description = "Only this unit."), MomentParams),
    responses((status = 200, body = WhileHere), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let site: SiteId = path_id(&request, "site_id")?;
    let mut params = Params::of(&request)?;
    let unit = params.take("unit", UnitId::parse);
    let asked = Asked::of(&mut params, caller.now());
    params.close()?;
    caller.require(Action::ReadDue, &Object::at(caller.organization(), [site]))?;
    let found = state.store.record(caller.organization(), Target::Site(site)).await?;
    let record = found.ok_or_else(|| ApiError::new(Kind::NotFound))?;
    let filter = DueFilter { sites: caller.visible_sites(), unit, ..DueFilter::all(caller.organization()) };
    let then = folded(state.store.standing_then(filter, site, asked.moment()).await?)?;
    let at = asked.at();
    let standing = then.answer.len();
    let units: Vec<UnitHere> = then.answer.iter().filter_map(|(id, due)| here(*id, due, at)).collect();
    let items = || units.iter().flat_map(|unit| &unit.items);
    let known = asked.chosen().map_or(KnownThen::NOW, |_| KnownThen::of(&asked, then.known_seq));
    Ok(HttpResponse::Ok().json(WhileHere {
        site_id: site,
        site_name: record.fields.get("name").and_then(|name| name.as_str()).map(str::to_owned),
        as_of: at,
        known,
        clear: standing - units.len(),
        parts: summed(items().flat_map(|item| &item.parts)),
        settings: each_once(items().flat_map(|item| &item.settings)),
        cautions: each_once(items().flat_map(|item| &item.cautions)),
        units,
    }))
}

/// A unit with its items whose window is open; nothing if there are none.
fn here(unit: UnitId, due: &UnitDue, at: Instant) -> Option<UnitHere> {
    let (state, nothing) = (&due.state, Include::default());
    let open = state.items_at(at).into_iter().filter(|item| is_open(item.state));
    let items: Vec<UnitDueItem> = open.map(|item| with_task(state, item, at, nothing)).collect();
    (!items.is_empty()).then(|| UnitHere {
        unit_id: unit,
        unit_label: due.label.clone(),
        home_site_id: due.home_site,
        engine_hours: state.hours_at(at),
        set_aside: set_aside(state),
        items,
    })
}
