//! Batteries: `tests/vectors/standby/battery.json`, and laws of the tables.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::{
    Hours, LocalDate,
    quantity::{AmpereHours, Amperes, Celsius, Volts},
    unit::Chemistry,
};
use proptest::prelude::*;
use serde_json::Value;
use standby::battery::{
    BatteryError, BatteryPolicy, Charge, LoadOutcome, LoadTest, Nominal, OpenCircuit, Stand, load_test,
    standing, state_of_charge,
};
use worked::{cases, celsius, date, matches, number, share, text};

fn volts(given: &Value) -> Volts {
    Volts::from_hundredths(number(given, 2).unwrap())
}

fn nominal(given: &Value) -> Nominal {
    Nominal::of(volts(&given["nominal"])).unwrap()
}

fn chemistry(given: &Value) -> Option<Chemistry> {
    given["chemistry"].as_str().map(|word| match word {
        "wet" => Chemistry::Wet,
        "agm" => Chemistry::Agm,
        "gel" => Chemistry::Gel,
        other => panic!("{other}"),
    })
}

fn open_circuit(given: &Value) -> Result<OpenCircuit, BatteryError> {
    let rested = number(&given["rested_hours"], 2).map(Hours::from_hundredths);
    OpenCircuit::new(
        volts(&given["volts"]),
        nominal(given),
        chemistry(given),
        celsius(&given["celsius"]),
        rested,
    )
}

fn load(given: &Value) -> LoadTest {
    let amperes = |name: &str| number(&given[name], 2).map(Amperes::from_hundredths);
    LoadTest {
        volts: volts(&given["volts"]),
        nominal: nominal(given),
        chemistry: chemistry(given),
        celsius: celsius(&given["celsius"]),
        charge: share(&given["charge"]),
        load: amperes("load_amperes"),
        seconds: number(&given["seconds"], 0).map(|seconds| u32::try_from(seconds).unwrap()),
        cold_cranking: amperes("cold_cranking_amperes"),
        capacity: number(&given["capacity_ampere_hours"], 2).map(AmpereHours::from_hundredths),
    }
}

#[test]
fn checks_of_a_standing_battery() {
    for case in cases("battery", "standing") {
        let given = &case["given"];
        let stands: Vec<Stand> = given["stands"]
            .as_array()
            .unwrap()
            .iter()
            .map(|stand| Stand {
                from: date(&stand["from"]).unwrap(),
                on_maintainer: stand["on_maintainer"].as_bool(),
            })
            .collect();
        let at = date(&given["at"]).unwrap();
        let answer = standing(date(&given["checked_on"]), &stands, at, &BatteryPolicy::standard());
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

#[test]
fn charge_by_resting_voltage() {
    for case in cases("battery", "charge") {
        let mut expect = case["expect"].clone();
        let answer = state_of_charge(&open_circuit(&case["given"]).unwrap(), &BatteryPolicy::standard());
        if let Some(rounded) = expect.as_object_mut().unwrap().remove("charge_rounded") {
            let wanted = share(&rounded).unwrap().ten_thousandths();
            let found = answer.charge.unwrap().ten_thousandths();
            assert!((wanted - found).abs() <= 5, "{}: {found}", text(&case, "name"));
        }
        matches(text(&case, "name"), &answer, &expect);
    }
}

#[test]
fn load_tests() {
    for case in cases("battery", "load") {
        let answer = load_test(&load(&case["given"]), &BatteryPolicy::standard()).unwrap();
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("battery", "refused") {
        let given = &case["given"];
        let error = match text(given, "kind") {
            "nominal" => Nominal::of(volts(&given["volts"])).unwrap_err(),
            "open_circuit" => open_circuit(given).unwrap_err(),
            _ => load_test(&load(given), &BatteryPolicy::standard()).unwrap_err(),
        };
        let expect = &case["expect"];
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

fn charge(volts: i64, celsius: i64) -> Charge {
    let measured = OpenCircuit::new(
        Volts::from_hundredths(volts),
        Nominal::V12,
        Some(Chemistry::Wet),
        Some(Celsius::from_hundredths(celsius)),
        Some(Hours::from_hundredths(600)),
    );
    state_of_charge(&measured.unwrap(), &BatteryPolicy::standard())
}

fn tested(volts: i64, celsius: i64) -> LoadOutcome {
    let test = LoadTest {
        volts: Volts::from_hundredths(volts),
        nominal: Nominal::V12,
        chemistry: Some(Chemistry::Wet),
        celsius: Some(Celsius::from_hundredths(celsius)),
        charge: Some(interval::Fraction::of(1, 1)),
        load: None,
        seconds: None,
        cold_cranking: None,
        capacity: None,
    };
    load_test(&test, &BatteryPolicy::standard()).unwrap().result
}

fn day(days: i32) -> LocalDate {
    LocalDate::parse("2025-01-01").unwrap().plus_days(days)
}

proptest! {
    #[test]
    fn charge_rises_with_voltage(volts in 1100..1300_i64, more in 1..50_i64, celsius in -2000..4300_i64) {
        let (less, more) = (charge(volts, celsius), charge(volts + more, celsius));
        prop_assert!(less.charge <= more.charge);
        prop_assert!(less.charge_low <= less.charge && less.charge <= less.charge_high);
        if less.charge.unwrap().ten_thousandths() > 0 && more.charge.unwrap().ten_thousandths() < 10_000 {
            prop_assert!(less.charge < more.charge);
        }
    }

    #[test]
    fn colder_is_never_fuller(volts in 1100..1300_i64, celsius in -2000..4300_i64, colder in 0..2000_i64) {
        prop_assert!(charge(volts, celsius - colder).charge <= charge(volts, celsius).charge);
    }

    #[test]
    fn the_limit_rises_with_temperature(volts in 800..1000_i64, celsius in -1800..4000_i64, warmer in 0..2000_i64) {
        // What passes warm passes cold, and more volts never fail where fewer pass.
        if tested(volts, celsius + warmer) == LoadOutcome::Pass {
            prop_assert_eq!(tested(volts, celsius), LoadOutcome::Pass);
            prop_assert_eq!(tested(volts + 1, celsius + warmer), LoadOutcome::Pass);
        }
    }

    #[test]
    fn a_maintainer_never_brings_a_check_forward(
        spans in prop::collection::vec((0..150_i32, any::<bool>()), 1..6), which in 0..6_usize, at in 150..200_i32,
    ) {
        let policy = BatteryPolicy::standard();
        let stands = |better: Option<usize>| -> Vec<Stand> {
            let on = |place: usize, on: bool| Some(on || better == Some(place));
            spans.iter().enumerate().map(|(place, (from, was))| Stand { from: day(*from), on_maintainer: on(place, *was) }).collect()
        };
        let (plain, better) = (
            standing(Some(day(0)), &stands(None), day(at), &policy),
            standing(Some(day(0)), &stands(Some(which)), day(at), &policy),
        );
        prop_assert!(better.due_on >= plain.due_on);
        prop_assert!(better.used <= plain.used);
    }

    #[test]
    fn it_is_due_when_all_is_used(off in 0..120_i32, at in 0..200_i32) {
        let policy = BatteryPolicy::standard();
        let stands = [Stand { from: day(0), on_maintainer: Some(true) }, Stand { from: day(off), on_maintainer: Some(false) }];
        let answer = standing(Some(day(0)), &stands, day(at), &policy);
        let used = answer.used.unwrap().ten_thousandths();
        prop_assert_eq!(answer.due_on.unwrap() < day(at), used > 10_000);
    }
}
