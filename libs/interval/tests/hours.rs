//! What hours, runs and months of use come to in answers: the worked examples.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use interval::{DueState, Grade, ItemKey, ProjectedBy, QualityCode, Reason, UnitState, belongs_to, state_in};
use model::{Code, EditionId, Hours, Instant, ScheduleId, UnitId, event::ServiceEvent, json, read};
use serde_json::{Value, json};

use self::fixture::*;

/// Every 100 h or 6 months, first 20 h or a month, with 10 h of tolerance.
fn world(meter_fitted: bool) -> World {
    let mut world = World::new(meter_fitted);
    let tasks = json!([{"task": "oil", "job": "oil", "title": "Oil", "limits": {"hours": 100, "months": 6},
                        "first": {"hours": 20, "months": 1}, "tolerance": {"hours": 10}}]);
    world.editions.insert(EditionId::parse(&id(3, 0)).unwrap(), edition(&tasks));
    world
}

fn oil() -> ItemKey {
    let schedule = ScheduleId::parse(&id(4, 0)).unwrap();
    ItemKey { schedule, task: Code::parse("oil").unwrap() }
}

fn at(text: &str) -> Instant {
    Instant::parse(text).unwrap()
}

/// The state after these events and the adoption of the edition; events without an id have their place as one.
fn fold(world: &World, events: &[Value]) -> UnitState {
    let adoption = json!({"kind": "adoption", "occurred_on": "2024-01-01", "schedule_id": id(4, 0), "edition_id": id(3, 0)});
    let event = |(n, event): (usize, &Value)| {
        let mut event = event.clone();
        let members = event.as_object_mut().unwrap();
        members.insert("id".into(), json!(id(2, n)));
        members.insert("unit_id".into(), json!(id(5, 0)));
        let value = json::parse(event.to_string().as_bytes()).unwrap();
        read::whole(&value, read::Mode::New, ServiceEvent::read).unwrap_or_else(|e| panic!("{value}: {e:?}"))
    };
    let events: Vec<ServiceEvent> = events.iter().chain([&adoption]).enumerate().map(event).collect();
    world.fold(&events)
}

fn reading(at: &str, hours: f64) -> Value {
    json!({"kind": "reading", "occurred_at": at, "meter_hours": hours})
}

fn oil_change(on: &str, hours: f64) -> Value {
    json!({"kind": "service", "occurred_on": on, "jobs": [{"job": "oil"}], "meter_hours": hours})
}

#[test]
fn a26_and_a27_a_run_that_goes_on_comes_due_mid_run() {
    let start = json!({"kind": "run", "phase": "start", "occurred_at": "2025-08-01T06:00:00-06:00", "meter_hours": 212.4});
    let state = fold(&world(true), &[oil_change("2025-05-10", 140.0), start]);
    let steps = state.steps_from(at("2025-08-01T06:00:00-06:00")).remove(0).steps;
    let step = |text: &str| {
        let step = state_in(&steps, at(text)).unwrap();
        (step.state, step.from)
    };
    let (due, stop) = (at("2025-08-02T09:36:00-06:00"), at("2025-08-02T19:36:00-06:00"));
    assert_eq!(step("2025-08-02T12:00:00-06:00"), (DueState::Due, due));
    assert_eq!(step("2025-08-02T19:36:00-06:00").0, DueState::Due);
    assert_eq!(step("2025-08-02T19:36:01-06:00"), (DueState::Overdue, stop.plus_seconds(1)));
    let item = state.items_at(at("2025-08-02T12:00:00-06:00")).remove(0);
    assert_eq!((item.due_at, item.grade), (Some(due), Grade::C));
    assert_eq!(item.hours.unwrap().left_hours, Hours::from_hundredths(-240));
    let report = state.hours_report(at("2025-08-02T12:00:00-06:00"));
    assert_eq!(report.hours.range.unwrap().nominal, Hours::from_hundredths(24240));
    assert_eq!(report.open_run.unwrap().since, at("2025-08-01T06:00:00-06:00"));
    let projection = state.projection(&oil(), at("2025-08-01T12:00:00-06:00")).unwrap();
    assert_eq!(projection.by, ProjectedBy::OpenRun);
    assert_eq!(projection.p90.date.to_string(), "2025-08-02");
}

#[test]
fn a08_break_in_of_a_unit_without_a_meter() {
    let commissioned = json!({"kind": "commissioning", "occurred_on": "2025-01-06", "site_id": id(1, 0)});
    let run = |on: &str, hours: Value, about: Option<f64>| json!({"kind": "run", "occurred_on": on, "run_hours": hours, "give_or_take_hours": about});
    // All within the first month, so that hours alone decide; the weekly tests go on from there.
    let weekly = (0..13).map(|week| {
        let on = Instant::parse("2025-01-07T12:00:00Z").unwrap().plus_seconds(week * 7 * 86_400).to_string();
        run(&on[..10], json!("0:30"), None)
    });
    let others = [run("2025-04-02", json!("5:40"), None), run("2025-04-03", json!(6), Some(1.0))];
    let events: Vec<Value> = [commissioned].into_iter().chain(weekly).chain(others).collect();
    let state = fold(&world(false), &events);
    let left = |text: &str| {
        let hours = state.items_at(at(text)).remove(0).hours.unwrap();
        (hours.left_hours.seconds(), (hours.limit_hours - hours.now_hours).seconds())
    };
    let end = "2025-04-03T06:00:00-06:00";
    assert_eq!(left(end), (3000, 6600), "0.833 and 1.833 h");
    let later = at(end).plus_seconds(14 * 86_400);
    assert_eq!(state.hours_at(later).range.unwrap().upper.seconds(), 72_600, "20.167 h");
    assert_eq!(state.hours_at(later).grade, Grade::C);
}

