//! What a record says: `tests/vectors/standby/record.json`.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod given;
mod told;
mod worked;

use model::Hours;
use serde::Serialize;
use serde_json::{Value, json};
use standby::{
    battery::BatteryPolicy,
    exercise::{RunVerdict, TestPolicy, test_record},
    fuel::{AgePolicy, fuel_age_of},
    ledger::{Asked, Ledger, LedgerPolicy, ledger},
    outage::{OnSite, Outage, OutagePolicy, Set, Supply, run_through},
    readiness::{Fact, Facts, ReadinessPolicy, judge},
    record::{OutageAsked, Record, RunEnd},
};
use told::{Unit, short};
use worked::{cases, file, instant, matches_named, text};

/// The base with what a case replaces; null takes a member away.
fn over(base: &Value, given: &Value) -> Value {
    let mut all = base.as_object().unwrap().clone();
    for (name, value) in given.as_object().into_iter().flatten() {
        all.insert(name.clone(), value.clone());
    }
    all.retain(|_, value| !value.is_null());
    all.into()
}

#[test]
fn worked_examples() {
    let all = file("record");
    for case in cases("record", "cases") {
        let name = text(&case, "name");
        let mut sites = all["sites"].clone();
        for (site, fields) in case["sites"].as_object().into_iter().flatten() {
            sites[site] = over(&all["sites"][site], fields);
        }
        let unit = Unit::new(&over(&all["unit"], &case["unit"]), &sites, &all["editions"]);
        let mut given: Vec<Value> = Vec::new();
        for name in case["with"].as_array().into_iter().flatten() {
            given.extend(all["histories"][name.as_str().unwrap()].as_array().unwrap().iter().cloned());
        }
        given.extend(case["events"].as_array().unwrap().iter().cloned());
        let events = unit.events(&given);
        let folded = unit.folded(&events, instant(&case["at"]).unwrap());
        let found = answer(&folded.record(), &case);
        matches_named(name, &found, &case["expect"]);
    }
}

fn answer(record: &Record<'_>, case: &Value) -> Value {
    let facts = record.facts();
    let mut answer = json!({
        "facts": told(&facts),
        "readiness": judge(&ReadinessPolicy::standard(), &facts, record.at, record.zone),
        "fuel": fuel(record),
        "battery": battery(record),
        "ledger": hours_ledger(record),
        "runs": record.runs().iter().map(|run| json!({
            "event": run.id, "from": run.from, "grade": run.grade, "reason": run.reason,
            "end": match run.end {
                RunEnd::Stopped(until) => json!(until),
                RunEnd::GoesOn => "goes_on".into(),
                RunEnd::NotKnown => "not_known".into(),
            },
            "evidence": run.evidence,
            "load": format!("{:?}", run.load()),
        })).collect::<Vec<_>>(),
        "demands": record.demands().iter().map(|demand| snake(&demand.outcome)).collect::<Vec<_>>(),
        "tests": tests(record),
        "capacity_kw": record.capacity(),
        "engine_hours": record.engine_hours().map(|hours| json!({
            "nominal": hours.nominal, "upper": hours.upper, "grade": hours.grade,
        })),
    });
    if case["outage"].is_object() {
        let asked = asked(&case["outage"], record.at);
        let set = record.outage_set(&asked);
        let outage = Outage {
            start: asked.from,
            duration: Hours::from_hundredths(7200),
            zone: record.zone.clone(),
            policy: OutagePolicy::standard(),
        };
        answer["set"] = set_told(&set);
        answer["outage"] = match run_through(&outage, &set) {
            Ok(answer) => json!(answer),
            Err(error) => json!({"error": error.code(), "pointer": error.pointer()}),
        };
    }
    short(answer)
}

/// A word of the code as the API would write it.
fn snake(word: &impl std::fmt::Debug) -> String {
    let mut snake = String::new();
    for letter in format!("{word:?}").chars() {
        if letter.is_uppercase() && !snake.is_empty() {
            snake.push('_');
        }
        snake.extend(letter.to_lowercase());
    }
    snake
}

fn fact<T, J: Serialize>(fact: &Fact<T>, value: impl Fn(&T) -> J) -> Value {
    match fact {
        Fact::NotKnown => "not_known".into(),
        Fact::DoesNotApply => "does_not_apply".into(),
        Fact::Known(known) => {
            json!({"value": value(&known.value), "evidence": known.evidence, "changes_at": known.changes_at})
        }
    }
}

