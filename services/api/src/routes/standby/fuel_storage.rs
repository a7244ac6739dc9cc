//! `/v1/fuel-storage`: whether fuel may be kept on a site, or carried in a vehicle, as it is.

use actix_web::{HttpRequest, HttpResponse, web};
use model::{
    Label, Litres, Metres,
    quantity::{Quantity, more_than_nought},
    read::{Flaw, Mode, Object, integer, whole, word},
};
use serde::Serialize;
use standby::{
    convert::Kilograms,
    storage::{
        Container, ContainerKind, Place, Placed, SiteStorage, StorageError, StoragePolicy, StoredFuel,
        VehicleLoad, site_storage, vehicle_load,
    },
};
use utoipa::ToSchema;

use crate::{
    extract::{self, Caller, Params},
    openapi::Problems,
    problem::{ApiError, ApiResult},
};

/// Kinds of containers of a list at most.
const CONTAINERS_MOST: usize = 200;

/// What is kept on a site and carried in a vehicle; one of the two at least.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct StorageQuestion {
    /// What stands on the site.
    #[schema(max_items = 200)]
    on_site: Option<Vec<ContainerOnSite>>,
    /// What is in the vehicle.
    #[schema(max_items = 200)]
    in_vehicle: Option<Vec<ContainerAsked>>,
}

/// Containers of one kind on a site.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct ContainerOnSite {
    #[serde(flatten)]
    container: ContainerAsked,
    /// Where they stand.
    place: PlaceWord,
    /// In which room; containers of one room count together. Of a room or a cabinet; absent means one and the same.
    #[schema(value_type = Option<String>, max_length = 200, example = "pump room")]
    room: Option<Label>,
    /// In which cabinet of the room; absent means one and the same.
    #[schema(value_type = Option<String>, max_length = 200, example = "yellow cabinet")]
    cabinet: Option<Label>,
    /// In which pile outdoors; absent means one and the same.
    #[schema(value_type = Option<String>, max_length = 200, example = "north fence")]
    pile: Option<Label>,
    /// How far from the nearest building, in metres; outdoors.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000)]
    from_building_metres: Option<f64>,
    /// How far from the nearest other pile, in metres; outdoors.
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1000)]
    from_other_pile_metres: Option<f64>,
}

/// Containers of one kind.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub(crate) struct ContainerAsked {
    /// What they hold.
    fuel: StoredFuel,
    /// What they are.
    kind: ContainerKind,
    /// How much fits into one, in litres.
    #[schema(value_type = f64, minimum = 0.01, example = 20)]
    capacity_litres: f64,
    /// What is in one, in litres; absent means that it counts as full.
    #[schema(value_type = Option<f64>, minimum = 0, example = 18)]
    contents_litres: Option<f64>,
    /// What one weighs with what is in it, in kilograms.
    #[schema(value_type = Option<f64>, minimum = 0.01, example = 16.5)]
    gross_kg: Option<f64>,
    /// How many of the same; absent means one.
    #[schema(value_type = Option<i64>, minimum = 1, maximum = 10_000, example = 3)]
    number: Option<i64>,
}

/// Where containers stand.
#[derive(Clone, Copy, PartialEq, ToSchema)]
#[schema(rename_all = "snake_case")]
pub(crate) enum PlaceWord {
    /// In a room, outside any cabinet.
    Room,
    /// In a cabinet for flammable liquids.
    Cabinet,
    /// Outdoors.
    Outdoors,
    /// Wholly below ground.
    Buried,
}

const PLACES: &[(&str, PlaceWord)] = &[
    ("room", PlaceWord::Room),
    ("cabinet", PlaceWord::Cabinet),
    ("outdoors", PlaceWord::Outdoors),
    ("buried", PlaceWord::Buried),
];
const FUELS: &[(&str, StoredFuel)] = &[
    ("petrol", StoredFuel::Petrol),
    ("diesel", StoredFuel::Diesel),
    ("high_flash_point", StoredFuel::HighFlashPoint),
    ("propane", StoredFuel::Propane),
];
const KINDS: &[(&str, ContainerKind)] = &[
    ("can", ContainerKind::Can),
    ("drum", ContainerKind::Drum),
    ("tank", ContainerKind::Tank),
    ("cylinder", ContainerKind::Cylinder),
];

