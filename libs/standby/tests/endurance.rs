//! How long sets last: worked examples, each with where its numbers come from.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use model::{Hours, Litres, UnitId};
use proptest::prelude::*;
use serde_json::{Value, json};
use standby::{
    endurance::{Question, Stocked, Triage, class_tank, triage},
    load::Load,
};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/endurance.json");

fn stocked(value: &Value) -> Stocked {
    let no_litres = Litres::from_hundredths(0);
    let amount = |field: &str| (!value[field].is_null()).then(|| litres(&value[field]));
    Stocked {
        unit: UnitId::parse(value["unit"].as_str().unwrap()).unwrap(),
        burn: burn_facts(value),
        load: (!value["load"].is_null()).then(|| load(&value["load"])),
        capacity: amount("capacity_litres"),
        tank: amount("tank_litres"),
        cans: amount("cans_litres").unwrap_or(no_litres),
        reserve: amount("reserve_litres").unwrap_or(no_litres),
        travel: (!value["travel_hours"].is_null()).then(|| hours(&value["travel_hours"])),
    }
}

fn question(value: &Value) -> Question {
    Question {
        from: instant(&value["from"]),
        keep_reserve: value["keep_reserve"] == Value::Bool(true),
        margin: if value["margin_hours"].is_null() { Hours::ZERO } else { hours(&value["margin_hours"]) },
    }
}

#[test]
fn worked_examples() {
    for case in cases(CASES) {
        let sets: Vec<Stocked> = case["given"]["sets"].as_array().unwrap().iter().map(stocked).collect();
        let found = match triage(&question(&case["given"]), &sets) {
            Ok(triage) => serde_json::to_value(triage).unwrap(),
            Err(error) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
        agrees(case["name"].as_str().unwrap(), "", &case["expect"], &found);
    }
}

/// FACTS.md §3: class 96 asks for 127.68 h of fuel.
#[test]
fn the_tank_of_a_class() {
    for (class, tank) in [(96, 12_768), (48, 6_384), (72, 9_576)] {
        assert_eq!(class_tank(Hours::from_seconds(class * 3600)).hundredths(), tank);
    }
}

fn asked(sets: &[(i64, i64, Option<i64>, i64)], keep_reserve: bool) -> Triage {
    let sets: Vec<Stocked> = sets
        .iter()
        .enumerate()
        .map(|(place, (tank, rate, load, reserve))| {
            let text = json!({"unit": format!("01990593-db00-7000-8000-{place:012}"), "fuel": "diesel",
                "burn_litres_per_hour": rate, "tank_litres": if *tank < 0 { Value::Null } else { json!(tank) },
                "reserve_litres": reserve});
            Stocked { load: load.map(|load| Load::Share(standby::load::Share::from_percent(load))), ..stocked(&text) }
        })
        .collect();
    triage(&question(&json!({"from": "2025-08-01T18:00:00Z", "keep_reserve": keep_reserve})), &sets).unwrap()
}

proptest! {
    #[test]
    fn the_order_is_total_and_nobody_is_lost(
        sets in prop::collection::vec((-1..40_i64, 1..20_i64, prop::option::of(0..=100_i64), 0..10_i64), 0..12)
    ) {
        let found = asked(&sets, false);
        prop_assert_eq!(found.lasting.len() + found.unknown.len(), sets.len());
        prop_assert_eq!(found.unknown.len(), sets.iter().filter(|set| set.0 < 0).count());
        prop_assert!(found.lasting.is_sorted_by(|a, b| (a.hours, a.unit_id) < (b.hours, b.unit_id)));
        // With the reserve left alone, none lasts longer.
        let kept = asked(&sets, true);
        for lasts in &kept.lasting {
            let other = found.lasting.iter().find(|other| other.unit_id == lasts.unit_id).unwrap();
            prop_assert!(lasts.hours <= other.hours);
        }
        // Asked in another order, the answer is the same.
        let lengths: Vec<Hours> = found.lasting.iter().map(|lasts| lasts.hours).collect();
        let turned: Vec<_> = sets.iter().rev().copied().collect();
        prop_assert_eq!(lengths, asked(&turned, false).lasting.iter().map(|lasts| lasts.hours).collect::<Vec<_>>());
    }
}
