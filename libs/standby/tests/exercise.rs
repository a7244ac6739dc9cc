//! Tests under load: `tests/vectors/standby/exercise.json`, and their laws.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use interval::Fraction;
use model::{Hours, Instant, LocalDate, Zone, quantity::Kilowatts, unit::Ignition};
use proptest::prelude::*;
use serde_json::Value;
use standby::exercise::{
    Cadence, Joined, Load, MeterReading, Run, RunError, RunVerdict, Set, SpacingRule, Stretch, TestPolicy,
    TestRule, automatic_exercise, judge, spacing, test_record,
};
use worked::{cases, date, matches, number, share, text};

fn instant(given: &Value, name: &str) -> Instant {
    Instant::parse(text(given, name)).unwrap()
}

fn minutes(given: &Value) -> Hours {
    Hours::from_seconds(number(given, 0).unwrap() * 60)
}

fn kilowatts(given: &Value) -> Option<Kilowatts> {
    number(given, 2).map(Kilowatts::from_hundredths)
}

fn load(given: &Value) -> Load {
    match given {
        Value::Null => Load::NotKnown,
        Value::String(_) => Load::Off,
        _ => kilowatts(&given["kw"])
            .map(Load::Kilowatts)
            .unwrap_or_else(|| Load::Share(share(&given["share"]).unwrap())),
    }
}

fn run(given: &Value) -> Result<Run, RunError> {
    let started_at = instant(given, "started_at");
    let mut run = if let Some(stretches) = given["stretches"].as_array() {
        let stretch = |one: &Value| Stretch { lasted: minutes(&one["minutes"]), load: load(&one["load"]) };
        Run::of(started_at, stretches.iter().map(stretch).collect())?
    } else if let Some(samples) = given["samples"].as_array() {
        let sample = |one: &Value| (minutes(&one[0]), kilowatts(&one[1]).unwrap());
        Run::sampled(started_at, minutes(&given["minutes"]), &samples.iter().map(sample).collect::<Vec<_>>())?
    } else {
        let unloaded = minutes(&given["unloaded_minutes"]);
        Run::constant(started_at, minutes(&given["minutes"]), load(&given["load"]), unloaded)?
    };
    run.exhaust_temperature_reached = given["exhaust_temperature_reached"].as_bool();
    run.operating_temperature_reached = given["operating_temperature_reached"].as_bool();
    run.ran_before_transfer = given["ran_before_transfer"].as_bool();
    run.transferred_load = given["transferred_load"].as_bool();
    run.joined = given["joined"].as_object().map(|joined| Joined {
        runs: usize::try_from(number(&joined["runs"], 0).unwrap()).unwrap(),
        pauses: minutes(&joined["pause_minutes"]),
    });
    Ok(run)
}

fn set(given: &Value) -> Set {
    Set {
        nameplate: kilowatts(&given["rated_kw"]),
        ignition: given["ignition"].as_str().map(|word| match word {
            "spark" => Ignition::Spark,
            "compression" => Ignition::Compression,
            other => panic!("{other}"),
        }),
        class: number(&given["class_hours"], 2).map(Hours::from_hundredths),
    }
}

