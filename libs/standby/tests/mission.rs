//! How likely an outage is survived: published vectors, and what holds for every mission.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use model::Kilowatts;
use proptest::prelude::*;
use serde_json::{Value, json};
use standby::mission::{Battery, Mission, Probability, Reliability, Sets, survival};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/mission.json");

fn kw(value: &Value) -> Kilowatts {
    Kilowatts::from_hundredths(hundredths(value))
}

fn sets(value: &Value) -> Sets {
    Sets {
        count: u16::try_from(value["count"].as_u64().unwrap()).unwrap(),
        rated: kw(&value["rated_kw"]),
        reliability: Reliability {
            source: "a case",
            available: Probability::new(number(&value["available"])).unwrap(),
            fails_to_start: Probability::new(number(&value["fails_to_start"])).unwrap(),
            mean_to_failure: hours(&value["mean_hours_to_failure"]),
        },
    }
}

fn mission(value: &Value) -> Mission {
    let battery = &value["battery"];
    Mission {
        load: match &value["load_kw"] {
            Value::Array(hours) => hours.iter().map(kw).collect(),
            same => vec![kw(same); usize::try_from(value["hours"].as_u64().unwrap()).unwrap()],
        },
        sets: value["sets"].as_array().unwrap().iter().map(sets).collect(),
        battery: if battery.is_null() {
            Battery::none()
        } else {
            Battery {
                power: kw(&battery["power_kw"]),
                usable: kw(&battery["usable_kwh"]),
                charged: kw(&battery["charged_kwh"]),
            }
        },
    }
}

/// Finds numbers equal to the sixth place, since [`agrees`] looks no further than the second.
fn same(name: &str, expected: &Value, found: &Value) {
    let near = |a: &Value, b: &Value| (number(a) - number(b)).abs() < 1e-6;
    match (expected, found) {
        (Value::Array(all), Value::Array(others)) => {
            assert!(
                all.len() == others.len() && all.iter().zip(others).all(|(a, b)| near(a, b)),
                "{name}: {found}"
            );
        }
        (Value::Number(_), Value::Number(_)) => {
            assert!(near(expected, found), "{name}: {found}, not {expected}")
        }
        _ => assert_eq!(expected, found, "{name}"),
    }
}

#[test]
fn published_vectors() {
    for case in cases(CASES) {
        let name = case["name"].as_str().unwrap();
        let found = match survival(&mission(&case["given"])) {
            Ok(survival) => serde_json::to_value(survival).unwrap(),
            Err(error) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
        for (field, expected) in case["expect"].as_object().unwrap() {
            same(name, expected, &found[field]);
        }
    }
}

#[test]
fn whose_figures_are_told() {
    let mut asked = mission(&cases(CASES)[0]["given"]);
    for (reliability, at_48) in
        [(Reliability::poorly_maintained(), 0.5), (Reliability::well_maintained(), 0.967)]
    {
        asked.load = vec![Kilowatts::from_hundredths(100); 48];
        asked.sets = vec![Sets { count: 1, rated: Kilowatts::from_hundredths(100), reliability }];
        asked.battery = Battery::none();
        let found = survival(&asked).unwrap();
        assert!((found.to_the_end.number() - at_48).abs() < 0.01, "{found:?}");
        let told = serde_json::to_value(&found.trace).unwrap();
        assert_eq!(told[0], json!({"code": "reliability_used", "kind": 0, "source": reliability.source}));
    }
    assert_eq!(Probability::new(1.01), None);
    assert_eq!(Probability::new(f64::NAN), None);
}

fn of(load: &[i64], count: u16, mttf: i64, (power, usable, charged): (i64, i64, i64)) -> Vec<f64> {
    let whole = |kw: i64| Kilowatts::from_hundredths(kw * 100);
    let reliability = Reliability {
        mean_to_failure: model::Hours::from_seconds(mttf * 3600),
        ..Reliability::planning_default()
    };
    let asked = Mission {
        load: load.iter().copied().map(whole).collect(),
        sets: vec![Sets { count, rated: whole(2), reliability }],
        battery: Battery { power: whole(power), usable: whole(usable), charged: whole(charged.min(usable)) },
    };
    survival(&asked).unwrap().by_hour.into_iter().map(Probability::number).collect()
}

proptest! {
    #[test]
    fn more_hours_never_help_and_more_means_never_hurt(
        load in prop::collection::vec(0..8_i64, 1..12),
        count in 1..4_u16,
        mttf in 1..50_i64,
        (power, usable, charged) in (0..4_i64, 0..6_i64, 0..6_i64),
    ) {
        let battery = (power, usable, charged);
        let found = of(&load, count, mttf, battery);
        prop_assert!(found.iter().all(|likely| (0.0..=1.0).contains(likely)));
        prop_assert!(found.is_sorted_by(|a, b| *a >= *b - 1e-12));
        let none_worse = |better: Vec<f64>| better.iter().zip(&found).all(|(more, less)| *more >= less - 1e-12);
        prop_assert!(none_worse(of(&load, count + 1, mttf, battery)));
        prop_assert!(none_worse(of(&load, count, mttf + 1, battery)));
        prop_assert!(none_worse(of(&load, count, mttf, (power, usable + 1, charged.min(usable) + 1))));
        let lighter: Vec<i64> = load.iter().map(|load| (load - 1).max(0)).collect();
        prop_assert!(none_worse(of(&lighter, count, mttf, battery)));
    }
}
