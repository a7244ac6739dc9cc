//! Work that is told twice, moved to another unit, or done on units that are one; and lists of items.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use interval::{Compliance, DueItem, DueState, Input, Policy, QualityCode, drifts, refold};
use model::{Hours, Instant, LocalDate, UnitId, event::ServiceEvent, json, read};
use serde_json::{Value, json};

use self::fixture::{World, adopted, edition, id, unit};

const OTHER: usize = 1;

fn world() -> World {
    let mut world = World::new(true);
    let tasks = json!([{"task": "oil", "job": "oil", "title": "Oil", "limits": {"hours": 100}}]);
    world.editions.values_mut().for_each(|adopted| *adopted = edition(&tasks));
    world
}

fn event(n: usize, at: &str, mut details: Value) -> ServiceEvent {
    let members = details.as_object_mut().unwrap();
    members.insert("id".into(), json!(id(2, n)));
    members.entry("unit_id").or_insert(json!(id(5, 0)));
    members.insert("occurred_at".into(), json!(at));
    let value = json::parse(details.to_string().as_bytes()).unwrap();
    read::whole(&value, read::Mode::New, ServiceEvent::read)
        .unwrap_or_else(|errors| panic!("{value}: {errors:?}"))
}

fn oil_change(n: usize, at: &str, hours: f64) -> ServiceEvent {
    event(n, at, json!({"kind": "service", "jobs": [{"job": "oil"}], "meter_hours": hours}))
}

fn correction(n: usize, at: &str, mut details: Value) -> ServiceEvent {
    details["kind"] = json!("correction");
    details["reason"] = json!("a slip");
    event(n, at, details)
}

fn oil(world: &World, of: UnitId, events: &[ServiceEvent], at: &str) -> DueItem {
    let input = Input { unit: of, ..world.input(events) };
    refold(&input).items_at(Instant::parse(at).unwrap()).remove(0)
}

fn limit(world: &World, events: &[ServiceEvent]) -> Hours {
    oil(world, unit(), events, "2025-09-01T00:00:00Z").hours.unwrap().limit_hours
}

/// All orders of a list.
fn orders(events: &[ServiceEvent]) -> Vec<Vec<ServiceEvent>> {
    let Some((first, rest)) = events.split_first() else { return vec![Vec::new()] };
    let mut all = Vec::new();
    for order in orders(rest) {
        for at in 0..=order.len() {
            let mut order = order.clone();
            order.insert(at, first.clone());
            all.push(order);
        }
    }
    all
}

/// Worked example S01 (and A20): the same oil change by two technicians, one of them taken back.
#[test]
fn the_same_work_told_twice_counts_once_in_all_orders() {
    let world = world();
    let first = oil_change(1, "2025-08-02T10:05:00Z", 231.0);
    let second = oil_change(2, "2025-08-02T10:20:00Z", 231.1);
    let reading = event(3, "2025-08-03T10:00:00Z", json!({"kind": "reading", "meter_hours": 232.0}));
    let void = correction(4, "2025-08-04T10:00:00Z", json!({"action": "void", "target_id": first.id}));
    let both = [first.clone(), second.clone(), reading.clone()];
    let hours = |tenths: i64| Hours::from_hundredths(tenths * 10);
    let all = |order: Vec<ServiceEvent>| adopted().take(1).chain(order).collect::<Vec<_>>();
    for order in orders(&both) {
        assert_eq!(limit(&world, &all(order)), hours(3310));
    }
    let mut tried = 0;
    for order in orders(&[first, second, reading, void]) {
        assert_eq!(limit(&world, &all(order)), hours(3311));
        tried += 1;
    }
    assert_eq!(tried, 24);
}

/// Worked example S02: two oil changes a day apart in an outage are two.
#[test]
fn work_a_day_apart_is_not_the_same() {
    let world = world();
    let events = adopted()
        .take(1)
        .chain([oil_change(1, "2025-08-02T10:00:00Z", 231.0), oil_change(2, "2025-08-03T10:00:00Z", 255.0)]);
    assert_eq!(limit(&world, &events.collect::<Vec<_>>()), Hours::from_hundredths(35_500));
}

/// Worked example A19: an oil change at 231.0 logged on A was B's; A last at 150, B last at 120.
#[test]
fn work_moves_to_the_unit_it_was_done_on() {
    let world = world();
    let b = UnitId::parse(&id(5, OTHER)).unwrap();
    let on_b = |n: usize, at: &str, hours: f64| {
        event(n, at, json!({"kind": "service", "unit_id": b, "jobs": [{"job": "oil"}], "meter_hours": hours}))
    };
    let adopted_by_b = event(
        91,
        "2024-01-01T00:00:00Z",
        json!({"kind": "adoption", "unit_id": b, "schedule_id": id(4, 0), "edition_id": id(3, 0)}),
    );
    let mut events: Vec<ServiceEvent> = adopted().take(1).collect();
    events.extend([
        adopted_by_b,
        oil_change(1, "2025-03-01T00:00:00Z", 150.0),
        on_b(2, "2025-03-01T00:00:00Z", 120.0),
        oil_change(3, "2025-07-01T00:00:00Z", 231.0),
    ]);
    let limits = |events: &[ServiceEvent]| {
        [unit(), b].map(|unit| oil(&world, unit, events, "2025-07-02T00:00:00Z").hours.unwrap().limit_hours)
    };
    let hours = |hours: i64| Hours::from_hundredths(hours * 100);
    assert_eq!(limits(&events), [hours(331), hours(220)]);
    let moved = json!({"action": "reassign", "target_id": id(2, 3), "to_unit_id": b});
    events.push(correction(4, "2025-07-02T00:00:00Z", moved));
    assert_eq!(limits(&events), [hours(250), hours(331)]);
}