#[test]
fn runs_judged_by_a_rule() {
    for case in cases("exercise", "judged") {
        let given = &case["given"];
        let rule = match text(given, "rule") {
            "monthly_any" => TestRule::monthly_any(),
            "monthly_diesel" => TestRule::monthly_diesel(),
            "monthly_spark" => TestRule::monthly_spark(),
            "annual_diesel" => TestRule::annual_diesel(),
            "triennial" => TestRule::triennial(),
            "combined" => TestRule::combined(),
            other => panic!("{other}"),
        };
        let answer = judge(&run(&given["run"]).unwrap(), &set(&given["set"]), &rule);
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

#[test]
fn tests_follow_each_other() {
    for case in cases("exercise", "spacing") {
        let given = &case["given"];
        let rule = match text(given, "rule") {
            "calendar_month" => SpacingRule::calendar_month(),
            "20_to_40_days" => SpacingRule::twenty_to_forty_days(),
            "year_within_30_days" => SpacingRule::year_within_30_days(),
            "months_36" => SpacingRule::months(36),
            other => panic!("{other}"),
        };
        let tests: Vec<LocalDate> =
            given["tests"].as_array().unwrap().iter().map(|day| date(day).unwrap()).collect();
        matches(text(&case, "name"), &spacing(&tests, rule), &case["expect"]);
    }
}

#[test]
fn records_of_a_set() {
    let zone = Zone::parse("America/Denver").unwrap();
    for case in cases("exercise", "record") {
        let given = &case["given"];
        let policy = match text(given, "policy") {
            "any_engine" => TestPolicy::any_engine(),
            "calendar_month" => TestPolicy::calendar_month(),
            "20_to_40_days" => TestPolicy::twenty_to_forty_days(),
            other => panic!("{other}"),
        };
        let runs: Vec<Run> = given["runs"].as_array().unwrap().iter().map(|one| run(one).unwrap()).collect();
        let answer = test_record(&runs, &set(&given["set"]), &policy, &zone, date(&given["at"]).unwrap());
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

#[test]
fn exercise_that_nobody_wrote_down() {
    for case in cases("exercise", "automatic") {
        let given = &case["given"];
        let readings: Vec<MeterReading> = given["readings"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| MeterReading {
                at: instant(one, "at"),
                hours: Hours::from_hundredths(number(&one["hours"], 2).unwrap()),
            })
            .collect();
        let logged: Vec<(Instant, Hours)> = given["logged"]
            .as_array()
            .unwrap()
            .iter()
            .map(|one| (instant(one, "started_at"), minutes(&one["minutes"])))
            .collect();
        let cadence = Cadence {
            every_days: number(&given["cadence"]["every_days"], 0).unwrap(),
            lasts: minutes(&given["cadence"]["minutes"]),
        };
        let tick = Hours::from_hundredths(number(&given["tick_hours"], 2).unwrap());
        let answer = automatic_exercise(&readings, &logged, cadence, tick);
        assert_eq!(answer.len() + 1, readings.len());
        matches(text(&case, "name"), &answer, &case["expect"]);
    }
}

#[test]
fn what_cannot_be_is_refused() {
    for case in cases("exercise", "refused") {
        let error = run(&case["given"]["run"]).unwrap_err();
        let expect = &case["expect"];
        assert_eq!(
            (error.code(), error.pointer()),
            (text(expect, "code"), text(expect, "pointer")),
            "{case}"
        );
        assert!(error.to_string().ends_with('.'));
    }
}

const DIESEL: Set = Set {
    nameplate: Some(Kilowatts::from_hundredths(10_000)),
    ignition: Some(Ignition::Compression),
    class: None,
};

/// Stretches of minutes and a percentage of the nameplate; none is off.
fn stretches() -> impl Strategy<Value = Vec<(i64, i64)>> {
    prop::collection::vec((1..100_i64, prop::sample::select(vec![0, 20, 30, 49, 50, 75, 100])), 1..7)
}

fn drawn(parts: &[(i64, i64)]) -> Run {
    let load = |percent: i64| if percent == 0 { Load::Off } else { Load::Share(Fraction::of(percent, 100)) };
    let stretch = |(minutes, percent): &(i64, i64)| Stretch {
        lasted: Hours::from_seconds(minutes * 60),
        load: load(*percent),
    };
    Run::of(Instant::FIRST, parts.iter().map(stretch).collect()).unwrap()
}

fn rules() -> [TestRule; 5] {
    [
        TestRule::monthly_any(),
        TestRule::monthly_diesel(),
        TestRule::annual_diesel(),
        TestRule::triennial(),
        TestRule::combined(),
    ]
}

fn qualifies(run: &Run, rule: &TestRule) -> bool {
    matches!(judge(run, &DIESEL, rule).verdict, RunVerdict::Qualifies { .. })
}

/// Minute by minute, every place where the stages could begin: slow and plain.
fn by_minutes(parts: &[(i64, i64)], rule: &TestRule) -> bool {
    let percents: Vec<i64> =
        parts.iter().flat_map(|(minutes, percent)| (0..*minutes).map(move |_| *percent)).collect();
    (0..percents.len()).any(|start| {
        // Each stage may last longer than it must: its least is what the rest of the run is judged by.
        let mut at = start;
        rule.stages.iter().all(|stage| {
            let minutes = usize::try_from(stage.lasts.seconds() / 60).unwrap();
            let enough = |percent: &i64| *percent > 0 && Fraction::of(*percent, 100) >= stage.least;
            let carried = percents.get(at..at + minutes).is_some_and(|part| part.iter().all(enough));
            at += minutes;
            carried
        })
    })
}

proptest! {
    #[test]
    fn stages_are_found_wherever_they_lie(parts in stretches()) {
        let run = drawn(&parts);
        for rule in rules() {
            prop_assert_eq!(qualifies(&run, &rule), by_minutes(&parts, &rule), "{}", rule.rule);
        }
    }

    #[test]
    fn a_longer_run_never_loses_its_qualification(parts in stretches(), more in stretches(), place in 0..7_usize, minutes in 1..60_i64) {
        let run = drawn(&parts);
        let longer = drawn(&[parts.clone(), more].concat());
        let mut stretched = parts.clone();
        stretched[place % parts.len()].0 += minutes;
        for rule in rules() {
            prop_assert!(!qualifies(&run, &rule) || qualifies(&longer, &rule));
            prop_assert!(!qualifies(&run, &rule) || qualifies(&drawn(&stretched), &rule));
        }
    }

    #[test]
    fn more_load_never_loses_it(parts in stretches(), place in 0..7_usize) {
        let mut heavier = parts.clone();
        heavier[place % parts.len()].1 = 100;
        for rule in rules() {
            prop_assert!(!qualifies(&drawn(&parts), &rule) || qualifies(&drawn(&heavier), &rule));
        }
    }

    #[test]
    fn not_knowing_a_load_never_decides(parts in stretches(), place in 0..7_usize, percent in 1..100_i64) {
        let hidden = place % parts.len();
        let known = drawn(&[&parts[..hidden], &[(parts[hidden].0, percent)], &parts[hidden + 1..]].concat());
        let mut stretches = known.stretches().to_vec();
        stretches[hidden].load = Load::NotKnown;
        let unknown = Run::of(Instant::FIRST, stretches).unwrap();
        for rule in rules() {
            let (told, all) = (judge(&unknown, &DIESEL, &rule).verdict, qualifies(&known, &rule));
            // What is told without it holds with it.
            let holds = match told {
                RunVerdict::Qualifies { .. } => all,
                RunVerdict::Fails { .. } => !all,
                RunVerdict::Unknown { .. } => true,
            };
            prop_assert!(holds, "{}", rule.rule);
        }
    }

    #[test]
    fn the_next_window_follows_its_test(days in prop::collection::vec(0..800_i32, 1..8)) {
        let start = LocalDate::parse("2024-01-01").unwrap();
        let tests: Vec<LocalDate> = days.iter().map(|days| start.plus_days(*days)).collect();
        for rule in [SpacingRule::calendar_month(), SpacingRule::twenty_to_forty_days(), SpacingRule::months(12)] {
            let answer = spacing(&tests, rule);
            let last = *tests.iter().max().unwrap();
            let (from, by) = (answer.next_from.unwrap(), answer.next_by.unwrap());
            prop_assert!(last < from && from <= by);
            let kept = |next| spacing(&[last, next], rule).kept == Some(true);
            prop_assert!(kept(from) && kept(by) && !kept(by.plus_days(1)));
        }
    }
}
