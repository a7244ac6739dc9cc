//! Fuel on a site and in a vehicle: `tests/vectors/standby/storage.json`, and laws of the limits.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::quantity::Metres;
use proptest::prelude::*;
use serde_json::Value;
use standby::{
    amount::Volume,
    convert::{Feet, Kilograms, UsGallons},
    storage::{
        Container, ContainerKind, Place, Placed, StorageError, StoragePolicy, StoredFuel, site_storage,
        vehicle_load,
    },
};
use worked::{cases, litres, matches, number, text};

fn volume(given: &Value, name: &str) -> Option<Volume> {
    let gallons = number(&given[format!("{name}_gallons")], 2).map(UsGallons::from_hundredths);
    gallons.map(Volume::from).or(litres(&given[format!("{name}_litres")]))
}

fn container(given: &Value) -> Result<Container, StorageError> {
    let fuel = match text(given, "fuel") {
        "petrol" => StoredFuel::Petrol,
        "diesel" => StoredFuel::Diesel,
        "high_flash_point" => StoredFuel::HighFlashPoint,
        "propane" => StoredFuel::Propane,
        other => panic!("{other}"),
    };
    let kind = match text(given, "kind") {
        "can" => ContainerKind::Can,
        "drum" => ContainerKind::Drum,
        "tank" => ContainerKind::Tank,
        "cylinder" => ContainerKind::Cylinder,
        other => panic!("{other}"),
    };
    let gross = number(&given["gross_kg"], 3).map(Kilograms::from_grams);
    Container::new(fuel, kind, volume(given, "capacity").unwrap(), volume(given, "contents"), gross)
}

fn how_many(given: &Value) -> u32 {
    u32::try_from(number(&given["number"], 0).unwrap()).unwrap()
}

fn placed(given: &Value) -> Placed {
    let (kind, name) = text(given, "place").split_once(':').unwrap_or((text(given, "place"), ""));
    let place = match kind {
        "room" => Place::Room(name.to_owned()),
        "outdoors" => Place::Outdoors { pile: name.to_owned() },
        "buried" => Place::Buried,
        _ => {
            let (room, cabinet) = name.split_once('/').unwrap();
            Place::Cabinet { room: room.to_owned(), cabinet: cabinet.to_owned() }
        }
    };
    let feet = |name: &str| number(&given[name], 2).map(Feet::from_hundredths).map(Metres::from);
    Placed {
        container: container(given).unwrap(),
        number: how_many(given),
        place,
        from_building: feet("from_building_feet"),
        from_other_pile: feet("from_other_pile_feet"),
    }
}

#[test]
fn schemas_do_not_take_names_that_others_use() {
    use standby::{asked, battery, exercise, fuel, storage};
    use utoipa::ToSchema;
    let names = [
        storage::Finding::name(),
        storage::Measure::name(),
        storage::Advice::name(),
        exercise::Gap::name(),
        exercise::Spacing::name(),
        exercise::Judged::name(),
        battery::Charge::name(),
        battery::Standing::name(),
        fuel::Credit::name(),
        fuel::TopUp::name(),
        asked::Asked::name(),
    ];
    for name in &names {
        let ours = ["Storage", "Test", "JudgedTest", "Battery", "Fuel", "Standby"];
        assert!(ours.iter().any(|ours| name.starts_with(ours)), "{name}");
    }
}

#[test]
fn fuel_on_a_site() {
    for case in cases("storage", "site") {
        let all: Vec<Placed> = case["given"]["containers"].as_array().unwrap().iter().map(placed).collect();
        matches(text(&case, "name"), &site_storage(&all, &StoragePolicy::standard()), &case["expect"]);
    }
}

#[test]
fn fuel_in_a_vehicle() {
    for case in cases("storage", "vehicle") {
        let all: Vec<(Container, u32)> = case["given"]["containers"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| (container(one).unwrap(), how_many(one)))
            .collect();
        matches(text(&case, "name"), &vehicle_load(&all, &StoragePolicy::standard()), &case["expect"]);
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("storage", "refused") {
        let error = container(&case["given"]["containers"][0]).unwrap_err();
        let expect = &case["expect"];
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

fn cans() -> impl Strategy<Value = Vec<Placed>> {
    let fuel = prop::sample::select(vec![StoredFuel::Petrol, StoredFuel::Diesel, StoredFuel::HighFlashPoint]);
    let kind = prop::sample::select(vec![ContainerKind::Can, ContainerKind::Drum, ContainerKind::Tank]);
    let place = prop::sample::select(vec![
        Place::Room("a".into()),
        Place::Cabinet { room: "a".into(), cabinet: "1".into() },
        Place::Cabinet { room: "a".into(), cabinet: "2".into() },
        Place::Outdoors { pile: "yard".into() },
        Place::Buried,
    ]);
    let one = (fuel, kind, place, 1..80_i64, 1..4_u32).prop_map(|(fuel, kind, place, gallons, number)| {
        let capacity = UsGallons::from_hundredths(gallons * 100).into();
        let container = Container::new(fuel, kind, capacity, None, None).unwrap();
        Placed { container, number, place, from_building: None, from_other_pile: None }
    });
    prop::collection::vec(one, 0..12)
}

proptest! {
    #[test]
    fn more_fuel_never_mends_a_breach(all in cans(), more in cans()) {
        let policy = StoragePolicy::standard();
        let (less, more) = (site_storage(&all, &policy), site_storage(&[all.clone(), more].concat(), &policy));
        prop_assert!(less.kept || !more.kept);
        prop_assert!(!less.spill_plan_needed || more.spill_plan_needed);
    }

    #[test]
    fn order_does_not_matter(all in cans()) {
        let policy = StoragePolicy::standard();
        let mut turned = all.clone();
        turned.reverse();
        let (one, other) = (site_storage(&all, &policy), site_storage(&turned, &policy));
        prop_assert_eq!((one.kept, one.spill_plan_needed), (other.kept, other.spill_plan_needed));
    }

    #[test]
    fn a_heavier_load_is_never_let_through(cans in prop::collection::vec((1..30_i64, 1..5_u32), 1..6), more in 1..9_u32) {
        let policy = StoragePolicy::standard();
        let load = |extra: u32| -> Vec<(Container, u32)> {
            let can = |litres: i64| {
                let capacity = Volume::from_microlitres(litres * 1_000_000);
                Container::new(StoredFuel::Petrol, ContainerKind::Can, capacity, None, None).unwrap()
            };
            cans.iter().map(|(litres, number)| (can(*litres), number + extra)).collect()
        };
        let (less, more) = (vehicle_load(&load(0), &policy), vehicle_load(&load(more), &policy));
        prop_assert!(less.mass_kg < more.mass_kg);
        prop_assert!(less.kept == Some(true) || more.kept != Some(true));
    }
}
