//! The age of fuel: `tests/vectors/standby/fuel.json`, and the laws of a mixed tank.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::{LocalDate, unit::Fuel};
use proptest::prelude::*;
use serde_json::Value;
use standby::{
    amount::Volume,
    fuel::{
        AgePolicy, Batch, CylinderPolicy, Dated, Ethanol, FuelError, FuelVerdict, Movement, Tank, TankFuel,
        fold, fuel_age, fuel_age_of, requalification,
    },
};
use worked::{cases, celsius, date, litres, matches, text};

fn batch(given: &Value) -> Result<Batch, FuelError> {
    let mut batch = Batch::bought(date(&given["bought_on"]));
    batch = match given["ethanol"].as_str() {
        None => batch,
        Some("free") => batch.with_ethanol(Ethanol::Free),
        Some("up_to10") => batch.with_ethanol(Ethanol::UpTo10),
        Some("above10") => batch.with_ethanol(Ethanol::Above10),
        Some(other) => panic!("{other}"),
    };
    if let Some(on) = date(&given["opened_on"]) {
        batch = batch.opened(on)?;
    }
    if let Some(on) = date(&given["treated_on"]) {
        batch = batch.treated(on)?;
    }
    match celsius(&given["stored_at_celsius"]) {
        Some(celsius) => batch.stored_at(celsius),
        None => Ok(batch),
    }
}

fn movement(given: &Value) -> Result<Dated, FuelError> {
    let of = |name: &str| litres(&given[name]);
    let movement = if let Some(volume) = of("burn_litres") {
        Movement::Burn(volume)
    } else if let Some(volume) = of("drain_litres") {
        Movement::Drain(volume)
    } else if let Some(volume) = of("level_litres") {
        Movement::Level(volume)
    } else if given["treat"] == true {
        Movement::Treat
    } else {
        Movement::Fill(batch(&given["fill"])?, litres(&given["fill"]["litres"]).unwrap())
    };
    Ok(Dated { on: date(&given["on"]).unwrap(), movement })
}

fn tank(given: &Value) -> Tank {
    let fuel = match given["fuel"].as_str() {
        None => Fuel::Petrol,
        Some("diesel") => Fuel::Diesel,
        Some("propane") => Fuel::Propane,
        Some(other) => panic!("{other}"),
    };
    Tank::empty(TankFuel::of(fuel).unwrap(), litres(&given["capacity_litres"]))
}

