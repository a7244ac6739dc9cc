//! `/v1/due/by-site`: how much is in which state at each site.

use std::collections::{BTreeMap, BTreeSet};

use actix_web::{HttpRequest, HttpResponse, web};
use interval::DueState;
use model::{Instant, SiteId};
use serde::{Deserialize, Serialize};
use store::view::{SiteQuery, SiteRow, SiteThenQuery};
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

/// A place in a summary.
#[derive(Serialize, Deserialize)]
struct Place {
    pin: Pin,
    site: SiteId,
}

/// A page of a summary of due items, exact at its instant.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DueBySite {
    /// The instant that the whole summary is about; its pages keep it.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// How many of the units asked about are still counted as they were before a change that concerns many. Absent if
    /// none.
    #[serde(skip_serializing_if = "is_zero")]
    #[schema(value_type = Option<usize>, example = 3200)]
    pending: usize,
    /// The sites, by id; one where no item stands is left out.
    items: Vec<SiteCounts>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// How many due items stand at a site, in each state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct SiteCounts {
    /// The site where the units stand.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// What people call the site; absent where you may see the units, but not the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    site_name: Option<String>,
    /// All items.
    #[schema(example = 12)]
    total: u64,
    /// Items by state.
    states: StateCounts,
}

/// How many items are in each state.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct StateCounts {
    /// Nothing to do yet.
    ok: u64,
    /// The limit is near.
    coming_due: u64,
    /// The limit is reached.
    due: u64,
    /// The limit and its tolerance are passed.
    overdue: u64,
    /// Somebody with authority put it off.
    deferred: u64,
    /// It rests while the unit is in storage.
    suspended: u64,
    /// The unit has nothing for this task to be done on.
    not_applicable: u64,
    /// The record does not say.
    unknown: u64,
}

/// Summarize what is due by site
///
/// The items that the list with the same filters gives at the same instant, `as_of`, counted by the site where their
/// units stand: a unit that is lent out counts where it is. Only what you may see is counted, so at a site that is not
/// yours only your own units are.
#[utoipa::path(get, path = "/v1/due/by-site", tag = "due", operation_id = "summarize_due_by_site",
    params(Filters, DueBefore, MomentParams, PageParams),
    responses((status = 200, body = DueBySite), Problems))]
pub(super) async fn by_site(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let filter = due_query::filter(&mut params, &caller);
    let asked = Asked::of(&mut params, caller.now());
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let pin = Pin::keep(&state, &caller, &asked, place.as_ref().map(|place| place.pin)).await?;
    let after = place.map(|place| place.site);
    let (page, pending, known, pin) = match pin.moment(&asked) {
        Some(moment) => {
            let query = SiteThenQuery { filter, moment, after, limit };
            let then = folded(state.store.due_by_site_then(query).await?)?;
            let known = KnownThen::of(&asked, then.known_seq);
            (then.answer, 0, known, pin.known(then.known_seq))
        }
        None => {
            let query = SiteQuery { filter, as_of: pin.as_of(), after, limit };
            let (page, pending) = state.store.due_by_site(query).await?;
            (page, pending, KnownThen::NOW, pin)
        }
    };
    let last = page.items.last().filter(|_| page.more).map(|row| Place { pin, site: row.site });
    let next = last.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let sites = page.items.iter().map(|row| row.site).collect();
    let names = names(&state, &caller, sites).await?;
    let items = page.items.iter().map(|row| line(row, &names)).collect();
    Ok(HttpResponse::Ok().json(DueBySite { as_of: pin.as_of(), known, pending, items, next }))
}

/// What people call those of the sites that the caller may see.
pub(super) async fn names(
    state: &State,
    caller: &Caller,
    mut sites: BTreeSet<SiteId>,
) -> ApiResult<BTreeMap<SiteId, String>> {
    let visible = caller.visible_sites();
    sites.retain(|site| visible.as_ref().is_none_or(|sites| sites.contains(site)));
    let most = sites.len();
    let found = state.store.sites(caller.organization(), Some(sites), None, most).await?;
    let named = found.items.iter().filter_map(|view| {
        let name = view.fields.get("name")?.as_str()?;
        Some((SiteId::from_uuid(view.id), name.to_owned()))
    });
    Ok(named.collect())
}

fn line(row: &SiteRow, names: &BTreeMap<SiteId, String>) -> SiteCounts {
    let count = |state: DueState| row.counts.get(&state).copied().unwrap_or(0);
    SiteCounts {
        site_id: row.site,
        site_name: names.get(&row.site).cloned(),
        total: row.counts.values().sum(),
        states: StateCounts {
            ok: count(DueState::Ok),
            coming_due: count(DueState::ComingDue),
            due: count(DueState::Due),
            overdue: count(DueState::Overdue),
            deferred: count(DueState::Deferred),
            suspended: count(DueState::Suspended),
            not_applicable: count(DueState::NotApplicable),
            unknown: count(DueState::Unknown),
        },
    }
}
