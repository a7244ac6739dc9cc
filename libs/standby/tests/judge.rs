//! Run-throughs against the answers of a second implementation, from a file named by `KEEPSTART_RUN_THROUGH_CASES`: one case a
//! line. Without that file a single case is judged that was worked by hand, so that the door itself is known to open.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::cast_precision_loss,
    reason = "helpers of tests"
)]

mod given;

use model::{Hours, Instant, Litres, Zone};
use serde_json::Value;
use standby::{
    burn::{BurnCurve, BurnFacts},
    load::{Load, Profile, Step},
    outage::{
        EngineHours, HourLimit, Oil, OnSite, Outage, OutagePolicy, RunThrough, Set, Supply, Task,
        run_through_unstaged,
    },
};

use self::given::*;

/// Runs an hour on 1 L/h from a tank of 4 L, to the reserve of 1 L; worked by hand.
const BY_HAND: &str = r#"{"given": {"start_unix": 1754071200, "duration_s": 36000, "burn_curve": [[0.5, 1.0], [1.0, 2.0]],
    "load_steps": [[0, 0.5]], "tank_l": 4.0, "start_l": 2.0, "reserve_l": 1.0, "engine_hours": 10.0,
    "cadence_run_h": 2, "run_since_check_s": 0, "stop_s": 600, "work_stop_s": 1800,
    "tasks": [{"code": "oil_change", "limit_h": 12.5, "interval_h": 50, "tolerance_h": 0}], "stock_l": 3.5},
  "expect": {"stops": [
      {"offset_s": 3600, "run_s": 3600, "engine_hours": 11.0, "added_l": 3.0, "tasks": ["oil_change"]},
      {"offset_s": 12600, "run_s": 10800, "engine_hours": 13.0, "added_l": 0.5, "tasks": []}],
    "run_s": 16200, "down_s": 2400, "out_s": 17400, "burned_l": 4.5, "added_l": 3.5, "end_l": 1.0, "ran_dry": true,
    "engine_hours_end": 14.5}}"#;

#[test]
fn the_second_implementation_agrees() {
    let file = std::env::var("KEEPSTART_RUN_THROUGH_CASES").ok();
    let text = file.map_or_else(|| BY_HAND.replace('\n', " "), |path| std::fs::read_to_string(path).unwrap());
    let (mut judged, mut near, mut drifted, mut flaws) = (0_usize, 0_usize, 0_usize, Vec::new());
    for (line, case) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        let case: Value = serde_json::from_str(case).unwrap();
        judged += 1;
        if case["near"] == Value::Bool(true) {
            near += 1;
            continue;
        }
        let wrong = judge(&case, 2.0);
        // Seconds lost at a high rate are worth more of them at a low one: rare, and bounded by how far the rates are apart.
        if !wrong.is_empty() && judge(&case, rates_apart(&case).max(2.0)).is_empty() {
            drifted += 1;
            continue;
        }
        if !wrong.is_empty() {
            flaws.push(format!("line {}: {}", line + 1, wrong.join("; ")));
        }
    }
    println!(
        "{judged} cases, of which {near} too near to a decision, {drifted} drifted, {} disagree",
        flaws.len()
    );
    assert!(drifted * 500 <= judged, "{drifted} of {judged} cases drifted apart by rounding");
    assert!(judged > 0 && near * 20 <= judged, "{near} of {judged} cases are too near to a decision");
    assert!(flaws.is_empty(), "{} of {judged}:\n{}", flaws.len(), flaws[..flaws.len().min(20)].join("\n"));
}

/// How many times the lowest rate the highest is.
fn rates_apart(case: &Value) -> f64 {
    let points = case["given"]["burn_curve"].as_array().unwrap();
    number(&points[points.len() - 1][1]) / number(&points[0][1])
}

fn seconds(value: &Value) -> i64 {
    value.as_i64().unwrap()
}

fn set_of(given: &Value) -> Set {
    let step = |step: &Value| Step { after_seconds: seconds(&step[0]), load: Load::Share(share(&step[1])) };
    let task = |task: &Value| Task {
        task: code(task["code"].as_str().unwrap()),
        hours: Some(HourLimit {
            due_at: hours(&task["limit_h"]),
            interval: hours(&task["interval_h"]),
            tolerance: hours(&task["tolerance_h"]),
        }),
        due_date: None,
        stop: Some(Hours::from_seconds(seconds(&given["work_stop_s"]))),
        parts: Vec::new(),
        changes_oil: false,
        is_check: false,
    };
    let curve = BurnCurve::new(points(&given["burn_curve"])).unwrap();
    Set {
        burn: BurnFacts { curve: Some((curve, interval::Grade::A)), ..BurnFacts::default() },
        load: Some(Profile::Steps(given["load_steps"].as_array().unwrap().iter().map(step).collect())),
        supply: Supply::OwnTank {
            capacity: Some(litres(&given["tank_l"])),
            start: Some(litres(&given["start_l"])),
            reserve: litres(&given["reserve_l"]),
        },
        on_site: OnSite { litres: litres(&given["stock_l"]), can_size: None },
        engine_hours: Some(EngineHours::measured(hours(&given["engine_hours"]))),
        running: false,
        since_check: Hours::from_seconds(seconds(&given["run_since_check_s"])),
        check_every: Some(hours(&given["cadence_run_h"])),
        tasks: given["tasks"].as_array().unwrap().iter().map(task).collect(),
        not_told: Vec::new(),
        oil: Oil::default(),
        plain_stop: Some(Hours::from_seconds(seconds(&given["stop_s"]))),
    }
}