#[test]
fn worked_and_computed_examples() {
    for case in cases("fuel", "cases").into_iter().chain(cases("fuel", "computed")) {
        let (name, given) = (text(&case, "name"), &case["given"]);
        let at = date(&given["at"]).unwrap();
        let movements: Vec<Dated> =
            given["movements"].as_array().unwrap().iter().map(|one| movement(one).unwrap()).collect();
        let ledger = fold(tank(given), &movements, at).unwrap();
        let policy = match given["policy"].as_str() {
            None => AgePolicy::standard(),
            Some("no_credit") => AgePolicy::without_credit(),
            Some(other) => panic!("{other}"),
        };
        matches(name, &fuel_age_of(&ledger, at, &policy), &case["expect"]);
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("fuel", "refused") {
        let given = &case["given"]["movements"][0];
        let last = LocalDate::parse("2199-01-01").unwrap();
        let error = movement(given)
            .and_then(|one| {
                fold(tank(&case["given"]), &[one], last).map_err(|(place, error)| {
                    assert_eq!(place, 0);
                    error
                })
            })
            .unwrap_err();
        let expect = &case["expect"];
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

#[test]
fn a_tank_that_may_hold_either_fuel_is_not_guessed() {
    assert_eq!([Fuel::Dual, Fuel::NaturalGas].map(TankFuel::of), [None, None]);
}

#[test]
fn cylinders() {
    for case in cases("fuel", "cylinders") {
        let given = &case["given"];
        let answer = requalification(
            date(&given["stamped_on"]),
            date(&given["at"]).unwrap(),
            &CylinderPolicy::standard(),
        );
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

fn day(days: i32) -> LocalDate {
    LocalDate::parse("2025-01-01").unwrap().plus_days(days)
}

/// Parcels of a tank: bought on a day of the year, so many microlitres.
fn parcels() -> impl Strategy<Value = Vec<(i32, i64)>> {
    prop::collection::vec((0..365_i32, 1..50_000_000_i64), 1..6)
}

fn filled(parcels: &[(i32, i64)]) -> Tank {
    let mut tank = Tank::empty(TankFuel::Petrol, None);
    for (bought, volume) in parcels {
        tank.fill(Batch::bought(Some(day(*bought))), Volume::from_microlitres(*volume));
    }
    tank
}

proptest! {
    #[test]
    fn parcels_sum_to_the_tank(parcels in parcels(), takes in prop::collection::vec(0..60_000_000_i64, 0..8)) {
        let mut tank = filled(&parcels);
        let mut left: i64 = parcels.iter().map(|(_, volume)| volume).sum();
        for take in takes {
            let taken = tank.take(Volume::from_microlitres(take)).microlitres();
            prop_assert_eq!(taken, take.min(left));
            left -= taken;
            let sum: i64 = tank.parcels().map(|(_, volume)| volume.microlitres()).sum();
            prop_assert_eq!((sum, tank.volume().microlitres()), (left, left));
        }
    }

    #[test]
    fn fills_of_a_day_come_in_any_order(parcels in parcels().prop_shuffle(), burned in 0..60_000_000_i64) {
        let on = day(400);
        let fill = |(bought, volume): &(i32, i64)| {
            Dated { on, movement: Movement::Fill(Batch::bought(Some(day(*bought))), Volume::from_microlitres(*volume)) }
        };
        let burn = Dated { on: day(401), movement: Movement::Burn(Volume::from_microlitres(burned + 1)) };
        let mut movements: Vec<Dated> = parcels.iter().map(fill).chain([burn]).collect();
        let one = fold(Tank::empty(TankFuel::Petrol, None), &movements, day(402)).unwrap();
        movements.reverse();
        let other = fold(Tank::empty(TankFuel::Petrol, None), &movements, day(402)).unwrap();
        prop_assert_eq!(one, other);
    }

    #[test]
    fn burning_keeps_shares(parcels in parcels(), tenths in 1..10_i64, at in 365..600_i32) {
        let policy = AgePolicy::standard();
        let mut tank = filled(&parcels);
        let before = fuel_age(&tank, day(at), &policy);
        let (held, count) = (tank.volume().microlitres(), i64::try_from(parcels.len()).unwrap());
        tank.take(Volume::from_microlitres(held / 10 * tenths));
        prop_assume!(tank.volume() > Volume::ZERO);
        let after = fuel_age(&tank, day(at), &policy);
        let share = |answer: &standby::fuel::FuelAge| answer.past_share.unwrap().ten_thousandths();
        // Each parcel is rounded by less than a microlitre.
        let margin = count * 10_000 / tank.volume().microlitres() + 1;
        prop_assert!((share(&before) - share(&after)).abs() <= margin);
        let youngest = after.parcels.iter().filter_map(|parcel| parcel.age_days).min().unwrap();
        prop_assert!(after.mean_age_days.unwrap().hundredths() >= i64::from(youngest) * 100);
    }

    #[test]
    fn untouched_fuel_never_gets_better(parcels in parcels(), treat in prop::option::of(0..200_i32), at in 0..700_i32) {
        let mut tank = filled(&parcels);
        if let Some(on) = treat {
            tank.treat(day(on));
        }
        let policy = AgePolicy::standard();
        let share = |at| fuel_age(&tank, day(at), &policy).past_share.unwrap();
        prop_assert!(share(at) <= share(at + 1));
        let stale_from = fuel_age(&tank, day(at), &policy).stale_from.unwrap();
        let verdict = |on| fuel_age(&tank, on, &policy).verdict;
        prop_assert_eq!(verdict(stale_from), FuelVerdict::Stale);
        prop_assert_eq!(verdict(stale_from.plus_days(-1)), FuelVerdict::Fresh);
    }

    #[test]
    fn treatment_never_shortens_life(bought in 0..100_i32, treated in 0..400_i32) {
        let plain = filled(&[(bought, 1000)]);
        let mut better = plain.clone();
        better.treat(day(bought + treated));
        let policy = AgePolicy::standard();
        let past = |tank: &Tank| fuel_age(tank, day(0), &policy).parcels[0].past_from.unwrap();
        prop_assert!(past(&better) >= past(&plain));
        prop_assert_eq!(past(&better) > past(&plain), treated < 90);
    }

    #[test]
    fn the_remedies_do(parcels in parcels(), at in 100..600_i32) {
        let policy = AgePolicy::standard();
        let tank = filled(&parcels);
        let answer = fuel_age(&tank, day(at), &policy);
        prop_assert_eq!(answer.replace.is_some(), answer.verdict == FuelVerdict::Stale);
        if let (Some(replace), Some(top_up)) = (answer.replace, answer.top_up) {
            let fresh = Batch::bought(Some(day(at)));
            let mut replaced = tank.clone();
            let taken = replaced.take(replace.litres.into());
            replaced.fill(fresh, taken);
            prop_assert_eq!(fuel_age(&replaced, day(at), &policy).verdict, FuelVerdict::Fresh);
            let mut filled = tank;
            filled.fill(fresh, top_up.litres.into());
            prop_assert_eq!(fuel_age(&filled, day(at), &policy).verdict, FuelVerdict::Fresh);
        }
    }
}