fn told(facts: &Facts) -> Value {
    json!({
        "critical_findings": facts.critical_findings,
        "tags": facts.tags,
        "due": fact(&facts.due, |items| items.iter().map(|item| json!({
            "job": item.job, "state": item.state, "past_hours": item.past_hours, "past_days": item.past_days,
            "tolerance_hours": item.tolerance_hours, "evidence": item.evidence, "changes_at": item.changes_at,
        })).collect::<Vec<_>>()),
        "last_start": fact(&facts.last_start, snake),
        "battery": fact(&facts.battery, |battery| json!({
            "passed": battery.passed, "check_due_on": battery.check_due_on,
        })),
        "recommission": fact(&facts.recommission, snake),
        "endurance": fact(&facts.endurance, |lasts| json!({"hours": lasts.hours, "needed": lasts.needed})),
        "stale_fuel": fact(&facts.stale_fuel, |share| *share),
        "last_test": fact(&facts.last_test, |day| *day),
        "starts": fact(&facts.starts, |starts| json!([starts.succeeded(), starts.trials()])),
        "load": fact(&facts.load, |load| json!({"load": load.load, "capacity": load.capacity})),
        "newest_reading": fact(&facts.newest_reading, |at| *at),
        "co_alarm_works": fact(&facts.co_alarm_works, |works| *works),
        "from_openings": fact(&facts.from_openings, |far| *far),
    })
}

fn fuel(record: &Record<'_>) -> Value {
    let Some(fuel) = record.fuel() else { return Value::Null };
    let age = fuel_age_of(&fuel.ledger, record.today(), &AgePolicy::standard());
    json!({
        "told": fuel.told,
        "held_litres": fuel.ledger.tank.volume().litres(),
        "level_litres": fuel.level().map(|level| level.litres()),
        "overdrawn": fuel.ledger.overdrawn,
        "uncounted": fuel.uncounted,
        "age": age,
    })
}

fn battery(record: &Record<'_>) -> Value {
    let Some(battery) = record.battery(&BatteryPolicy::standard()) else { return Value::Null };
    json!({
        "checked_on": battery.checked_on,
        "standing": battery.standing,
        "charge": battery.charge,
        "load_test": battery.load_test,
        "passed": battery.passed,
        "passed_by": battery.passed_by,
        "missing": battery.missing,
        "evidence": battery.evidence,
    })
}

fn hours_ledger(record: &Record<'_>) -> Ledger {
    let (runs, meter) = (record.classed_runs(&record.runs()), record.meter_years());
    let asked = Asked { runs: &runs, reclassified: &[], meter: &meter, zone: record.zone, known_at: None };
    ledger(&asked, &LedgerPolicy::standard()).unwrap()
}

fn tests(record: &Record<'_>) -> Value {
    let policies = [TestPolicy::any_engine(), TestPolicy::twenty_to_forty_days()];
    let told = policies.iter().map(|policy| {
        let tests = test_record(&record.test_runs(), &record.tested(), policy, record.zone, record.today());
        let verdicts = tests.runs.iter().map(|run| {
            let judged = &run.judged[0];
            let verdict = match &judged.verdict {
                RunVerdict::Qualifies { .. } => json!("qualifies"),
                RunVerdict::Fails { reasons } => json!(reasons),
                RunVerdict::Unknown { .. } => json!("unknown"),
            };
            json!({"on": run.on, "hours": run.hours, "verdict": verdict, "loaded_hours": judged.loaded_hours})
        });
        let told = json!({
            "runs": verdicts.collect::<Vec<_>>(),
            "hours": tests.effectiveness.hours,
            "last_on": tests.due[0].last_on,
            "annual_on": tests.annual.last_on,
            "state": tests.due[0].state,
        });
        (policy.policy.to_owned(), told)
    });
    told.collect::<serde_json::Map<_, _>>().into()
}

fn asked(given: &Value, at: model::Instant) -> OutageAsked {
    let some = |name: &str| Some(&given[name]).filter(|value| !value.is_null());
    OutageAsked {
        load: some("load").map(given::profile),
        fuel: some("fuel_litres").map(given::litres),
        on_site: OnSite {
            litres: some("on_site_litres").map_or(model::Litres::from_hundredths(0), given::litres),
            can_size: some("can_litres").map(given::litres),
        },
        check_every: some("check_every_hours").map(given::hours),
        site_tank: given["site_tank"] == Value::Bool(true),
        from: instant(&given["from"]).unwrap_or(at),
    }
}

fn set_told(set: &Set) -> Value {
    let (start, reserve) = match set.supply {
        Supply::OwnTank { start, reserve, .. } => (start, Some(reserve)),
        Supply::SiteTank => (None, None),
    };
    json!({
        "start_litres": start,
        "reserve_litres": reserve,
        "running": set.running,
        "since_check_hours": set.since_check,
        "check_every_hours": set.check_every,
        "engine_hours": set.engine_hours.map(|hours| hours.nominal),
        "tasks": set.tasks.iter().map(|task| json!({
            "task": task.task,
            "due_at": task.hours.map(|hours| hours.due_at),
            "interval": task.hours.map(|hours| hours.interval),
            "tolerance": task.hours.map(|hours| hours.tolerance),
            "due_date": task.due_date,
            "changes_oil": task.changes_oil,
            "is_check": task.is_check,
            "parts": task.parts,
        })).collect::<Vec<_>>(),
    })
}