/// Whether it may be kept and carried so.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct FuelStorage {
    /// What stands on the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    on_site: Option<SiteStorage>,
    /// What is in the vehicle.
    #[serde(skip_serializing_if = "Option::is_none")]
    in_vehicle: Option<VehicleLoad>,
}

/// Say whether fuel may be kept or carried so
///
/// Holds what is listed against 29 CFR 1926.152, 40 CFR 112.1(d) and 49 CFR 173.6, each finding with its source. Nothing is recorded.
/// Local codes, the fire marshal and a carrier's own rules may ask for less: they come first.
#[utoipa::path(post, path = "/v1/fuel-storage", tag = "outages", operation_id = "check_fuel_storage",
    request_body = StorageQuestion, responses((status = 200, body = FuelStorage), Problems))]
pub(in crate::routes) async fn check(
    _caller: Caller,
    request: HttpRequest,
    payload: web::Payload,
) -> ApiResult<HttpResponse> {
    Params::of(&request)?.close()?;
    let body = extract::json(&request, payload, extract::JSON).await?;
    let (placed, carried) = whole(&body, Mode::New, question).map_err(ApiError::invalid)?;
    let policy = StoragePolicy::standard();
    Ok(HttpResponse::Ok().json(FuelStorage {
        on_site: placed.map(|placed| site_storage(&placed, &policy)),
        in_vehicle: carried.map(|carried| vehicle_load(&carried, &policy)),
    }))
}

type Question = (Option<Vec<Placed>>, Option<Vec<(Container, u32)>>);

fn question(o: &mut Object<'_>) -> Option<Question> {
    let placed = o.objects("on_site", CONTAINERS_MOST, placed);
    let carried = o.objects("in_vehicle", CONTAINERS_MOST, container);
    if !o.has("on_site") && !o.has("in_vehicle") {
        return o.fail("on_site", Flaw::new("required", "Say what is on the site or in the vehicle."));
    }
    Some((placed, carried))
}

fn placed(o: &mut Object<'_>) -> Option<Placed> {
    let found = container(o);
    let place = place(o);
    let from_building = o.optional("from_building_metres", Metres::read_distance);
    let from_other_pile = o.optional("from_other_pile_metres", Metres::read_distance);
    let (container, number) = found?;
    Some(Placed { container, number, place: place?, from_building, from_other_pile })
}

/// Where they stand; a name that does not belong to such a place is refused.
fn place(o: &mut Object<'_>) -> Option<Place> {
    let place = o.required("place", word(PLACES));
    let room = o.optional("room", Label::read);
    let cabinet = o.optional("cabinet", Label::read);
    let pile = o.optional("pile", Label::read);
    let misplaced: &[&str] = match place? {
        PlaceWord::Room => &["cabinet", "pile"],
        PlaceWord::Cabinet => &["pile"],
        PlaceWord::Outdoors => &["room", "cabinet"],
        PlaceWord::Buried => &["room", "cabinet", "pile"],
    };
    if let Some(name) = misplaced.iter().find(|name| o.has(name)) {
        return o.fail(name, Flaw::new("misplaced", "This does not belong to such a place."));
    }
    let name = |label: Option<Label>| label.map(|label| label.to_string()).unwrap_or_default();
    Some(match place? {
        PlaceWord::Room => Place::Room(name(room)),
        PlaceWord::Cabinet => Place::Cabinet { room: name(room), cabinet: name(cabinet) },
        PlaceWord::Outdoors => Place::Outdoors { pile: name(pile) },
        PlaceWord::Buried => Place::Buried,
    })
}

fn container(o: &mut Object<'_>) -> Option<(Container, u32)> {
    let fuel = o.required("fuel", word(FUELS));
    let kind = o.required("kind", word(KINDS));
    let capacity = o.required("capacity_litres", more_than_nought(Litres::read));
    let contents = o.optional("contents_litres", Litres::read);
    let gross = o.optional("gross_kg", more_than_nought(Quantity::read));
    let number = o.optional("number", integer(1, 10_000)).unwrap_or(1);
    let gross = gross.map(|gross| Kilograms::from_grams(gross.hundredths() * 10));
    let made = Container::new(fuel?, kind?, capacity?.into(), contents.map(Into::into), gross);
    match made {
        Ok(container) => Some((container, u32::try_from(number).unwrap_or(u32::MAX))),
        Err(error) => o.fail(error.pointer().trim_start_matches('/'), flaw(error)),
    }
}

fn flaw(error: StorageError) -> Flaw {
    Flaw::new(error.code(), error.to_string())
}
