//! Sites and fleets through an outage: worked examples, and how fast a large fleet is.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

mod given;

use std::time::Instant;

use model::{SiteId, UnitId};
use serde_json::{Value, json};
use standby::outage::{OnSite, SiteAsked, SiteTank, UnitSet, fleet, site};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/site.json");

fn tank(value: &Value) -> Option<SiteTank> {
    (!value.is_null()).then(|| SiteTank {
        capacity: value.get("capacity").map(litres),
        litres: value.get("litres").map(litres),
        reserve: litres(&value["reserve"]),
    })
}

fn stock(value: &Value) -> OnSite {
    OnSite {
        litres: value.get("litres").map(litres).unwrap_or_default(),
        can_size: value.get("can_litres").map(litres),
    }
}

/// The sets of a case, with ids that end in their place.
fn units(case: &Value) -> Vec<UnitSet> {
    let id = |place: usize| UnitId::parse(&format!("01990593-db00-7000-8000-{place:012}")).unwrap();
    let sets = case["sets"].as_array().unwrap().iter().map(set);
    sets.enumerate().map(|(place, set)| UnitSet { unit: id(place), set }).collect()
}

#[test]
fn worked_examples() {
    for case in cases(CASES) {
        let sets = units(&case);
        let found = match site(&outage(&case["outage"]), &sets, tank(&case["tank"]), stock(&case["stock"])) {
            Ok(plan) => serde_json::to_value(plan).unwrap(),
            Err(error) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
        agrees(case["name"].as_str().unwrap(), "", &case["expect"], &found);
    }
}

fn of_fleet(sites: usize) -> Vec<SiteAsked> {
    let case = &cases(CASES)[0];
    let sets = units(case);
    let id = |place: usize| SiteId::parse(&format!("01990593-db00-7000-8000-{place:012}")).unwrap();
    let one = |place| SiteAsked {
        site: id(place),
        outage: outage(&case["outage"]),
        sets: sets.clone(),
        tank: None,
        stock: stock(&Value::Null),
    };
    (0..sites).map(one).collect()
}

/// NEEDS.md B01, of two sets at each of three sites.
#[test]
fn a_fleet_is_the_sum_of_its_sites() {
    let found = serde_json::to_value(fleet(&of_fleet(3)).unwrap()).unwrap();
    let expect = json!({"fuel_burned_litres": 775.56, "fuel_to_stage_litres": 300.36, "fuel_to_fill_up_litres": 351.36,
        "cans": 18, "oil_bottles": 18, "oil_complete": true, "run_hours": 414, "unknown": 0, "fuel_grade": "B"});
    agrees("three sites", "", &expect, &found);
    let mut asked = of_fleet(2);
    asked[1].sets[1].set.check_every = Some(model::Hours::ZERO);
    let found = serde_json::to_value(fleet(&asked).unwrap()).unwrap();
    let refused = json!({"answer": "refused", "code": "not_positive", "pointer": "/check_every_hours"});
    let expect = json!({"unknown": 1, "fuel_burned_litres": 387.78, "fuel_grade": "D", "oil_complete": false,
        "sites": [{}, {"plan": {"units": [{"answer": "planned"}, refused]}}]});
    agrees("a bad set among four", "", &expect, &found);
    asked[1].outage.duration = model::Hours::ZERO;
    let (place, error) = fleet(&asked).unwrap_err();
    assert_eq!((place, error.code()), (1, "duration_not_positive"));
}

/// 1,000 sets for 72 hours: how long that took is told and not judged, since the machine may be busy.
#[test]
fn a_large_fleet_is_run() {
    let asked = of_fleet(500);
    let begun = Instant::now();
    let found = fleet(&asked).unwrap();
    let took = begun.elapsed();
    println!("1,000 sets for 72 hours: {took:?}");
    assert_eq!(found.sites.len(), 500);
    assert_eq!(found.unknown, 0);
}
