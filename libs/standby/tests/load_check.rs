//! Load checks: `tests/vectors/standby/load_check.json`, and the law of the best order.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::{Metres, quantity::Celsius};
use proptest::prelude::*;
use serde_json::Value;
use standby::load_check::{
    DerateRule, Growth, Load, LoadVerdict, Place, RuleOf, Set, Slope, Together, Watts, load_check,
};
use worked::{cases, file, kilowatts, matches_whole as matches, number, text};

fn watts(given: &Value) -> Option<Watts> {
    given.as_u64().map(|watts| Watts::from_whole(u32::try_from(watts).unwrap()))
}

fn load(given: &Value) -> Load {
    Load { name: given[0].as_str().unwrap().to_owned(), running: watts(&given[1]), surge: watts(&given[2]) }
}

fn given(case: &Value) -> (Set, Place, Vec<Load>) {
    let mut given = file("load_check")["base"].clone();
    for (name, value) in case["given"].as_object().unwrap() {
        given[name] = value.clone();
    }
    let rule = given["rule"].is_object().then(|| serde_json::from_str(&given["rule"].to_string()).unwrap());
    let set = Set { nameplate: kilowatts(&given["rated_kw"]), start: kilowatts(&given["start_kw"]), rule };
    let place = Place {
        elevation: number(&given["elevation_metres"], 2).map(Metres::from_hundredths),
        air: number(&given["air_celsius"], 2).map(Celsius::from_hundredths),
    };
    (set, place, given["loads"].as_array().unwrap().iter().map(load).collect())
}

