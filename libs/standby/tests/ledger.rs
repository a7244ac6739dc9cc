//! The hours ledger: `tests/vectors/standby/ledger.json`, and its laws.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod worked;

use model::{Hours, Instant, Zone};
use proptest::prelude::*;
use serde_json::Value;
use standby::ledger::{
    Asked, Between, Ledger, LedgerError, LedgerPolicy, MeterYear, OverlapRule, Reclassified, Reconciled, Run,
    RunClass, ToEnter, ledger,
};
use worked::{cases, date, hours, instant, list, matches_named as matches, text};

fn class(given: &Value) -> RunClass {
    match text(given, "class") {
        "emergency" => RunClass::Emergency,
        "maintenance_test" => RunClass::MaintenanceTest,
        "non_emergency" => RunClass::NonEmergency,
        "unclassified" => RunClass::Unclassified,
        other => panic!("{other}"),
    }
}

/// A run with its end, or with its hours.
fn run(given: &Value) -> Result<Run, LedgerError> {
    let from = instant(&given["from"]).unwrap();
    let until = instant(&given["until"])
        .unwrap_or_else(|| from.plus_seconds(hours(&given["hours"]).unwrap().seconds()));
    let told = |name: &str| given[name].as_str().map(str::to_owned);
    let run = Run::new(text(given, "id"), from, until, class(given), told("incident"), told("reason"))?;
    Ok(if given["by_day"] == Value::Bool(true) { run.known_by_day() } else { run })
}

fn reclassified(given: &Value) -> Reclassified {
    Reclassified {
        id: text(given, "id").to_owned(),
        run: text(given, "run").to_owned(),
        class: class(given),
        recorded_at: instant(&given["recorded_at"]).unwrap(),
        by: text(given, "by").to_owned(),
        reason: text(given, "reason").to_owned(),
    }
}

fn meter(given: &Value) -> Result<MeterYear, LedgerError> {
    let moved = given["moved"].as_str().map_or_else(
        || hours(&given["moved"]),
        |text| Some(Hours::from_hundredths(text.parse::<i64>().unwrap() * 100)),
    );
    let year = MeterYear::new(i16::try_from(given["year"].as_i64().unwrap()).unwrap(), moved.unwrap())?;
    let reading = |name: &str| match &given[name] {
        Value::Array(both) => (instant(&both[0]).unwrap(), instant(&both[1]).unwrap()),
        one => (instant(one).unwrap(), instant(one).unwrap()),
    };
    let is_part = given["from"] != Value::Null;
    Ok(if is_part { year.between(Between { from: reading("from"), until: reading("until") }) } else { year })
}

fn policy(given: &Value) -> Result<LedgerPolicy, LedgerError> {
    let rule = match given["overlap"].as_str() {
        None => OverlapRule::MostLimitedClass,
        Some("unclassified_until_settled") => OverlapRule::UnclassifiedUntilSettled,
        Some(other) => panic!("{other}"),
    };
    let limit = |name: &str, usual: i64| hours(&given[name]).unwrap_or(Hours::from_hundredths(usual));
    LedgerPolicy::new(
        "tarn_valley",
        "3",
        "invented",
        limit("most_counted", 10_000),
        limit("most_non_emergency", 5_000),
        limit("reconciles_within", 10),
        rule,
    )
}

fn answer(given: &Value) -> Result<Ledger, LedgerError> {
    let runs = list(given, "runs").iter().map(run).collect::<Result<Vec<_>, _>>()?;
    let words: Vec<Reclassified> = list(given, "reclassified").iter().map(reclassified).collect();
    let meter = list(given, "meter").iter().map(meter).collect::<Result<Vec<_>, _>>()?;
    let zone = Zone::parse(given["zone"].as_str().unwrap_or("America/Denver")).unwrap();
    let known_at = instant(&given["known_at"]);
    let asked = Asked { runs: &runs, reclassified: &words, meter: &meter, zone: &zone, known_at };
    let policy = if given["policy"].is_null() { LedgerPolicy::standard() } else { policy(&given["policy"])? };
    ledger(&asked, &policy)
}

#[test]
fn worked_examples() {
    for case in cases("ledger", "ledger") {
        matches(text(&case, "name"), &answer(&case["given"]).unwrap(), &case["expect"]);
    }
}

#[test]
fn bad_input_is_refused_by_name() {
    for case in cases("ledger", "refused") {
        let error = answer(&case["given"]).unwrap_err();
        let (code, pointer) = (text(&case["expect"], "code"), text(&case["expect"], "pointer"));
        assert_eq!((error.code(), error.pointer().as_str()), (code, pointer), "{case}");
        assert!(error.to_string().ends_with('.'), "{case}");
    }
}

