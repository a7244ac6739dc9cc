//! The greatest and the least numbers there are: no panic, and nothing below nothing.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod given;

use interval::Grade;
use model::{Hours, Instant, Kilowatts, Litres};
use proptest::prelude::*;
use serde_json::json;
use standby::{
    burn::BurnFacts,
    endurance::{Question, Stocked, triage},
    load::{Load, Share},
    mission::{Battery, Mission, Reliability, Sets, survival},
    outage::{EngineHours, HourLimit, OutageError, Set, live, run_through, run_through_unstaged},
};

use self::given::*;

const MOST: Hours = Hours::from_seconds(i64::MAX);
const LEAST: Hours = Hours::from_seconds(i64::MIN);

fn plain() -> Set {
    set(&json!({"fuel": "petrol", "burn_curve": [[0, 0.7], [1, 3.2]], "load": {"share": 0.5},
        "supply": {"tank_litres": 24, "start_litres": 24, "reserve_litres": 4.8}, "on_site": {"litres": 60},
        "engine_hours": 100, "tasks": [{"task": "oil_change", "hours": {"due_at": 110, "interval": 50}}]}))
}

fn three_days() -> standby::outage::Outage {
    outage(&json!({"start": "2025-08-01T18:00:00Z", "duration_hours": 72}))
}

#[test]
fn limits_of_hours() {
    let numbers = [LEAST, Hours::ZERO, Hours::from_seconds(1), MOST];
    for due_at in numbers {
        for (interval, tolerance) in [(1, 0), (i64::MAX, i64::MAX), (i64::MAX, 0), (3600, i64::MAX)] {
            let mut set = plain();
            let (interval, tolerance) = (Hours::from_seconds(interval), Hours::from_seconds(tolerance));
            set.tasks[0].hours = Some(HourLimit { due_at, interval, tolerance });
            for run in [run_through, run_through_unstaged] {
                match run(&three_days(), &set) {
                    Ok(answer) => {
                        let plan = answer.plan().unwrap();
                        assert!(plan.run_hours >= Hours::ZERO && plan.down_hours >= Hours::ZERO);
                    }
                    Err(error) => assert!(matches!(error, OutageError::TooManyStops { .. }), "{error}"),
                }
            }
        }
    }
}

#[test]
fn checks_and_stops() {
    let hour = Hours::from_seconds(3600);
    for (long, since_check) in [(hour, MOST), (MOST, MOST), (hour, Hours::ZERO), (MOST, Hours::ZERO)] {
        let mut set = Set { since_check, check_every: Some(long), plain_stop: Some(MOST), ..plain() };
        set.engine_hours = Some(EngineHours { nominal: Hours::ZERO, upper: MOST, grade: Grade::C });
        set.tasks[0].stop = Some(MOST);
        let answer = run_through(&three_days(), &set).unwrap();
        let plan = answer.plan().unwrap();
        assert_eq!((plan.run_hours + plan.down_hours).seconds(), 72 * 3600);
        set.tasks.clear();
        let answer = run_through(&three_days(), &set).unwrap();
        let plan = answer.plan().unwrap();
        assert_eq!((plan.run_hours + plan.down_hours).seconds(), 72 * 3600);
    }
}

#[test]
fn fuel_for_ever() {
    let unit = model::UnitId::parse("01990593-db00-7000-8000-000000000001").unwrap();
    let stocked = Stocked {
        unit,
        burn: BurnFacts {
            usual: Some((model::quantity::LitresPerHour::from_hundredths(1), Grade::B)),
            fuel: Some(model::unit::Fuel::Diesel),
            ..BurnFacts::default()
        },
        load: Some(Load::Share(Share::FULL)),
        capacity: None,
        tank: Some(Litres::from_hundredths(i64::MAX)),
        cans: Litres::from_hundredths(i64::MAX),
        reserve: Litres::from_hundredths(0),
        travel: Some(MOST),
    };
    let question =
        Question { from: Instant::FIRST, keep_reserve: true, margin: Hours::from_hundredths(100_000_000) };
    let found = triage(&question, &[stocked]).unwrap();
    assert_eq!(Instant::LAST.seconds_since(found.lasting[0].runs_out_at), 0);
    // No longer than there are instants.
    assert_eq!(found.lasting[0].hours.seconds(), Instant::LAST.seconds_since(Instant::FIRST));
    let told = serde_json::to_value(&found).unwrap();
    assert!(number(&told["lasting"][0]["hours"]) > 0.0 && number(&told["lasting"][0]["litres"]) > 0.0);
}

#[test]
fn sets_of_any_rating() {
    let most = Kilowatts::from_hundredths(i64::MAX);
    let sets = Sets { count: 200, rated: most, reliability: Reliability::planning_default() };
    let battery = Battery { power: most, usable: most, charged: most };
    let found =
        survival(&Mission { load: vec![Kilowatts::from_hundredths(1); 2], sets: vec![sets, sets], battery });
    assert!(found.is_err() || found.is_ok_and(|found| found.to_the_end.number() <= 1.0));
    let sets = Sets { count: 2, ..sets };
    let found = survival(&Mission { load: vec![most; 2], sets: vec![sets, sets], battery }).unwrap();
    assert!((0.0..=1.0).contains(&found.to_the_end.number()));
}

proptest! {
    #[test]
    fn checks_of_any_run(run in any::<i64>(), every in any::<i64>(), recorded in prop::collection::vec(any::<i64>(), 0..4)) {
        let recorded: Vec<Hours> = recorded.into_iter().map(Hours::from_seconds).collect();
        let found = live::checks(Hours::from_seconds(run), Hours::from_seconds(every), &recorded);
        prop_assert!(found.missed_hours.len() <= found.expected_hours.len());
    }
}

#[test]
fn checks_of_the_longest_run() {
    for (run, every) in
        [(LEAST, MOST), (LEAST, Hours::from_seconds(1)), (MOST, MOST), (MOST, Hours::from_seconds(1 << 62))]
    {
        let found = live::checks(run, every, &[LEAST, MOST]);
        assert!(found.expected_hours.len() <= 1);
    }
}
