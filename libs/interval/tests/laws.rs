//! Laws of due state that hold for any events.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use std::sync::Arc;

use interval::{DueState, Input, ItemSteps, Policy, Reason, UnitState, next_at, refold, state_in};
use model::{EditionId, Hours, Instant, LocalDate, Zone, event::ServiceEvent, read};
use proptest::prelude::*;
use serde_json::{Value, json};

use self::fixture::*;

/// Everything that a kind of event may say, without its id and time.
fn details() -> impl Strategy<Value = Value> {
    // Meters of a life of 3,000 h, or a nonsense.
    let hours = || prop_oneof![9 => 0_i64..30_000, 1 => 0_i64..10_000_000].prop_map(tenths_of);
    let some_hours = move || prop::option::of(hours());
    let job = || prop::sample::select(&JOBS[..]);
    let place = || (0..ZONES.len()).prop_map(|n| id(1, n));
    prop_oneof![
        5 => hours().prop_map(|hours| json!({"kind": "reading", "meter_hours": hours})),
        5 => (prop::collection::vec(job(), 1..3), some_hours()).prop_map(|(jobs, hours)| {
            let jobs: Vec<Value> = jobs.iter().map(|job| json!({"job": job})).collect();
            json!({"kind": "service", "jobs": jobs, "meter_hours": hours})
        }),
        1 => (place(), some_hours(), some_hours()).prop_map(|(site, meter, engine)| {
            json!({"kind": "commissioning", "site_id": site, "meter_hours": meter, "engine_hours": engine})
        }),
        1 => (some_hours(), hours()).prop_map(|(old, new)| {
            json!({"kind": "component", "component": "meter", "action": "fitted", "old_meter_hours": old, "new_meter_hours": new})
        }),
        1 => some_hours().prop_map(|hours| json!({"kind": "component", "component": "engine", "action": "rebuilt", "meter_hours": hours})),
        1 => place().prop_map(|site| json!({"kind": "placement", "site_id": site})),
        2 => (0_usize..2, 0_usize..3, prop::option::of(0..DAYS), prop::option::of(1_i64..200)).prop_map(adoption),
        2 => (0_usize..30, prop::bool::ANY).prop_map(|(target, void)| {
            let action = if void { "void" } else { "reinstate" };
            json!({"kind": "correction", "action": action, "target_id": id(2, target), "reason": "a slip"})
        }),
    ]
}

/// Any events of one unit, both editions adopted before them.
fn soup() -> impl Strategy<Value = Vec<ServiceEvent>> {
    let minute = prop_oneof![0_i64..DAYS * 1440, (0_i64..40).prop_map(|n| n * 1440)];
    prop::collection::vec((minute, prop::bool::weighted(0.2), details()), 0..30).prop_map(|raw| {
        let any = raw.into_iter().enumerate();
        let any = any.map(|(n, (minute, by_day, details))| event(n, minute, by_day, details));
        any.chain(adopted()).collect()
    })
}

/// What the steps say and what is worked out afresh must be one.
fn agree(state: &UnitState, steps: &[ItemSteps], at: Instant) {
    let items = state.items_at(at);
    assert!(items.is_sorted_by_key(|item| (item.schedule_id, item.task.clone())));
    let items = keyed(items);
    for item in steps {
        let stepped = state_in(&item.steps, at).map(|step| (step.state, step.reason, step.due_at));
        let fresh = items.get(&item.key);
        let fresh = fresh.map(|item| (item.state, item.reason, item.due_at.unwrap_or(Instant::LAST)));
        assert_eq!(stepped, fresh, "{:?} at {at}", item.key);
    }
    let all_have_steps = items.keys().all(|key| steps.iter().any(|item| item.key == *key));
    assert!(all_have_steps, "an item at {at} has no steps");
}

/// Every instant at which a step begins or ends, and the ones just before and after.
fn edges(steps: &[ItemSteps]) -> Vec<Instant> {
    let breaks = steps.iter().flat_map(|item| &item.steps).flat_map(|step| [step.from, step.until]);
    breaks.flat_map(|at| [-1, 0, 1].map(|by| Instant::from_micros(at.micros() + by))).collect()
}

fn is_due(state: DueState, reason: Option<Reason>) -> bool {
    matches!(state, DueState::Due | DueState::Overdue) || reason == Some(Reason::PossiblyDue)
}

/// Everything that can be asked, to compare two folds by.
fn answers(state: &UnitState, moments: &[Instant]) -> Vec<Value> {
    let at = |at: Instant| {
        let items = state.items_at(at);
        let traces: Vec<_> = keyed(items.clone()).keys().map(|key| json!(state.trace_at(key, at))).collect();
        json!([items, state.hours_at(at), state.site_at(at), state.set_aside(), traces, state.steps_from(at)])
    };
    moments.iter().copied().map(at).collect()
}