/// Example B04: 27.6 h left after a year of routine and two outages, without and with a limit in 6 months.
#[test]
fn b04_a_projection_replays_the_months_that_were() {
    const MONTHLY: [i64; 12] = [21, 20, 22, 20, 145, 21, 20, 260, 22, 21, 20, 23];
    let mut world = World::new(true);
    let tasks = json!([{"task": "by_both", "job": "oil", "title": "Oil", "limits": {"hours": 89.1, "months": 18}},
                       {"task": "oil", "job": "oil", "title": "Oil", "limits": {"hours": 89.1}}]);
    world.editions.insert(EditionId::parse(&id(3, 0)).unwrap(), edition(&tasks));
    let mut tenths = 1000;
    let mut events = vec![oil_change("2024-08-01", 100.0)];
    for (n, used) in MONTHLY.iter().enumerate() {
        tenths += used;
        let (year, month) = (2024 + (n + 8) / 12, (n + 8) % 12 + 1);
        events.push(json!({"kind": "reading", "occurred_on": format!("{year}-{month:02}-01"), "meter_hours": tenths_of(tenths)}));
    }
    let state = fold(&world, &events);
    let now = at("2025-08-01T00:00:00-06:00");
    let found =
        |task: &str| state.projection(&ItemKey { task: Code::parse(task).unwrap(), ..oil() }, now).unwrap();
    let told = |task: &str| {
        let found = found(task);
        [found.p10, found.p50, found.p90].map(|when| (when.months.hundredths(), when.date.to_string()))
    };
    let days =
        |p90: (i64, &str)| [(198, "2025-09-30"), (518, "2026-01-06"), p90].map(|(m, d)| (m, d.to_owned()));
    assert_eq!(told("oil"), days((789, "2026-03-28")));
    assert_eq!(told("by_both"), days((600, "2026-02-01")));
    assert_eq!(found("oil").monthly_hours, MONTHLY.map(|tenths| Hours::from_hundredths(tenths * 10)));
    assert_eq!(found("oil").left_hours, Some(Hours::from_hundredths(2760)));
    assert_eq!(json!(found("by_both"))["hours_first_fraction"], json!(0.5));
    assert_eq!(json!(found("by_both"))["calendar_months"], json!(6.0));
    assert_eq!(found("oil").by, ProjectedBy::PastMonths);
}

/// Example A52: a reading entered on one unit that belongs to another.
#[test]
fn a52_a_reading_fits_another_unit_better() {
    let read = "2025-06-02T12:00:00Z";
    let seventh = fold(
        &world(true),
        &[
            reading("2025-05-01T12:00:00Z", 229.0),
            reading("2025-05-20T12:00:00Z", 230.1),
            reading(read, 1203.4),
            reading("2025-06-09T12:00:00Z", 231.0),
        ],
    );
    let ninth = fold(&world(true), &[reading("2025-06-01T12:00:00Z", 1203.1)]);
    let tenth = fold(&world(true), &[reading("2025-05-01T12:00:00Z", 1190.0)]);
    let aside = seventh.set_aside()[0];
    assert_eq!(
        (aside.meter_hours, aside.read_at, aside.suggested),
        (Hours::from_hundredths(120_340), at(read), None)
    );
    let unit = |n: usize| UnitId::parse(&id(5, n)).unwrap();
    assert_eq!(belongs_to(&aside, [(unit(10), &tenth), (unit(9), &ninth)]), Some(unit(9)));
    assert_eq!(belongs_to(&aside, [(unit(7), &seventh)]), None);
    assert_eq!(ninth.fits(Hours::from_hundredths(120_300), at(read)), None, "below what it showed");
}

#[test]
fn quality_tells_what_is_to_be_put_right() {
    let day = |n: i64| at("2025-05-01T12:00:00Z").plus_seconds(n * 86_400).to_string();
    let mut events: Vec<Value> = (0..4).map(|n| reading(&day(n), 900.0 + n as f64)).collect();
    events.extend((5..8).map(|n| reading(&day(n), n as f64)));
    events.push(json!({"kind": "run", "phase": "start", "occurred_at": day(8)}));
    events.push(json!({"kind": "run", "occurred_at": day(9), "run_hours": 1}));
    let state = fold(&world(true), &events);
    let found: Vec<_> = state.quality().iter().map(|entry| (entry.code, entry.from)).collect();
    let expected = [
        (QualityCode::NoHistory, at("2024-01-01T07:00:00Z")),
        (QualityCode::ReadingSetAside, at(&day(5))),
        (QualityCode::SwapNotRecorded, at(&day(5))),
        (QualityCode::ReadingSetAside, at(&day(6))),
        (QualityCode::ReadingSetAside, at(&day(7))),
        (QualityCode::StopMissing, at(&day(9))),
        (QualityCode::StaleReading, Instant::from_micros(at(&day(63)).micros() + 1)),
        (QualityCode::Quiet, at(&day(189))),
    ];
    assert_eq!(found, expected);
    assert_eq!(state.hours_at(at(&day(5))).grade, Grade::D);
    let report = state.hours_report(at(&day(10)));
    assert_eq!((report.readings.len(), report.stop_missing.len()), (4, 1));
    assert_eq!(report.swap_not_recorded.unwrap().event_ids.len(), 3);
    assert_eq!(state.items_at(at(&day(10)))[0].reason, Some(Reason::NoHistory));
}
