//! The residence clock: `tests/vectors/standby/residence.json`, and its laws.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::LocalDate;
use proptest::prelude::*;
use serde_json::Value;
use standby::residence::{
    Asked, Boundary, Clock, ClockState, Placement, Residence, ResidenceError, ResidencePolicy, Season,
    Storage, residence,
};
use worked::{cases, date, list, matches_named as matches, text};

fn months(given: &Value) -> Option<u16> {
    given.as_u64().map(|months| u16::try_from(months).unwrap())
}

fn placement(given: &Value) -> Result<Placement, ResidenceError> {
    let function = given["function"].as_str().unwrap_or("pump");
    let from = date(&given["from"]).unwrap();
    Placement::new(text(given, "unit"), text(given, "location"), function, from, date(&given["until"]))
}

fn storage(given: &Value) -> Result<Storage, ResidenceError> {
    Storage::new(text(given, "unit"), date(&given["from"]).unwrap(), date(&given["until"]))
}

fn season(given: &Value) -> Result<Season, ResidenceError> {
    let day = |name: &str| date(&given[name]).unwrap();
    Season::new(text(given, "location"), day("opens"), day("closes"), months(&given["permanent_months"]))
}

fn policy(given: &Value) -> Result<ResidencePolicy, ResidenceError> {
    let mut policy = match months(&given["months"]) {
        None => ResidencePolicy::standard(),
        Some(months) => ResidencePolicy::new("tarn_valley", "3", "invented", months)?,
    };
    if given["boundary"] == "more_than" {
        policy.boundary = Boundary::MoreThan;
    }
    if let Some(most) = given.get("gap_days_max") {
        policy.gap_days_max = months(most);
    }
    policy.storage_excluded = given["storage_excluded"].as_bool().unwrap_or(policy.storage_excluded);
    policy.seasonal = given["seasonal"].as_bool().unwrap_or(policy.seasonal);
    Ok(policy)
}

fn answer(given: &Value) -> Result<Residence, ResidenceError> {
    let placements = list(given, "placements").iter().map(placement).collect::<Result<Vec<_>, _>>()?;
    let storage = list(given, "storage").iter().map(storage).collect::<Result<Vec<_>, _>>()?;
    let seasonal = list(given, "seasonal").iter().map(season).collect::<Result<Vec<_>, _>>()?;
    let today = date(&given["today"]).unwrap();
    let asked = Asked { placements: &placements, storage: &storage, seasonal: &seasonal, today };
    residence(&asked, &policy(&given["policy"])?)
}

#[test]
fn worked_examples() {
    for case in cases("residence", "residence") {
        matches(text(&case, "name"), &answer(&case["given"]).unwrap(), &case["expect"]);
    }
}

#[test]
fn bad_input_is_refused_by_name() {
    for case in cases("residence", "refused") {
        let error = answer(&case["given"]).unwrap_err();
        let (code, pointer) = (text(&case["expect"], "code"), text(&case["expect"], "pointer"));
        assert_eq!((error.code(), error.pointer().as_str()), (code, pointer), "{case}");
        assert!(error.to_string().ends_with('.'), "{case}");
    }
}

fn day(number: i32) -> LocalDate {
    LocalDate::parse("2024-01-01").unwrap().plus_days(number)
}

/// Stays of different units at one place, each with the days before and the days of its stay and of storage in it.
fn stays() -> impl Strategy<Value = Vec<(i32, i32, i32)>> {
    prop::collection::vec((-20_i32..60, 0_i32..300, 0_i32..100), 1..8)
}

fn made(stays: &[(i32, i32, i32)]) -> (Vec<Placement>, Vec<Storage>) {
    let mut at = 0;
    let mut made = (Vec::new(), Vec::new());
    for (unit, (before, stay, stored)) in stays.iter().enumerate() {
        let from = at + before;
        at = from + stay;
        let unit = format!("U{unit}");
        made.0.push(Placement::new(&unit, "PS-2", "pump", day(from), Some(day(at))).unwrap());
        made.1.push(Storage::new(&unit, day(from), Some(day(from + stored.min(stay)))).unwrap());
    }
    made
}

fn policies() -> impl Strategy<Value = ResidencePolicy> {
    (prop::bool::ANY, prop::option::of(0_u16..60), prop::bool::ANY).prop_map(|(stored, gap, more)| {
        let mut policy = ResidencePolicy::standard();
        policy.storage_excluded = stored;
        policy.gap_days_max = gap;
        policy.boundary = if more { Boundary::MoreThan } else { Boundary::AtLeast };
        policy
    })
}

