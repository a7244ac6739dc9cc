//! How fast sets burn fuel: published figures, and curves that are refused.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    reason = "helpers of tests"
)]

mod given;

use model::{Kilowatts, Litres, unit::Fuel};
use proptest::prelude::*;
use serde_json::Value;
use standby::{
    amount::{BurnRate, Volume},
    burn::{Beyond, Burn, BurnCurve, generic_diesel, propane, same_heat},
    convert::Kilograms,
    load::Share,
};

use self::given::*;

const CASES: &str = include_str!("../../../tests/vectors/standby/burn.json");

fn litres_per_hour(rate: BurnRate) -> f64 {
    rate.microlitres_per_hour() as f64 / 1_000_000.0
}

#[test]
fn worked_examples() {
    for case in cases(CASES) {
        let name = case["name"].as_str().unwrap();
        let expect = &case["expect"];
        match Burn::of(&burn_facts(&case["given"])) {
            Ok(burn @ Burn::Tank { basis, grade, .. }) => {
                assert_eq!(serde_json::to_value(basis).unwrap(), expect["basis"], "{name}");
                assert_eq!(serde_json::to_value(grade).unwrap(), expect["grade"], "{name}");
                for point in case["at"].as_array().unwrap() {
                    let found = litres_per_hour(burn.rate(share(&point[0])).rate);
                    // The published litres have one decimal.
                    assert!((found - number(&point[1])).abs() < 0.06, "{name}: {found} at {point}");
                    if let Some(grade) = point[2].as_str() {
                        let found = serde_json::to_value(burn.grade(share(&point[0]))).unwrap();
                        assert_eq!(found, grade, "{name}: {point}");
                    }
                }
            }
            Ok(Burn::Piped) => assert_eq!(expect["basis"], "piped", "{name}"),
            Err(missing) => assert_eq!(missing.pointer, expect["missing"].as_str().unwrap(), "{name}"),
        }
    }
}

#[test]
fn curves_that_are_refused() {
    let file: Value = serde_json::from_str(CASES).unwrap();
    for case in file["curves"].as_array().unwrap() {
        let error = BurnCurve::new(points(&case["points"])).unwrap_err();
        assert_eq!(
            (error.code(), error.pointer().as_str()),
            (case["error"].as_str().unwrap(), case["pointer"].as_str().unwrap())
        );
    }
}

#[test]
fn beyond_its_points_a_curve_says_so() {
    let point = |percent, rate| (Share::from_percent(percent), BurnRate::from_microlitres_per_hour(rate));
    let curve = BurnCurve::new(vec![point(25, 1_000_000), point(75, 2_000_000)]).unwrap();
    for (percent, rate, beyond) in [
        (24, 1_000_000, Some(Beyond::BelowFirst)),
        (25, 1_000_000, None),
        (50, 1_500_000, None),
        (75, 2_000_000, None),
        (76, 2_000_000, Some(Beyond::AboveLast)),
    ] {
        let at = curve.at(Share::from_percent(percent));
        assert_eq!((at.rate.microlitres_per_hour(), at.beyond), (rate, beyond), "{percent}");
    }
}

/// FACTS.md §7.1: in 72 h, in US gallons, and 133 % of it.
#[test]
fn seventy_two_hours_of_the_generic_table() {
    for (kw, percent, gallons) in
        [(100, 75.0, 417.6), (20, 75.0, 93.6), (500, 75.0, 1900.8), (100, 62.5, 356.4)]
    {
        let curve = generic_diesel(Kilowatts::from_hundredths(kw * 100)).unwrap();
        let rate = curve.at(share(&serde_json::json!(percent / 100.0))).rate;
        let found = rate.over(72 * 3600).microlitres() as f64 / 3_785_412.0;
        assert!((found - gallons).abs() < 0.05, "{kw} kW: {found}, not {gallons}");
    }
}

/// FACTS.md §7.2: 1.38 US gallons of propane for one of petrol; 0.508 kg per litre (value from memory).
#[test]
fn heat_and_mass() {
    let gallon = Volume::from_microlitres(1_000_000);
    assert_eq!(
        same_heat(gallon, Fuel::Petrol, Fuel::Propane).unwrap().litres(),
        Litres::from_hundredths(138)
    );
    assert_eq!(same_heat(gallon, Fuel::NaturalGas, Fuel::Propane), None);
    assert_eq!(propane(Kilograms::from_grams(10_000)).litres(), Litres::from_hundredths(1_969));
}

/// FACTS.md §7.1: fuel per hour rises with load and with size, and fuel per kilowatt-hour falls from a quarter to full load.
#[test]
fn the_generic_table_is_sane() {
    for kw in (2_000..=50_000).step_by(500) {
        let curve = generic_diesel(Kilowatts::from_hundredths(kw)).unwrap();
        let rates: Vec<i64> = curve.points().iter().map(|(_, rate)| rate.microlitres_per_hour()).collect();
        assert!(rates.is_sorted_by(|a, b| a < b), "{kw}: {rates:?}");
        let (first, last) = (curve.points()[0], rates[rates.len() - 1]);
        assert!(rates[0] * 100 > last * first.0.millionths() / 10_000, "{kw}: {rates:?}");
        // Copies of the table disagree about 20 kW at a quarter: nothing rests on that cell.
        assert_eq!(first.0, Share::from_percent(if kw < 3_000 { 50 } else { 25 }), "{kw}");
        if let Some(larger) = generic_diesel(Kilowatts::from_hundredths(kw + 500)) {
            assert!(larger.at(Share::FULL).rate > curve.at(Share::FULL).rate, "{kw}");
        }
    }
}

proptest! {
    #[test]
    fn more_load_never_burns_less(
        steps in prop::collection::vec((1..200_000_i64, 0..500_000_i64), 1..6),
        loads in prop::collection::vec(0..1_200_000_i64, 2..20),
    ) {
        let mut at = (0, 100_000);
        let points = steps.iter().map(|(wider, more)| {
            at = (at.0 + wider, at.1 + more);
            (Share::from_millionths(at.0), BurnRate::from_microlitres_per_hour(at.1))
        });
        let curve = BurnCurve::new(points.collect()).unwrap();
        let mut loads = loads;
        loads.sort_unstable();
        let rates: Vec<BurnRate> = loads.iter().map(|load| curve.at(Share::from_millionths(*load)).rate).collect();
        prop_assert!(rates.is_sorted());
    }
}
