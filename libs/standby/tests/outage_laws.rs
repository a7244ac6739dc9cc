//! What holds for every set and every outage.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use model::{Hours, Instant, Litres, UnitId, Zone};
use proptest::prelude::*;
use standby::{
    amount::BurnRate,
    burn::{BurnCurve, BurnFacts},
    load::{Load, Profile, Share, Step},
    outage::{
        EngineHours, HourLimit, Oil, OnSite, OnSiteLasts, Outage, OutagePolicy, RunThrough, Set, SiteTank,
        Supply, Task, UnitSet, run_through, run_through_unstaged, site,
    },
};

use self::given::code;

const NO_STOCK: OnSite = OnSite { litres: Litres::from_hundredths(0), can_size: None };

fn of_hundredths(hundredths: i64) -> Litres {
    Litres::from_hundredths(hundredths)
}

fn curve() -> impl Strategy<Value = BurnCurve> {
    prop::collection::vec(1..800_000_i64, 3).prop_map(|more| {
        let mut rate = 300_000;
        let points = (0..).zip(more).map(|(place, more)| {
            rate += more;
            (Share::from_percent(place * 50), BurnRate::from_microlitres_per_hour(rate))
        });
        BurnCurve::new(points.collect()).unwrap()
    })
}

fn load() -> impl Strategy<Value = Profile> {
    prop::collection::vec((600..40_000_i64, 0..=100_i64), 1..5).prop_map(|steps| {
        let mut after_seconds = 0;
        let step = |(lasts, percent): (i64, i64)| {
            let step = Step { after_seconds, load: Load::Share(Share::from_percent(percent)) };
            after_seconds += lasts;
            step
        };
        Profile::Steps(steps.into_iter().map(step).collect())
    })
}

/// A task by its limit above 100 h, interval and tolerance in hundredths of an hour.
fn task((due, interval, tolerance): (i64, i64, i64)) -> Task {
    Task {
        task: code("oil_change"),
        hours: Some(HourLimit {
            due_at: Hours::from_hundredths(10_000 + due),
            interval: Hours::from_hundredths(interval),
            tolerance: Hours::from_hundredths(tolerance),
        }),
        due_date: None,
        stop: None,
        parts: Vec::new(),
        changes_oil: false,
        is_check: false,
    }
}

prop_compose! {
    fn set()(
        curve in curve(),
        load in load(),
        (capacity, reserve, start) in (800..10_000_i64, 0..=50_i64, 0..=100_i64),
        stock in 0..20_000_i64,
        (check, since) in (100..3_000_i64, 0..=100_i64),
        tasks in prop::collection::vec((-500..6_000_i64, 300..6_000_i64, 0..1_000_i64), 0..3),
        plain in 0..3_600_i64,
    ) -> Set {
        let reserve = capacity * reserve / 100;
        Set {
            burn: BurnFacts { curve: Some((curve, interval::Grade::A)), ..BurnFacts::default() },
            load: Some(load),
            supply: Supply::OwnTank {
                capacity: Some(of_hundredths(capacity)),
                start: Some(of_hundredths(reserve + (capacity - reserve) * start / 100)),
                reserve: of_hundredths(reserve),
            },
            on_site: OnSite { litres: of_hundredths(stock), can_size: Some(of_hundredths(2_000)) },
            engine_hours: Some(EngineHours::measured(Hours::from_hundredths(10_000))),
            running: false,
            since_check: Hours::from_hundredths(check * since / 100),
            check_every: Some(Hours::from_hundredths(check)),
            tasks: tasks.into_iter().map(task).collect(),
            not_told: Vec::new(),
            oil: Oil::default(),
            plain_stop: Some(Hours::from_seconds(plain)),
        }
    }
}

fn outage(seconds: i64) -> Outage {
    Outage {
        start: Instant::parse("2025-08-01T18:00:00Z").unwrap(),
        duration: Hours::from_seconds(seconds),
        zone: Zone::utc(),
        policy: OutagePolicy::standard(),
    }
}

fn staged(set: &Set, seconds: i64) -> RunThrough {
    run_through(&outage(seconds), set).unwrap().plan().unwrap().clone()
}

fn unstaged(set: &Set, seconds: i64) -> RunThrough {
    run_through_unstaged(&outage(seconds), set).unwrap().plan().unwrap().clone()
}

/// Capacity, start and reserve in hundredths of a litre.
fn tank(set: &Set) -> (i64, i64, i64) {
    let Supply::OwnTank { capacity, start, reserve } = set.supply else { return (0, 0, 0) };
    (capacity.unwrap().hundredths(), start.unwrap().hundredths(), reserve.hundredths())
}

/// The laws of any plan.
fn holds(set: &Set, plan: &RunThrough, seconds: i64) -> Result<(), TestCaseError> {
    let (capacity, start, reserve) = tank(set);
    let end = plan.fuel_at_end_litres.unwrap().hundredths();
    // Each of the three is rounded to the hundredth.
    let burned = plan.fuel_burned_litres.unwrap();
    let lost = burned.hundredths() - (start + plan.fuel_added_litres.unwrap().hundredths() - end);
    prop_assert!(lost.abs() <= 2, "burned is not start + added - end: {lost}");
    prop_assert!(end >= reserve - 1 && end <= capacity + 1, "the reserve is crossed: {end}");
    prop_assert_eq!((plan.run_hours + plan.down_hours + plan.out_hours).seconds(), seconds);
    prop_assert!(burned <= plan.fuel_without_stops_litres.unwrap());
    let every = set.check_every.unwrap();
    let mut last = Hours::ZERO - set.since_check;
    for stop in &plan.stops {
        prop_assert!(stop.run_hours - last <= every, "too far apart: {stop:?}");
        last = stop.run_hours;
    }
    prop_assert!(plan.run_hours - last <= every);
    Ok(())
}