/// Worked example A49: one machine under two ids, each with readings of its own.
#[test]
fn units_that_are_one_share_their_readings() {
    let world = world();
    let b = id(5, OTHER);
    let read = |n: usize, unit: &str, at: &str, hours: f64| {
        event(n, at, json!({"kind": "reading", "unit_id": unit, "meter_hours": hours}))
    };
    let a = id(5, 0);
    let mut events = vec![
        read(1, &a, "2025-06-01T00:00:00Z", 100.0),
        read(2, &a, "2025-06-20T00:00:00Z", 110.0),
        read(3, &b, "2025-06-10T00:00:00Z", 104.0),
        read(4, &b, "2025-06-20T00:00:00Z", 110.0),
    ];
    events.push(correction(5, "2025-06-21T00:00:00Z", json!({"action": "link", "other_unit_id": b})));
    for unit in [a, b] {
        let input = Input { unit: UnitId::parse(&unit).unwrap(), ..world.input(&events) };
        let state = refold(&input);
        let hours = |at: &str| state.hours_at(Instant::parse(at).unwrap()).range.unwrap().nominal;
        let used = hours("2025-06-20T00:00:00Z") - hours("2025-06-01T00:00:00Z");
        assert_eq!((used, state.set_aside().len()), (Hours::from_hundredths(1000), 0));
        assert_eq!(hours("2025-06-10T00:00:00Z"), Hours::from_hundredths(10_400));
    }
}

/// Worked example A14: of 11 tasks one does not apply and two are overdue.
#[test]
fn compliance_counts_what_applies() {
    let mut world = World::new(true);
    let task = |n: usize| {
        let days = if n < 2 { 10 } else { 1000 };
        let mut task =
            json!({"task": format!("t{n}"), "job": format!("t{n}"), "title": "T", "limits": {"days": days}});
        if n == 10 {
            task["needs"] = json!(["electric_start"]);
        }
        task
    };
    let all = edition(&json!((0..11).map(task).collect::<Vec<_>>()));
    world.editions.values_mut().for_each(|adopted| *adopted = all.clone());
    let jobs: Vec<Value> = (0..11).map(|n| json!({"job": format!("t{n}")})).collect();
    let done = event(1, "2025-01-01T12:00:00Z", json!({"kind": "service", "jobs": jobs}));
    let fitted = json!({"kind": "setting", "effective_from": "2025-05-01", "feature": {"feature": "electric_start", "fitted": true}});
    let events: Vec<ServiceEvent> =
        adopted().take(1).chain([done, event(2, "2025-05-02T00:00:00Z", fitted)]).collect();
    let policy = Policy::standard();
    let state = refold(&Input { policy: &policy, ..world.input(&events) });
    let items = |at: &str| state.items_at(Instant::parse(at).unwrap());
    let before = items("2025-04-01T00:00:00Z");
    let compliance = Compliance::of(&before);
    assert_eq!((compliance.applicable, compliance.overdue, compliance.unknown), (10, 2, 0));
    assert_eq!(compliance.share.unwrap().ten_thousandths(), 8000);
    let last = |items: Vec<DueItem>| items.into_iter().find(|item| item.task.as_str() == "t10").unwrap();
    assert_eq!(last(before).state, DueState::NotApplicable);
    let after = last(items("2025-06-01T00:00:00Z"));
    assert_eq!(
        (after.state, after.calendar.unwrap().anchor_date),
        (DueState::Ok, LocalDate::parse("2025-05-01").unwrap())
    );
    assert_eq!(Compliance::of(&[]).share, None);
}

/// Nothing is missing in the record of a task that has nothing to count from, and is not asked for.
#[test]
fn what_is_not_for_the_unit_misses_no_history() {
    let limits = json!({"days": 10});
    let tasks = [
        (json!({"task": "oil", "job": "oil", "title": "Oil", "limits": limits}), false),
        (json!({"task": "kit", "job": "kit", "title": "Kit", "limits": limits, "needs": ["kit"]}), false),
        (
            json!({"task": "repair", "job": "repair", "title": "Repair", "limits": {"on_failed": {"job": "oil"}}}),
            false,
        ),
        (json!({"task": "plug", "job": "plug", "title": "Plug", "limits": limits}), true),
    ];
    let events: Vec<ServiceEvent> =
        adopted().take(1).chain([oil_change(1, "2025-01-01T12:00:00Z", 1.0)]).collect();
    for (task, missing) in tasks {
        let mut world = World::new(true);
        let of_one = edition(&json!([task]));
        world.editions.values_mut().for_each(|adopted| *adopted = of_one.clone());
        let quality = world.fold(&events).quality();
        let found = quality.iter().any(|entry| entry.code == QualityCode::NoHistory);
        assert_eq!(found, missing, "{task}");
    }
}

/// Three intervals of 38 days in a row drift past 3.25 × 31 days (the rule before GL 89-14 of the NRC); of 33 they do not.
#[test]
fn stretched_intervals_drift() {
    let every = |days: i32| {
        (0..4).map(|n| LocalDate::parse("2025-01-01").unwrap().plus_days(n * days)).collect::<Vec<_>>()
    };
    assert!(drifts(&every(38), 31, 325).is_some());
    assert!(drifts(&every(33), 31, 325).is_none());
    assert!(drifts(&every(38)[..3], 31, 325).is_none());
}