/// What differs, by more than the rounding of the two allows.
fn judge(case: &Value, a_stop: f64) -> Vec<String> {
    let given = &case["given"];
    let outage = Outage {
        start: Instant::from_micros(seconds(&given["start_unix"]) * 1_000_000),
        duration: Hours::from_seconds(seconds(&given["duration_s"])),
        zone: Zone::utc(),
        policy: OutagePolicy::standard(),
    };
    match run_through_unstaged(&outage, &set_of(given)) {
        Ok(answer) => {
            answer.plan().map_or_else(|| vec![format!("{answer:?}")], |plan| compare(case, plan, a_stop))
        }
        Err(error) => vec![error.to_string()],
    }
}

fn compare(case: &Value, plan: &RunThrough, a_stop: f64) -> Vec<String> {
    let expect = &case["expect"];
    // A course is told in whole seconds, so each stop may come up to a second early, by what is burned in that second.
    let a_second =
        case["given"]["burn_curve"].as_array().unwrap().last().map_or(0.0, |point| number(&point[1]))
            / 3600.0;
    let litres_apart = |stops: f64| 0.02 + (0.002 + a_second) * stops;
    let mut flaws = Vec::new();
    let stops = expect["stops"].as_array().unwrap();
    let mut same = |what: String, expected: f64, found: f64, tolerance: f64| {
        if (expected - found).abs() > tolerance {
            flaws.push(format!("{what}: {found}, not {expected}"));
        }
    };
    same("count of stops".to_owned(), stops.len() as f64, plan.stops.len() as f64, 0.0);
    let time = |value: i64| value as f64;
    let of_litres = |litres: Litres| litres.hundredths() as f64 / 100.0;
    let of_hours =
        |hours: Option<Hours>| hours.map_or(f64::INFINITY, |hours| hours.seconds() as f64 / 3600.0);
    for (place, (expected, found)) in stops.iter().zip(&plan.stops).enumerate() {
        let nth = (place + 1) as f64;
        let mut at = |what: &str, found: f64, tolerance: f64| {
            same(format!("stop {place} {what}"), number(&expected[what]), found, tolerance);
        };
        at("offset_s", time(found.at.seconds_since(plan.from)), a_stop * (nth + 1.0));
        at("run_s", time(found.run_hours.seconds()), a_stop * (nth + 1.0));
        at("engine_hours", of_hours(found.engine_hours), 0.001 * a_stop * (nth + 1.0));
        at("added_l", of_litres(found.add_litres), litres_apart(nth));
    }
    let n = stops.len() as f64;
    let mut sum = |what: &str, found: f64, tolerance: f64| {
        same(what.to_owned(), number(&expect[what]), found, tolerance);
    };
    sum("run_s", time(plan.run_hours.seconds()), a_stop * (n + 1.0));
    sum("down_s", time(plan.down_hours.seconds()), a_stop * (n + 1.0));
    sum("out_s", time(plan.out_hours.seconds()), a_stop * (n + 1.0));
    sum("burned_l", of_litres(plan.fuel_burned_litres.unwrap()), litres_apart(n + 1.0));
    sum("added_l", of_litres(plan.fuel_added_litres.unwrap()), litres_apart(n + 1.0));
    sum("end_l", of_litres(plan.fuel_at_end_litres.unwrap()), litres_apart(n + 1.0));
    sum("engine_hours_end", of_hours(plan.engine_hours_at_end), 0.001 * a_stop * (n + 1.0));
    for (place, (expected, found)) in stops.iter().zip(&plan.stops).enumerate() {
        let mut tasks: Vec<&str> = found.tasks.iter().map(model::Code::as_str).collect();
        tasks.sort_unstable();
        let expected: Vec<&str> =
            expected["tasks"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        if tasks != expected {
            flaws.push(format!("stop {place} tasks: {tasks:?}, not {expected:?}"));
        }
    }
    if expect["ran_dry"] != Value::Bool(plan.out_hours > Hours::ZERO) {
        flaws.push(format!("ran_dry: not {}", expect["ran_dry"]));
    }
    flaws
}