proptest! {
    #[test]
    fn clocks_never_run_back(stays in stays(), policy in policies(), now in 0_i32..1500, later in 0_i32..200) {
        let (placements, storage) = made(&stays);
        let on = |today: i32| {
            let asked = Asked { placements: &placements, storage: &storage, seasonal: &[], today: day(today) };
            residence(&asked, &policy).unwrap().clocks
        };
        let after = on(now + later);
        for before in on(now) {
            let same = after.iter().find(|clock| clock.since == before.since).unwrap();
            prop_assert!(same.days >= before.days);
            prop_assert!(before.state != ClockState::Stationary || same.state == ClockState::Stationary);
        }
    }

    #[test]
    fn order_does_not_matter(stays in stays(), policy in policies(), now in 0_i32..1500, turn in 0_usize..8) {
        let (mut placements, mut storage) = made(&stays);
        let on = |placements: &[Placement], storage: &[Storage]| {
            residence(&Asked { placements, storage, seasonal: &[], today: day(now) }, &policy).unwrap()
        };
        let before = on(&placements, &storage);
        let middle = turn % placements.len();
        placements.rotate_left(middle);
        placements.swap(0, middle);
        storage.reverse();
        prop_assert_eq!(before, on(&placements, &storage));
    }

    #[test]
    fn readings_are_told_in_their_order(stays in stays(), policy in policies(), now in 0_i32..1500) {
        let (placements, storage) = made(&stays);
        let asked = Asked { placements: &placements, storage: &storage, seasonal: &[], today: day(now) };
        for clock in residence(&asked, &policy).unwrap().clocks {
            prop_assert!(clock.at_least.passes_on < clock.more_than.passes_on);
            prop_assert!(clock.at_least.passed || !clock.more_than.passed);
            prop_assert_eq!(clock.passed.is_some(), clock.state == ClockState::Stationary);
            prop_assert!(clock.passed.is_none_or(|passed| passed.on == clock.passes_on));
            prop_assert!(clock.days_left.is_none_or(|left| left > 0));
            // A clock that has passed counted at least the 365 days of a year.
            prop_assert!(clock.passed.is_none() || clock.days >= 365);
            prop_assert!(clock.days >= 0 && clock.gap_days >= 0 && clock.storage_days >= 0);
        }
    }

    #[test]
    fn a_stay_in_two_parts_counts_the_same(stay in 1_i32..800, at in 0_i32..800, now in 0_i32..900) {
        let at = at % stay;
        let part = |unit: &str, from, until| {
            Placement::new(unit, "PS-2", "pump", day(from), Some(day(until))).unwrap()
        };
        let days = |placements: &[Placement]| {
            let asked = Asked { placements, storage: &[], seasonal: &[], today: day(now) };
            let clocks = residence(&asked, &ResidencePolicy::standard()).unwrap().clocks;
            clocks.into_iter().map(|clock| (clock.since, clock.days, clock.passed)).collect::<Vec<_>>()
        };
        let whole = days(&[part("U1", 0, stay)]);
        // What is placed after today is not known to come.
        if at <= now {
            prop_assert_eq!(whole, days(&[part("U2", at, stay), part("U1", 0, at)]));
        }
    }

    #[test]
    fn a_unit_that_changes_its_job_takes_its_time_along(
        lasts in prop::collection::vec((1_i32..200, 0_usize..3), 1..8),
        policy in policies(),
        now in 0_i32..1000,
    ) {
        let jobs = |changes: bool| -> Vec<Placement> {
            let mut at = 0;
            let mut made = Vec::new();
            for (place, (days, job)) in lasts.iter().enumerate() {
                let until = (place + 1 < lasts.len()).then(|| day(at + days));
                let job = if changes { ["pump", "lights", "heat"][*job] } else { "pump" };
                made.push(Placement::new("U1", "PS-2", job, day(at), until).unwrap());
                at += days;
            }
            made
        };
        let stands = |placements: &[Placement]| {
            let placements: Vec<Placement> = placements.to_vec();
            let asked = Asked { placements: &placements, storage: &[], seasonal: &[], today: day(now) };
            let clocks = residence(&asked, &policy).unwrap().clocks;
            // The job that it does today is the one that is not over.
            let last = clocks.into_iter().max_by_key(|clock| (clock.until.is_none(), clock.until)).unwrap();
            (last.since, last.days, last.passes_on, last.passed, last.gap_days)
        };
        prop_assert_eq!(stands(&jobs(false)), stands(&jobs(true)));
    }

    #[test]
    fn another_job_of_another_unit_changes_nothing(stays in stays(), policy in policies(), now in 0_i32..1500) {
        let (pumps, storage) = made(&stays);
        let mut all = pumps.clone();
        all.push(Placement::new("U9", "PS-2", "lights", day(0), None).unwrap());
        let clocks = |placements: &[Placement]| {
            residence(&Asked { placements, storage: &storage, seasonal: &[], today: day(now) }, &policy).unwrap().clocks
        };
        let pumping: Vec<_> = clocks(&all).into_iter().filter(|clock| clock.function == "pump").collect();
        prop_assert_eq!(clocks(&pumps), pumping);
    }

    #[test]
    fn clocks_of_several_jobs_never_run_back(
        stays in prop::collection::vec((0_usize..3, -5_i32..50, 0_i32..200, 0_usize..2), 1..12),
        policy in policies(),
        now in 0_i32..1200,
        later in 0_i32..200,
        turn in 0_usize..12,
    ) {
        let mut free = [0; 3];
        let mut placements: Vec<Placement> = stays.iter().map(|(unit, before, stay, job)| {
            let from = free[*unit] + before.max(&0);
            free[*unit] = from + stay;
            let (unit, job) = (format!("U{unit}"), ["pump", "lights"][*job]);
            Placement::new(unit, "PS-2", job, day(from), Some(day(from + stay))).unwrap()
        }).collect();
        let on = |placements: &[Placement], today: i32| {
            let asked = Asked { placements, storage: &[], seasonal: &[], today: day(today) };
            residence(&asked, &policy).unwrap().clocks
        };
        let (before, after) = (on(&placements, now), on(&placements, now + later));
        for clock in &before {
            // The own stay of a unit that came later may have begun still earlier.
            let goes_on = |other: &&Clock| {
                let same = other.function == clock.function && other.since <= clock.since;
                same && clock.units.iter().all(|unit| other.units.contains(unit)) && other.days >= clock.days
            };
            let after = after.iter().find(goes_on);
            prop_assert!(after.is_some(), "{clock:?}");
            prop_assert!(clock.passed.is_none() || after.unwrap().passed.is_some());
            prop_assert!(clock.days == day(now).min(clock.until.unwrap()).days_since(clock.since));
        }
        let middle = turn % placements.len();
        placements.rotate_left(middle);
        prop_assert_eq!(before, on(&placements, now));
    }
}
