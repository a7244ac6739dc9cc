//! How long it takes to judge 10,000 units with 20 events each: `cargo run --release -p standby --example judging`.
//!
//! Held against folding the same units, which every answer about them needs before. Figures are printed, never asserted; the bar is
//! 100 ms on one core for judging, its facts given.

#![allow(clippy::print_stdout, reason = "it prints a table")]

#[path = "../tests/told/mod.rs"]
mod told;

use std::{
    hint::black_box,
    time::{Duration, Instant as Clock},
};

use interval::{happened, refold};
use model::{Instant, event::ServiceEvent};
use serde_json::{Value, json};
use standby::readiness::{Facts, ReadinessPolicy, judge};
use told::Unit;

const UNITS: u32 = 10_000;
/// 2025-08-02T18:00:00Z.
const AT: Instant = Instant::from_micros(1_754_157_600_000_000);

fn main() {
    let (unit, policy) = (sprig(), ReadinessPolicy::standard());
    let lives: Vec<Vec<ServiceEvent>> = (0..20).map(|life| unit.events(&life_of(life))).collect();
    let of = |place: u32| lives.iter().cycle().nth(place as usize % 20).map_or(&[][..], Vec::as_slice);
    let fold = timed(|place| {
        let input = unit.input(of(place));
        black_box((refold(&input), happened(&input, AT)));
    });
    let folded: Vec<_> = lives.iter().map(|events| unit.folded(events, AT)).collect();
    let records: Vec<_> = folded.iter().map(told::Folded::record).collect();
    let facts: Vec<Facts> = records.iter().map(standby::record::Record::facts).collect();
    let Some(zone) = records.first().map(|record| record.zone) else { return };
    let reading = timed(|place| {
        black_box(records.get(place as usize % 20).map(standby::record::Record::facts));
    });
    let judging = timed(|place| {
        black_box(facts.get(place as usize % 20).map(|facts| judge(&policy, facts, AT, zone)));
    });
    println!("{UNITS} units, 20 events each, one core");
    let rows = [
        ("folding (baseline)", fold),
        ("reading facts", reading),
        ("judging, facts given", judging),
        ("facts and judging", reading + judging),
    ];
    for (what, took) in rows {
        let ratio = took.as_secs_f64() / fold.as_secs_f64();
        println!("{what:<22} {:>8.1} ms {ratio:>6.2} of the baseline", took.as_secs_f64() * 1000.0);
    }
}

/// The best of three rounds over all units.
fn timed(one: impl Fn(u32)) -> Duration {
    let round = || {
        let begun = Clock::now();
        (0..UNITS).for_each(&one);
        begun.elapsed()
    };
    (0..3).map(|_| round()).min().unwrap_or_default()
}

fn sprig() -> Unit {
    let fields = json!({"label": "U7", "home_site_id": "fs3", "fuel": "petrol", "rated_kw": 5.5, "tank_litres": 24,
        "burn_curve": [{"load_percent": 0, "litres_per_hour": 0.7}, {"load_percent": 100, "litres_per_hour": 3.2}],
        "electric_start": true, "battery_volts": 12});
    let sites = json!({"fs3": {"name": "Fire Station 3", "zone": "America/Denver", "needs_kw": 3.3, "needs_hours": 72}});
    let task = |job: &str, hours: i64| json!({"task": job, "job": job, "title": job, "limits": {"hours": hours, "months": 6}});
    let tasks = [
        ("oil_change", 100),
        ("filter_clean", 50),
        ("filter_replace", 300),
        ("plug_inspect", 100),
        ("plug_replace", 300),
        ("valve_clearance", 300),
    ];
    let tasks: Vec<Value> = tasks.iter().map(|(job, hours)| task(job, *hours)).collect();
    let editions = json!({"sprig": {"id": 800_001, "edition": "A", "effective_from": "2000-01-01", "source": "invented fixture", "tasks": tasks}});
    Unit::new(&fields, &sites, &editions)
}

/// Twenty events, a little different from life to life.
fn life_of(life: i64) -> Vec<Value> {
    let at = |day: i64| Instant::from_micros((1_738_418_400 + day * 86_400) * 1_000_000).to_string();
    let mut events = vec![
        json!({"kind": "adoption", "occurred_at": at(0), "schedule_id": 800_002, "edition_id": 800_001}),
        json!({"kind": "service", "occurred_at": at(1), "jobs": [{"job": "oil_change"}, {"job": "filter_clean"}], "meter_hours": 140}),
        json!({"kind": "battery", "occurred_at": at(2), "result": "passed", "on_maintainer": true}),
        json!({"kind": "placement", "occurred_at": at(2), "site_id": "fs3", "from_openings_metres": 7}),
        json!({"kind": "fuel", "occurred_at": at(3), "action": "measured", "litres": 10}),
        json!({"kind": "fuel", "occurred_at": at(60), "action": "filled", "litres": 12, "bought_on": "2025-03-01"}),
        json!({"kind": "finding", "occurred_at": at(70), "action": "opened", "severity": "minor"}),
    ];
    for week in 0..10 {
        let day = 10 + week * 14 + life % 7;
        events.push(json!({"kind": "run", "occurred_at": at(day), "run_hours": 0.6, "load_kw": 2, "start_attempts": 1, "reason": "test"}));
    }
    for month in 0..3 {
        events.push(json!({"kind": "reading", "occurred_at": at(20 + month * 40 + life % 5), "meter_hours": 141 + month * 2}));
    }
    events
}
