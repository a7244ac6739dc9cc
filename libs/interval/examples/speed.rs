//! How long the folds take, on one core: `cargo run --release -p interval --example speed`.

#![allow(clippy::unwrap_used, clippy::print_stdout, reason = "a measurement for people to read")]

use std::{
    collections::BTreeMap,
    hint::black_box,
    sync::Arc,
    time::{Duration, Instant as Clock},
};

use interval::{Compact, Input, Policy, UnitFacts, refold, refold_compact};
use model::{EditionId, Hours, Instant, SiteId, Zone, event::ServiceEvent, json, read, schedule::Edition};
use serde_json::{Value, json};

const UNITS: u32 = 83_334;
const TASKS: usize = 12;
/// 2025-01-06T06:00:00Z.
const START: i64 = 1_736_143_200;
const WEEK: i64 = 7 * 86_400;

fn id(kind: u8, n: usize) -> String {
    format!("0194d000-{kind:04x}-7000-8000-{n:012x}")
}

fn job(n: usize) -> String {
    format!("job_number_{n}")
}

fn edition() -> Edition {
    let task = |n: usize| {
        let limits = json!({"hours": 50 * (n + 1), "months": n + 1});
        json!({"task": job(n), "job": job(n), "title": "A job", "limits": limits})
    };
    let tasks: Vec<Value> = (0..TASKS).map(task).collect();
    let value =
        json!({"edition": "A", "effective_from": "2000-01-01", "source": "invented fixture", "tasks": tasks});
    read::whole(&value, read::Mode::New, Edition::read).unwrap()
}

fn event(n: usize, second: i64, mut details: Value) -> ServiceEvent {
    let at = Instant::from_micros(START * 1_000_000).plus_seconds(second).to_string();
    let members = details.as_object_mut().unwrap();
    members.insert("id".into(), json!(id(2, n)));
    members.insert("unit_id".into(), json!(id(5, 0)));
    members.insert("occurred_at".into(), json!(at));
    let value = json::parse(details.to_string().as_bytes()).unwrap();
    read::whole(&value, read::Mode::New, ServiceEvent::read).unwrap()
}

/// A commissioning, an adoption, and week by week a reading or, now and then, a service.
fn life(events: usize) -> Vec<ServiceEvent> {
    let adoption = json!({"kind": "adoption", "schedule_id": id(4, 0), "edition_id": id(3, 0)});
    let commissioning = json!({"kind": "commissioning", "site_id": id(1, 0), "meter_hours": 0});
    let mut all = vec![event(0, 0, commissioning), event(1, 0, adoption)];
    all.extend((2..events).map(|n| {
        let week = i64::try_from(n).unwrap();
        let hours = Hours::from_hundredths(week * 310 + week % 7 * 10);
        let details = if n % 5 == 4 {
            let jobs: Vec<Value> =
                [0, n % TASKS, (n + 5) % TASKS].iter().map(|n| json!({"job": job(*n)})).collect();
            json!({"kind": "service", "jobs": jobs, "meter_hours": hours})
        } else {
            json!({"kind": "reading", "meter_hours": hours})
        };
        event(n, week * WEEK, details)
    }));
    all
}

fn time(what: &str, mut once: impl FnMut()) -> Duration {
    let began = Clock::now();
    for _ in 0..UNITS {
        once();
    }
    let took = began.elapsed();
    println!("{what:<40} {:>7.3} s {:>8.2} µs each", took.as_secs_f64(), (took / UNITS).as_secs_f64() * 1e6);
    took
}

fn main() {
    let home_site = SiteId::parse(&id(1, 0)).unwrap();
    let facts = UnitFacts { meter_fitted: true, tick: Hours::from_hundredths(10), home_site };
    let zones = BTreeMap::from([(home_site, Zone::parse("America/Denver").unwrap())]);
    let editions = BTreeMap::from([(EditionId::parse(&id(3, 0)).unwrap(), Arc::new(edition()))]);
    let policy = Policy::standard();
    let base = Input { facts: &facts, events: &[], zones: &zones, editions: &editions, policy: &policy };

    println!("{UNITS} units, {TASKS} tasks");
    for count in [20, 104] {
        let events = life(count + 1);
        let (past, new) = events.split_at(count);
        let input = Input { events: past, ..base };
        let next = Input { events: new, ..base };
        let now = new.iter().map(|event| event.occurred.when.instant(&Zone::utc())).max().unwrap();
        println!("\n{count} events a unit");
        let state = refold(&input);
        let fold = time("refold", || drop(black_box(refold(&input))));
        let items = time("items_at", || drop(black_box(state.items_at(now))));
        let steps = time("steps_from", || drop(black_box(state.steps_from(now))));
        let told = state.steps_from(now);
        let written = time("steps to text", || drop(black_box(serde_json::to_string(&told).unwrap())));
        let kept = refold_compact(&input).compact.unwrap();
        let keep = time("refold_compact", || drop(black_box(refold_compact(&input))));
        let text = serde_json::to_string(&kept).unwrap();
        let out = time("compact to text", || drop(black_box(serde_json::to_string(&kept).unwrap())));
        let back =
            time("text to compact", || drop(black_box(serde_json::from_str::<Compact>(&text).unwrap())));
        let apply = time("apply one event", || drop(black_box(kept.apply(&next).unwrap())));
        let ratio = |part: Duration| part.as_secs_f64() / fold.as_secs_f64();
        println!(
            "compact text {} bytes, steps {} bytes",
            text.len(),
            serde_json::to_string(&told).unwrap().len()
        );
        println!(
            "of one refold: items {:.2}, steps {:.2}, steps to text {:.2}, refold_compact {:.2}, parse {:.2}, apply {:.2}, write {:.2}",
            ratio(items),
            ratio(steps),
            ratio(written),
            ratio(keep),
            ratio(back),
            ratio(apply),
            ratio(out)
        );
    }
}