proptest! {
    #[test]
    fn the_order_of_events_never_matters(
        events in soup(), meter in any::<bool>(), mix in any::<prop::sample::Index>(), at in moment(),
    ) {
        let world = World::new(meter);
        let mut mixed = events.clone();
        mixed.rotate_left(mix.index(events.len()));
        mixed[1..].reverse();
        prop_assert_eq!(answers(&world.fold(&events), &[at]), answers(&world.fold(&mixed), &[at]));
    }

    #[test]
    fn to_void_and_reinstate_is_to_do_nothing(
        events in soup(), target in any::<prop::sample::Index>(), at in moment(),
    ) {
        let world = World::new(true);
        let target = events[target.index(events.len())].id;
        let corrected = |n: usize, action: &str| {
            let details = json!({"kind": "correction", "action": action, "target_id": target, "reason": "a slip"});
            // After any other correction of the same event.
            event(1000 + n, DAYS * 1440 + n as i64, false, details)
        };
        let mut events = events;
        // An earlier void would be undone too, so let the event count to begin with.
        events.push(corrected(0, "reinstate"));
        let before = answers(&world.fold(&events), &[at]);
        events.push(corrected(1, "void"));
        events.push(corrected(2, "reinstate"));
        prop_assert_eq!(before, answers(&world.fold(&events), &[at]));
    }

    #[test]
    fn steps_are_what_is_worked_out_afresh(events in soup(), meter in any::<bool>(), from in moment(),
        moments in prop::collection::vec(moment(), 8)) {
        let state = World::new(meter).fold(&events);
        let steps = state.steps_from(from);
        for at in moments.into_iter().chain(edges(&steps)).chain([from, Instant::LAST]).filter(|at| *at >= from) {
            agree(&state, &steps, at);
        }
        for item in &steps {
            prop_assert!(item.steps.iter().all(|step| step.from < step.until));
            prop_assert!(item.steps.is_sorted_by(|a, b| a.until <= b.from));
            let alike = |a: &interval::Step, b: &interval::Step| (a.state, a.reason, a.due_at) == (b.state, b.reason, b.due_at);
            prop_assert!(item.steps.windows(2).all(|pair| pair[0].until < pair[1].from || !alike(&pair[0], &pair[1])));
        }
        let just_before = Instant::from_micros(next_at(&steps, from).micros() - 1);
        let still = |item: &ItemSteps| state_in(&item.steps, from) == state_in(&item.steps, just_before);
        prop_assert!(steps.iter().all(still));
    }

    /// `due_at` is where the steps first come to be due or possibly due.
    #[test]
    fn due_at_is_the_first_step_that_is_due(events in soup(), meter in any::<bool>(), from in 0..DAYS) {
        let state = World::new(meter).fold(&events);
        let from = Instant::from_micros(START * 1_000_000).plus_seconds((DAYS + 1 + from) * 86_400);
        let items = keyed(state.items_at(from));
        for item in state.steps_from(from) {
            let due = item.steps.iter().find(|step| is_due(step.state, step.reason)).map(|step| step.from);
            let (begins, told) = (item.steps[0].from, item.steps[0].due_at);
            let expected = (told < Instant::LAST).then(|| told.max(begins));
            prop_assert_eq!(expected, due, "{:?}", item);
            if let Some(listed) = items.get(&item.key) {
                prop_assert_eq!(listed.due_at, Some(told).filter(|at| *at < Instant::LAST));
            }
        }
    }

    #[test]
    fn steps_survive_being_stored(events in soup(), from in moment()) {
        let steps = World::new(true).fold(&events).steps_from(from);
        let stored = serde_json::to_string(&steps).unwrap();
        prop_assert_eq!(serde_json::from_str::<Vec<ItemSteps>>(&stored).unwrap(), steps);
    }

    #[test]
    fn engine_hours_never_fall(events in soup(), meter in any::<bool>(), moments in prop::collection::vec(moment(), 2..40)) {
        let state = World::new(meter).fold(&events);
        let mut moments: Vec<Instant> = moments;
        moments.extend(events.iter().map(|event| event.occurred.when.instant(&Zone::utc())));
        moments.sort();
        let ranges: Vec<_> = moments.iter().filter_map(|at| state.hours_at(*at).range).collect();
        prop_assert!(ranges.is_empty() || ranges.len() == moments.len());
        prop_assert!(ranges.iter().all(|r| Hours::ZERO <= r.lower && r.lower <= r.nominal && r.nominal <= r.upper));
        let rises = |a: &interval::HoursRange, b: &interval::HoursRange| {
            a.lower <= b.lower && a.nominal <= b.nominal && a.upper <= b.upper
        };
        prop_assert!(ranges.is_sorted_by(rises), "{:?}", ranges);
    }

    #[test]
    fn a_life_that_the_clock_allows_loses_no_reading(events in life(), at in moment()) {
        let state = World::new(true).fold(&events);
        prop_assert_eq!(state.set_aside(), &[]);
        prop_assert!(state.hours_at(at).range.is_none_or(|range| range.upper <= Hours::MOST));
    }

    /// Under the anchor policy `actual`, and once a task has been done at all: its first limits may be longer.
    #[test]
    fn doing_it_later_never_makes_it_due_earlier(events in life(), job in prop::sample::select(&JOBS[..]), days in 0_i64..400) {
        let world = World::new(true);
        let minute = DAYS * 1440 + days * 1440;
        let done_before = event(500, 0, false, json!({"kind": "service", "jobs": [{"job": job}]}));
        let mut events = events;
        events.push(done_before);
        let at = Instant::from_micros(START * 1_000_000).plus_seconds((minute + 1) * 60);
        let before = world.fold(&events).items_at(at);
        events.push(event(501, minute, false, json!({"kind": "service", "jobs": [{"job": job}]})));
        for (before, after) in before.iter().zip(world.fold(&events).items_at(at)) {
            let is_actual = before.schedule_id.to_string() == id(4, 0);
            let never = Instant::LAST;
            prop_assert!(!is_actual || after.due_at.unwrap_or(never) >= before.due_at.unwrap_or(never), "{before:?} {after:?}");
        }
    }

    #[test]
    fn extremes_do_not_break_it(events in soup(), tick in any::<i64>(), days in any::<i64>(), rate in any::<i64>(), lead in any::<i64>(), micros in any::<i64>()) {
        let mut world = World::new(true);
        world.facts.tick = Hours::from_seconds(tick);
        world.zones.clear();
        let policy = Policy {
            reading_age_days: days, least_rate_hundredths_per_day: rate, lead_percent: lead, ..Policy::standard()
        };
        let (facts, zones, editions) = (&world.facts, &world.zones, &world.editions);
        let state = refold(&Input { unit: unit(), facts, events: &events, zones, editions, policy: &policy });
        answers(&state, &[Instant::from_micros(micros), Instant::FIRST, Instant::LAST]);
    }
}