#[test]
fn records_are_kept() {
    for case in cases("ledger", "kept") {
        let given = &case["given"];
        let policy = LedgerPolicy::standard();
        let policy = match given["months"].as_u64() {
            Some(months) => policy.kept_for(u16::try_from(months).unwrap()),
            None => policy,
        };
        let kept_until = policy.kept_until(date(&given["recorded_for"]).unwrap());
        let may_go = date(&given["today"]).unwrap() > kept_until;
        assert_eq!(case["expect"]["may_go"].as_bool(), Some(may_go), "{case}");
    }
}

const CLASSES: [RunClass; 4] =
    [RunClass::Emergency, RunClass::MaintenanceTest, RunClass::NonEmergency, RunClass::Unclassified];

/// A run within some days around the turn of a year.
fn made(id: usize, (begins, lasts, class): (i64, i64, usize)) -> Run {
    let from = Instant::parse("2025-12-28T00:00:00Z").unwrap().plus_seconds(begins);
    Run::new(format!("r{id:03}"), from, from.plus_seconds(lasts), CLASSES[class], None, None).unwrap()
}

fn plan() -> impl Strategy<Value = Vec<(i64, i64, usize)>> {
    prop::collection::vec((0_i64..700_000, 1_i64..90_000, 0_usize..4), 1..12)
}

fn summed(runs: &[Run], meter: &[MeterYear]) -> Ledger {
    let zone = Zone::parse("America/Denver").unwrap();
    let asked = Asked { runs, reclassified: &[], meter, zone: &zone, known_at: None };
    ledger(&asked, &LedgerPolicy::standard()).unwrap()
}