#[test]
fn loads_held_against_a_set() {
    for case in cases("load_check", "checks") {
        let (set, place, loads) = given(&case);
        matches(text(&case, "name"), &load_check(&set, &place, &loads).unwrap(), &case["expect"]);
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("load_check", "refused") {
        let (set, place, loads) = given(&case);
        let (error, expect) = (load_check(&set, &place, &loads).unwrap_err(), &case["expect"]);
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

#[test]
fn rules_that_cannot_be_are_refused() {
    for case in cases("load_check", "slopes") {
        let (given, expect) = (&case["given"], &case["expect"]);
        let whole = |name: &str| u16::try_from(given[name].as_u64().unwrap()).unwrap();
        let signed = |name: &str| given[name].as_i64().map(|number| i32::try_from(number).unwrap());
        let above = signed("above").unwrap();
        let error =
            Slope::new(whole("percent_hundredths"), whole("per"), above, Growth::Linear, signed("up_to"))
                .unwrap_err();
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        let read = serde_json::from_str::<Slope>(&given.to_string()).unwrap_err();
        assert!(read.to_string().contains(text(expect, "says")), "{read}");
    }
    let more = r#"{"percent_hundredths": 350, "per": 300, "above": 0, "growth": "linear", "factor": 2}"#;
    assert!(serde_json::from_str::<Slope>(more).unwrap_err().to_string().contains("unknown field"));
}

#[test]
fn a_capacity_never_looks_bigger() {
    assert_eq!(Watts::from_whole(4357).kilowatts_down().hundredths(), 435);
    let slope = Slope::new(350, 300, 0, Growth::Linear, None).unwrap();
    // What is left is 0.8133333333…
    assert_eq!(slope.at_metres(Metres::from_hundredths(160_000)).unwrap().billionths(), 813_333_333);
}

fn any_loads() -> impl Strategy<Value = Vec<Load>> {
    let one = (0_u32..3000, prop_oneof![Just(0_u32), 0_u32..4000]);
    proptest::collection::vec(one, 1..6).prop_map(|list| {
        let load = |(running, surge)| Load {
            name: format!("{running}/{surge}"),
            running: Some(Watts::from_whole(running)),
            surge: Some(Watts::from_whole(surge)),
        };
        list.into_iter().map(load).collect()
    })
}

/// The highest moment of each order there is.
fn peaks(before: u32, left: &[(u32, u32)]) -> Vec<u32> {
    if left.is_empty() {
        return vec![0];
    }
    let mut all = Vec::new();
    for (place, (running, surge)) in left.iter().enumerate() {
        let mut rest = left.to_vec();
        rest.remove(place);
        let now = before + running + surge;
        all.extend(peaks(before + running, &rest).into_iter().map(|later| later.max(now)));
    }
    all
}

fn sprig(percent: u16, growth: Growth, together: Together) -> Set {
    let slope = |percent, per, above| Slope::new(percent, per, above, growth, None).unwrap();
    Set {
        nameplate: Some(model::Kilowatts::from_hundredths(550)),
        start: Some(model::Kilowatts::from_hundredths(690)),
        rule: Some(DerateRule {
            rule: "sprig".into(),
            source: "worked example".into(),
            of: RuleOf::Model,
            altitude: slope(percent, 300, 0),
            temperature: slope(100, 5, 25),
            together,
        }),
    }
}

fn at(metres: i64, degrees: i64) -> Place {
    Place {
        elevation: Some(Metres::from_hundredths(metres * 100)),
        air: Some(Celsius::from_hundredths(degrees * 100)),
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_order_is_better_and_none_is_worse_than_told(loads in any_loads()) {
        let answer = load_check(&sprig(350, Growth::Linear, Together::Multiplied), &at(1600, 38), &loads).unwrap();
        let known: Vec<(u32, u32)> = loads
            .iter()
            .map(|load| (load.running.unwrap().watts(), load.surge.unwrap().watts()))
            .collect();
        let peaks = peaks(0, &known);
        prop_assert_eq!(Some(answer.peak_watts.watts()), peaks.iter().copied().min());
        prop_assert_eq!(Some(answer.worst_order_watts.watts()), peaks.iter().copied().max());
        prop_assert!(answer.all_at_once_watts >= answer.worst_order_watts);
        prop_assert_eq!(answer.order.last().map(|step| step.then_watts), Some(answer.running_watts));
    }

    #[test]
    fn higher_or_hotter_never_gives_more(
        metres in -500_i64..8000, more in 0_i64..1000, degrees in -40_i64..60, hotter in 0_i64..20, percent in 0_u16..2000,
        growth in prop_oneof![Just(Growth::Linear), Just(Growth::Compounding)],
        together in prop_oneof![Just(Together::Multiplied), Just(Together::Added)],
    ) {
        let set = sprig(percent, growth, together);
        let capacity = |place| load_check(&set, &place, &[]).unwrap().capacity_watts.unwrap();
        let here = capacity(at(metres, degrees));
        prop_assert!(here <= Watts::from_whole(5500));
        prop_assert!(capacity(at(metres + more, degrees)) <= here);
        prop_assert!(capacity(at(metres, degrees + hotter)) <= here);
    }

    #[test]
    fn a_load_more_never_makes_it_carry(loads in any_loads()) {
        let set = sprig(350, Growth::Linear, Together::Multiplied);
        let verdict = |loads: &[Load]| load_check(&set, &at(1600, 38), loads).unwrap().verdict;
        if loads.len() > 1 && verdict(&loads) == LoadVerdict::Carries {
            prop_assert_eq!(verdict(&loads[1..]), LoadVerdict::Carries);
        }
    }

    #[test]
    fn what_is_not_known_never_turns_a_verdict_round(loads in any_loads(), which in 0_usize..5) {
        let set = sprig(350, Growth::Linear, Together::Multiplied);
        let whole = load_check(&set, &at(1600, 38), &loads).unwrap().verdict;
        let (mut set, mut place, mut less) = (set, at(1600, 38), loads);
        match which {
            0 => set.rule = None,
            1 => set.start = None,
            2 => place.elevation = None,
            3 => less[0].surge = None,
            _ => less[0].running = None,
        }
        let verdict = load_check(&set, &place, &less).unwrap().verdict;
        prop_assert!(verdict == whole || verdict == LoadVerdict::Unknown, "{whole:?} {verdict:?}");
    }
}
