//! `/v1/data-quality`: what is to be put right in the records of units.

use actix_web::{HttpRequest, HttpResponse, web};
use interval::QualityCode;
use model::{EventId, Instant, SiteId, UnitId};
use serde::{Deserialize, Serialize};
use store::view::{DueFilter, QUALITY_CODES, QualityLine, QualityPlace, QualityQuery};
use utoipa::ToSchema;

use super::{
    due_query::{Pin, is_zero},
    moment::{Asked, KnownThen, MomentParams, folded},
};
use crate::{
    extract::{Caller, Params, word},
    openapi::{PageParams, Problems},
    problem::ApiResult,
    state::State,
};

/// Of what is asked.
#[derive(utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[allow(dead_code, reason = "describes what is read by hand")]
struct QualityFilters {
    /// Only these codes, separated by commas.
    #[param(style = Form, explode = false)]
    code: Option<Vec<QualityCode>>,
    /// Only units of this site: at home there, or standing there.
    #[param(format = "uuid")]
    site: Option<String>,
    /// Only this unit.
    #[param(format = "uuid")]
    unit: Option<String>,
}

/// A place in the list.
#[derive(Serialize, Deserialize)]
struct Place {
    pin: Pin,
    from: i64,
    unit: UnitId,
    n: i64,
}

/// A page of what is to be put right, what has lasted longest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct DataQuality {
    /// The instant that the whole list is about; its pages keep it.
    #[schema(value_type = String, format = DateTime)]
    as_of: Instant,
    /// What of the log it rests on.
    #[serde(flatten)]
    known: KnownThen,
    /// How many of the units asked about are not worked out anew yet since a change that concerns many. Absent if none.
    #[serde(skip_serializing_if = "is_zero")]
    #[schema(value_type = Option<usize>, example = 3200)]
    pending: usize,
    /// The entries.
    items: Vec<QualityItem>,
    /// The cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<String>,
}

/// Something to put right in the record of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct QualityItem {
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
    /// What it is.
    code: QualityCode,
    /// Since when.
    #[schema(value_type = String, format = DateTime)]
    since: Instant,
    /// Until when; absent if until something new is recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    until: Option<Instant>,
    /// The events that show it.
    #[schema(value_type = Vec<String>)]
    event_ids: Vec<EventId>,
}

/// List what is to be put right in the records
///
/// Readings that are too old or set aside, meters that seem to have been swapped, stops that are missing, units without
/// a history and units of which nobody has recorded anything for half a year: what looks fine because nobody looked.
/// What has lasted longest comes first. With `valid_at` past, or with `known_at`, every unit asked about is worked out
/// anew, up to 200 of them.
#[utoipa::path(get, path = "/v1/data-quality", tag = "due", operation_id = "list_data_quality",
    params(QualityFilters, MomentParams, PageParams),
    responses((status = 200, body = DataQuality), Problems))]
pub(super) async fn list(
    state: web::Data<State>,
    caller: Caller,
    request: HttpRequest,
) -> ApiResult<HttpResponse> {
    let mut params = Params::of(&request)?;
    let codes = params.take_list("code", |text| word(QUALITY_CODES, "A code", text));
    let of = DueFilter {
        sites: caller.visible_sites(),
        site: params.take("site", SiteId::parse),
        unit: params.take("unit", UnitId::parse),
        ..DueFilter::all(caller.organization())
    };
    let asked = Asked::of(&mut params, caller.now());
    let (limit, cursor) = (params.limit(), params.cursor());
    let list = params.close()?;
    let place: Option<Place> =
        cursor.map(|cursor| state.cursors.read(caller.organization(), &list, &cursor)).transpose()?;
    let pin = Pin::keep(&state, &caller, &asked, place.as_ref().map(|place| place.pin)).await?;
    let query = QualityQuery { of, codes, at: pin.as_of(), after: place.map(QualityPlace::from), limit };
    let (page, pending, known, pin) = match pin.moment(&asked) {
        Some(moment) => {
            let then = folded(state.store.quality_then(query, moment).await?)?;
            let known = KnownThen::of(&asked, then.known_seq);
            (then.answer, 0, known, pin.known(then.known_seq))
        }
        None => {
            let (page, pending) = state.store.quality(query).await?;
            (page, pending, KnownThen::NOW, pin)
        }
    };
    let units = page.items.iter().map(|line| line.place.unit).collect();
    let labels = state.store.labels(caller.organization(), units).await?;
    let next = page.items.last().filter(|_| page.more).map(|line| place_of(line, pin));
    let next = next.map(|place| state.cursors.make(caller.organization(), &list, &place)).transpose()?;
    let items = page.items.into_iter().map(|line| {
        let unit_label = labels.get(&line.place.unit).cloned();
        item(line, unit_label)
    });
    Ok(HttpResponse::Ok().json(DataQuality {
        as_of: pin.as_of(),
        known,
        pending,
        items: items.collect(),
        next,
    }))
}

impl From<Place> for QualityPlace {
    fn from(place: Place) -> Self {
        Self { from: Instant::from_micros(place.from), unit: place.unit, n: place.n }
    }
}

fn place_of(line: &QualityLine, pin: Pin) -> Place {
    Place { pin, from: line.place.from.micros(), unit: line.place.unit, n: line.place.n }
}

fn item(line: QualityLine, unit_label: Option<String>) -> QualityItem {
    QualityItem {
        unit_id: line.place.unit,
        unit_label,
        home_site_id: line.home_site,
        standing_site_id: line.standing_site,
        code: line.code,
        since: line.place.from,
        until: (line.until < Instant::LAST).then_some(line.until),
        event_ids: line.events,
    }
}