proptest! {
    #[test]
    fn logged_and_unlogged_make_up_the_meter(plan in plan(), more in 0_i64..500_000) {
        let runs: Vec<Run> = plan.into_iter().enumerate().map(|(id, run)| made(id, run)).collect();
        let first = &summed(&runs, &[]).years[0];
        let moved = first.logged + Hours::from_seconds(more);
        let year = &summed(&runs, &[MeterYear::new(first.year, moved).unwrap()]).years[0];
        let known = year.emergency + year.known.counted;
        prop_assert_eq!(known, moved - year.unclassified - year.unlogged.unwrap());
        prop_assert_eq!(year.logged, known + year.unclassified);
    }

    #[test]
    fn order_of_the_runs_does_not_matter(plan in plan(), turn in 0_usize..12) {
        let mut runs: Vec<Run> = plan.into_iter().enumerate().map(|(id, run)| made(id, run)).collect();
        let before = summed(&runs, &[]);
        let middle = turn % runs.len();
        runs.rotate_left(middle);
        runs.swap(0, middle);
        prop_assert_eq!(before, summed(&runs, &[]));
    }

    #[test]
    fn a_run_in_two_parts_sums_the_same(plan in plan(), at in 1_i64..90_000) {
        let whole: Vec<Run> = plan.iter().enumerate().map(|(id, run)| made(id, *run)).collect();
        let (begins, lasts, class) = plan[0];
        prop_assume!(lasts > 1);
        let at = 1 + at % (lasts - 1);
        let mut parts = whole.clone();
        parts[0] = made(0, (begins, at, class));
        parts.push(made(100, (begins + at, lasts - at, class)));
        let sums = |ledger: &Ledger| {
            ledger.years.iter().map(|year| (year.year, year.known, year.worst, year.logged, year.verdict))
                .collect::<Vec<_>>()
        };
        prop_assert_eq!(sums(&summed(&whole, &[])), sums(&summed(&parts, &[])));
    }

    #[test]
    fn each_second_counts_once(plan in plan()) {
        let runs: Vec<Run> = plan.iter().enumerate().map(|(id, run)| made(id, *run)).collect();
        let mut covered: Vec<(i64, i64)> = plan.iter().map(|(from, lasts, _)| (*from, from + lasts)).collect();
        covered.sort_unstable();
        let (mut union, mut reached) = (0, 0);
        for (from, until) in covered {
            union += (until - from.max(reached)).max(0);
            reached = reached.max(until);
        }
        let logged: i64 = summed(&runs, &[]).years.iter().map(|year| year.logged.seconds()).sum();
        prop_assert_eq!(logged, union);
    }

    #[test]
    fn a_run_known_by_its_day_agrees_with_the_meter_wherever_it_lay(
        begins in 0_i64..86_400, lasts in 1_i64..200_000, from in -150_000_i64..150_000, spans in 1_i64..300_000,
    ) {
        let day = Instant::parse("2025-06-10T00:00:00-06:00").unwrap();
        let until = from + spans;
        let between = (until.min(begins + lasts) - from.max(begins)).max(0);
        let read = |at: i64| (day.plus_seconds(at), day.plus_seconds(at));
        let meter = MeterYear::new(2025, Hours::from_seconds(between)).unwrap();
        let meter = meter.between(Between { from: read(from), until: read(until) });
        let run = Run::new("r", day, day.plus_seconds(lasts), CLASSES[1], None, None).unwrap().known_by_day();
        let year = &summed(&[run], &[meter]).years[0];
        prop_assert_eq!(year.reconciled, Reconciled::Agrees);
        prop_assert_eq!(year.logged, Hours::from_seconds(lasts));
        prop_assert!(year.worst.counted >= year.logged);
    }

    #[test]
    fn runs_known_by_their_days_all_count(plan in plan()) {
        let by_day = |(id, run): (usize, &(i64, i64, usize))| made(id, *run).known_by_day();
        let runs: Vec<Run> = plan.iter().enumerate().map(by_day).collect();
        let logged: i64 = summed(&runs, &[]).years.iter().map(|year| year.logged.seconds()).sum();
        prop_assert_eq!(logged, plan.iter().map(|(_, lasts, _)| lasts).sum::<i64>());
    }

    #[test]
    fn the_worst_case_is_all_of_them_as_non_emergency(plan in plan(), more in 0_i64..500_000) {
        let made = |as_what: usize| -> Vec<Run> {
            let as_what = |class: usize| if class == 3 { as_what } else { class };
            let run = |(id, run): (usize, &(i64, i64, usize))| made(id, (run.0, run.1, as_what(run.2)));
            plan.iter().enumerate().map(run).collect()
        };
        let first = &summed(&made(3), &[]).years[0];
        let meter = [MeterYear::new(first.year, first.logged + Hours::from_seconds(more)).unwrap()];
        let (open, said) = (summed(&made(3), &meter), summed(&made(2), &meter));
        for (open, said) in open.years.iter().zip(&said.years) {
            let unlogged = open.unlogged.unwrap_or(Hours::ZERO);
            prop_assert_eq!(open.worst.counted, said.known.counted + unlogged);
            prop_assert_eq!(open.worst.non_emergency, said.known.non_emergency + unlogged);
            prop_assert_eq!(open.worst, said.worst);
        }
    }

    #[test]
    fn classifying_never_worsens_the_worst_case(plan in plan(), which in 0_usize..12, to in 0_usize..3) {
        let which = which % plan.len();
        let with = |class: usize| {
            let mut plan = plan.clone();
            plan[which].2 = class;
            summed(&plan.iter().enumerate().map(|(id, run)| made(id, *run)).collect::<Vec<_>>(), &[])
        };
        for (before, after) in with(3).years.iter().zip(&with(to).years) {
            prop_assert!(after.worst.counted <= before.worst.counted);
            prop_assert!(after.worst.non_emergency <= before.worst.non_emergency);
            prop_assert!(after.known.counted >= before.known.counted);
        }
    }

    #[test]
    fn no_class_at_all_is_worse_than_the_worst_case(plan in plan(), classes in prop::collection::vec(0_usize..3, 12)) {
        let runs = |said: bool| -> Vec<Run> {
            let class = |id: usize, class: usize| if said && class == 3 { classes[id] } else { class };
            plan.iter().enumerate().map(|(id, run)| made(id, (run.0, run.1, class(id, run.2)))).collect()
        };
        for (before, after) in summed(&runs(false), &[]).years.iter().zip(&summed(&runs(true), &[]).years) {
            prop_assert!(after.known.counted <= before.worst.counted);
            prop_assert!(after.known.non_emergency <= before.worst.non_emergency);
        }
    }

    #[test]
    fn what_is_asked_for_is_what_is_open(plan in plan()) {
        let runs: Vec<Run> = plan.into_iter().enumerate().map(|(id, run)| made(id, run)).collect();
        for year in summed(&runs, &[]).years {
            let asked = year.to_enter.iter().map(|ask| match ask {
                ToEnter::ClassifyRun { hours, .. } => hours.seconds(),
                _ => 0,
            });
            prop_assert_eq!(asked.sum::<i64>(), (year.worst.non_emergency - year.non_emergency).seconds());
        }
    }
}