proptest! {
    #[test]
    fn staged_plans(set in set(), seconds in 1..400_000_i64) {
        let plan = staged(&set, seconds);
        holds(&set, &plan, seconds)?;
        prop_assert_eq!(plan.out_hours, Hours::ZERO);
        let (capacity, _, reserve) = tank(&set);
        for stop in &plan.stops {
            prop_assert!(capacity - stop.add_litres.hundredths() >= reserve - 1);
        }
    }

    #[test]
    fn plans_with_what_is_there(set in set(), seconds in 1..400_000_i64) {
        let plan = unstaged(&set, seconds);
        holds(&set, &plan, seconds)?;
        prop_assert!(plan.fuel_added_litres.unwrap() <= set.on_site.litres);
        let out = matches!(plan.on_site, OnSiteLasts::RunsOut { .. });
        prop_assert_eq!(out, plan.out_hours > Hours::ZERO);
        // Up to the first stop it goes as if all were staged.
        let all = staged(&set, seconds);
        // What is to be staged is for the whole outage, however far what is there goes.
        prop_assert_eq!(&plan.stage, &all.stage);
        prop_assert!(!out || all.stage.fuel_to_fill_up_litres.unwrap() > Litres::from_hundredths(0));
        prop_assert_eq!(plan.stops.first().map(|stop| stop.at), all.stops.first().map(|stop| stop.at).filter(|_| !plan.stops.is_empty()));
    }

    #[test]
    fn what_is_staged_suffices(set in set(), seconds in 1..400_000_i64) {
        let plan = staged(&set, seconds);
        let more = set.on_site.litres.hundredths() + plan.stage.fuel_to_fill_up_litres.unwrap().hundredths() + 1;
        let enough = Set { on_site: OnSite { litres: of_hundredths(more), can_size: None }, ..set };
        prop_assert_eq!(unstaged(&enough, seconds).out_hours, Hours::ZERO);
    }

    /// The least fuel to stage is enough, too, where there is no work: a tank that is not filled up may move work to another
    /// stop, and a stop less is fuel more.
    #[test]
    fn the_least_that_is_staged_suffices(set in set(), seconds in 1..400_000_i64) {
        let set = Set { tasks: Vec::new(), ..set };
        let least = staged(&set, seconds).stage.fuel_litres.unwrap().hundredths();
        let more = set.on_site.litres.hundredths() + least + 1;
        let enough = Set { on_site: OnSite { litres: of_hundredths(more), can_size: None }, ..set };
        prop_assert_eq!(unstaged(&enough, seconds).out_hours, Hours::ZERO);
    }

    /// Without work: a longer outage may bring work that a shorter one leaves until after it, and with it a stop more.
    #[test]
    fn a_longer_outage_never_needs_less(set in set(), seconds in 1..300_000_i64, more in 1..100_000_i64) {
        let set = Set { tasks: Vec::new(), ..set };
        let (short, long) = (staged(&set, seconds), staged(&set, seconds + more));
        prop_assert!(short.fuel_burned_litres <= long.fuel_burned_litres);
        prop_assert!(short.stage.fuel_litres <= long.stage.fuel_litres);
        prop_assert!(short.stops.len() <= long.stops.len());
    }

    /// The tank of a site suffices just where nothing is to be staged to fill up from it, and the least is never more than that.
    #[test]
    fn a_site_does_not_contradict_itself(set in set(), seconds in 1..400_000_i64, litres in 0..30_000_i64, reserve in 0..3_000_i64) {
        let unit = UnitId::parse("01990593-db00-7000-8000-000000000001").unwrap();
        let tank = SiteTank { capacity: None, litres: Some(of_hundredths(litres)), reserve: of_hundredths(reserve) };
        let plan = site(&outage(seconds), &[UnitSet { unit, set: set.clone() }], Some(tank), NO_STOCK).unwrap();
        let shared = plan.shared.unwrap();
        let fill_up = plan.fuel_to_fill_up_litres.hundredths();
        // Less than half a hundredth is told as nothing.
        prop_assert!(!shared.suffices || fill_up == 0);
        prop_assert!(shared.suffices || fill_up > 0 || shared.drawn_litres.hundredths() + reserve - litres == 0);
        prop_assert_eq!(shared.suffices, shared.down_to_reserve_at.is_none());
        prop_assert!(plan.fuel_to_stage_litres.hundredths() <= fill_up + 1);
        prop_assert_eq!(plan.cans, None);
        let alone = site(&outage(seconds), &[UnitSet { unit, set }], None, NO_STOCK).unwrap();
        prop_assert!(alone.cans.unwrap() * 2_000 >= alone.fuel_to_stage_litres.hundredths());
    }

    #[test]
    fn more_load_never_lasts_longer(set in set(), low in 0..=100_i64, high in 0..=100_i64) {
        let (low, high) = (low.min(high), low.max(high));
        let at = |percent| Set {
            load: Some(Profile::Constant(Load::Share(Share::from_percent(percent)))),
            tasks: Vec::new(),
            plain_stop: Some(Hours::ZERO),
            ..set.clone()
        };
        let until = |percent| match unstaged(&at(percent), 20_000_000).on_site {
            OnSiteLasts::RunsOut { run_hours, .. } => run_hours.seconds(),
            _ => i64::MAX,
        };
        let (long, short) = (until(low), until(high));
        // A stop comes up to a second early.
        prop_assert!(short <= long.saturating_add(200), "{short} {long}");
    }
}