/// Limits that no schedule file can hold, since whoever builds one in memory may get it wrong.
#[test]
fn absurd_limits_do_not_break_it() {
    use model::schedule::{Allowance, Anchor, Calendar, Span};
    let mut world = World::new(true);
    let events: Vec<ServiceEvent> = adopted()
        .chain((0..3).map(|n| {
            let details = json!({"kind": "service", "jobs": [{"job": "oil"}], "meter_hours": n * 100});
            event(n, 20_000 * (n as i64 + 1), false, details)
        }))
        .collect();
    let numbers = [i32::MIN, -1, 0, 1, i32::MAX];
    let template = world.editions.values().next().unwrap().as_ref().clone();
    for (n, hours) in numbers.into_iter().zip([-1 << 50, -1, 0, 1, 1 << 50]) {
        for calendar in [Span::Months(n), Span::Days(n)] {
            for anchor in [Anchor::Actual, Anchor::Grid] {
                let mut edition = template.clone();
                for task in &mut edition.tasks {
                    task.anchor = anchor;
                    task.limits.hours = Some(Hours::from_seconds(hours));
                    task.limits.calendar = Some(Calendar::Every(calendar));
                    task.tolerance = Allowance { hours: Some(Hours::from_seconds(hours)), days: Some(n) };
                    task.lead = task.tolerance;
                }
                world.editions =
                    [0, 1].map(|n| (EditionId::parse(&id(3, n)).unwrap(), Arc::new(edition.clone()))).into();
                let state = world.fold(&events);
                answers(&state, &[Instant::FIRST, Instant::from_micros(START * 1_000_000), Instant::LAST]);
            }
        }
    }
}

/// Clocks of St. John's went back over midnight, from 00:01 to 23:01, until 2011 (IANA tzdb, northamerica); a day
/// that has begun there stays begun.
#[test]
fn a_day_once_begun_stays_begun() {
    let mut world = World::new(true);
    world.zones.insert(site(0), Zone::parse("America/St_Johns").unwrap());
    let service = json!({"id": id(2, 0), "unit_id": id(5, 0), "kind": "service", "occurred_on": "2010-10-07", "jobs": [{"job": "plug"}]});
    let adoption = json!({"id": id(2, 1), "unit_id": id(5, 0), "kind": "adoption", "occurred_on": "2010-01-01",
                          "schedule_id": id(4, 0), "edition_id": id(3, 0)});
    let events =
        [service, adoption].map(|value| read::whole(&value, read::Mode::New, ServiceEvent::read).unwrap());
    let state = world.fold(&events);
    let begins = Zone::parse("America/St_Johns").unwrap().midnight(LocalDate::parse("2010-11-07").unwrap());
    let steps = state.steps_from(begins.plus_seconds(-7200));
    for second in (-7200..7200).step_by(30) {
        agree(&state, &steps, begins.plus_seconds(second));
    }
    let plug = steps.iter().find(|item| item.key.task.as_str() == "plug").unwrap();
    assert_eq!((plug.steps.len(), plug.steps[0].due_at), (3, begins));
}
