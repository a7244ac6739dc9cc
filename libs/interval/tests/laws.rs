//! Laws of due state that hold for any events.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use std::sync::Arc;

use interval::{
    DueState, InForce, Input, ItemSteps, Policy, Reason, UnitState, edition_in, next_at, refold, state_in,
};
use model::{
    EditionId, EventId, Hours, Instant, LocalDate, UnitId, Zone,
    event::{Details, ServiceEvent},
    read,
};
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
        2 => (1_i64..4000, prop::option::of(1_i64..900)).prop_map(|(long, about)| {
            json!({"kind": "run", "run_hours": tenths_of(long), "give_or_take_hours": about.map(tenths_of)})
        }),
        1 => some_hours().prop_map(|hours| json!({"kind": "run", "phase": "start", "meter_hours": hours})),
        1 => (0_usize..30, some_hours()).prop_map(|(start, hours)| {
            json!({"kind": "run", "phase": "stop", "run_id": id(2, start), "meter_hours": hours})
        }),
        2 => (0_usize..2, 0_usize..3, prop::option::of(0..DAYS), prop::option::of(1_i64..200)).prop_map(adoption),
        2 => (0_usize..30, prop::bool::ANY).prop_map(|(target, void)| {
            let action = if void { "void" } else { "reinstate" };
            json!({"kind": "correction", "action": action, "target_id": id(2, target), "reason": "a slip"})
        }),
        1 => (0_usize..30).prop_map(|target| {
            json!({"kind": "correction", "action": "confirm", "target_id": id(2, target), "reason": "looked twice"})
        }),
    ]
}

/// What came later: conditions, runs, decisions for one unit, and richer corrections.
fn later_details() -> impl Strategy<Value = Value> {
    let hours = || (0_i64..30_000).prop_map(tenths_of);
    let day = || prop::option::of(0..DAYS);
    let span = move || (day(), prop::option::of(1_i64..200));
    let task = || prop::sample::select(&["oil", "filter", "clean", "plug", "bulletin", "repair"][..]);
    let job = || prop::sample::select(&["oil", "filter", "clean", "plug", "test", "repair"][..]);
    let result = || prop::sample::select(&["done", "passed", "failed", "skipped"][..]);
    let other = || (0_usize..30).prop_map(|n| id(2, n));
    let during = |mut details: Value, (from, days): (Option<i64>, Option<i64>)| {
        details["effective_from"] = json!(from.map(|day| date_of(day * 1440)));
        details["effective_until"] = json!(days.map(|days| date_of((from.unwrap_or(DAYS) + days) * 1440)));
        details.as_object_mut().unwrap().retain(|_, value| !value.is_null());
        details
    };
    let correction = |mut details: Value| {
        details["kind"] = json!("correction");
        details["reason"] = json!("a slip");
        details
    };
    prop_oneof![
        6 => (prop::collection::vec((job(), result(), any::<bool>()), 1..3), prop::option::of(hours())).prop_map(|(jobs, hours)| {
            let jobs: Vec<Value> = jobs.iter().map(|(job, result, substitute)| json!({"job": job, "result": result, "substitute": substitute})).collect();
            json!({"kind": "service", "jobs": jobs, "meter_hours": hours})
        }),
        2 => (hours(), 0_i64..30, any::<bool>()).prop_map(|(new, late, running)| json!({"kind": "service", "meter_hours": new,
            "jobs": [{"job": "test", "analysis": {"results_on": date_of((400 + late) * 1440), "running": running, "water_percent": 0.6}}]})),
        3 => any::<bool>().prop_map(|into| json!({"kind": "storage", "action": if into { "put_in" } else { "taken_out" }})),
        2 => span().prop_map(move |span| during(json!({"kind": "duty", "causes": ["dust"]}), span)),
        2 => (span(), 0_usize..2, task(), 1_i64..100).prop_map(move |(span, n, task, hours)| during(json!({"kind": "setting",
            "limits_of": {"schedule_id": id(4, n), "task": task, "limits": {"hours": hours, "days": hours}}}), span)),
        2 => (span(), any::<bool>()).prop_map(move |(span, fitted)| during(json!({"kind": "setting",
            "feature": {"feature": "filter_kit", "fitted": fitted}}), span)),
        1 => (span(), 0_usize..2, task(), any::<bool>()).prop_map(move |(span, n, task, applies)| during(json!({"kind": "setting",
            "applies_to": {"schedule_id": id(4, n), "task": task, "applies": applies}}), span)),
        2 => (0_usize..2, task(), prop::option::of(hours()), 0..DAYS).prop_map(|(n, task, hours, day)| json!({"kind": "deferral",
            "schedule_id": id(4, n), "task": task, "authorised_by": id(6, 0), "reason": "no parts", "until_hours": hours, "until_date": date_of(day * 1440)})),
        2 => (prop::sample::select(&["emergency", "test"][..]), 1_i64..200).prop_map(|(reason, tenths)|
            json!({"kind": "run", "reason": reason, "run_hours": tenths_of(tenths), "give_or_take_hours": tenths_of(tenths / 4)})),
        2 => prop::sample::select(&["emergency", "other"][..]).prop_map(|reason| json!({"kind": "run", "phase": "start", "reason": reason})),
        1 => other().prop_map(|run| json!({"kind": "run", "phase": "stop", "run_id": run})),
        2 => prop::sample::select(&["engine", "alternator", "battery"][..]).prop_map(|component|
            json!({"kind": "component", "component": component, "action": "fitted"})),
        1 => other().prop_map(move |target| correction(json!({"action": "confirm", "target_id": target}))),
        1 => (other(), 0_usize..2).prop_map(move |(target, unit)| correction(json!({"action": "reassign", "target_id": target, "to_unit_id": id(5, unit)}))),
        1 => (other(), (0_usize..30).prop_map(|n| id(2, n + 40)), any::<bool>()).prop_map(move |(target, other, link)|
            correction(json!({"action": if link { "link" } else { "unlink" }, "target_id": target, "other_id": other}))),
        1 => any::<bool>().prop_map(move |link| correction(json!({"action": if link { "link" } else { "unlink" }, "other_unit_id": id(5, 1)}))),
        1 => (other(), 0..DAYS, job()).prop_map(move |(target, day, job)| correction(json!({"action": "amend", "target_id": target,
            "replacement": {"kind": "service", "occurred_on": date_of(day * 1440), "jobs": [{"job": job}]}}))),
    ]
}

/// Any events of one unit, both editions adopted before them.
fn soup() -> impl Strategy<Value = Vec<ServiceEvent>> {
    soup_of(details())
}

/// The same with events of every kind, some of another unit.
fn thick_soup() -> impl Strategy<Value = Vec<ServiceEvent>> {
    let kinds = prop_oneof![1 => details(), 2 => later_details()];
    (soup_of(kinds), prop::collection::vec(prop::bool::weighted(0.1), 30)).prop_map(|(mut events, others)| {
        let other = UnitId::parse(&id(5, 1)).unwrap();
        for (event, _) in events.iter_mut().zip(others).filter(|(_, elsewhere)| *elsewhere) {
            event.unit_id = other;
        }
        events
    })
}

fn soup_of(details: impl Strategy<Value = Value>) -> impl Strategy<Value = Vec<ServiceEvent>> {
    let minute = prop_oneof![0_i64..DAYS * 1440, (0_i64..40).prop_map(|n| n * 1440)];
    prop::collection::vec((minute, prop::bool::weighted(0.2), details), 0..30).prop_map(|raw| {
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

/// Around every instant and day that a value names: what a step forgot to end at shows there, and at no edge of its own.
fn told_by(value: &Value) -> Vec<Instant> {
    match value {
        Value::String(text) => {
            let day = LocalDate::parse(text).into_iter();
            let days = day.flat_map(|day| [day, day.plus_days(1)]);
            let midnights = days.flat_map(|day| ZONES.map(|zone| Zone::parse(zone).unwrap().midnight(day)));
            let all = midnights.chain(Instant::parse(text));
            all.flat_map(|at| [-1, 0].map(|by| Instant::from_micros(at.micros() + by))).collect()
        }
        Value::Array(values) => values.iter().flat_map(told_by).collect(),
        Value::Object(members) => members.values().flat_map(told_by).collect(),
        _ => Vec::new(),
    }
}

/// A correction after any other of the same event.
fn corrected(target: EventId, n: usize, action: &str) -> ServiceEvent {
    let details = json!({"kind": "correction", "action": action, "target_id": target, "reason": "a slip"});
    event(1000 + n, DAYS * 1440 + n as i64, false, details)
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

/// In another order the events come to the same.
fn mixed_comes_to_the_same(world: &World, events: &[ServiceEvent], mix: prop::sample::Index, at: Instant) {
    let mut mixed = events.to_vec();
    mixed.rotate_left(mix.index(events.len()));
    mixed[1..].reverse();
    assert_eq!(answers(&world.fold(events), &[at]), answers(&world.fold(&mixed), &[at]));
}

/// With one of them taken out and put back the events come to the same.
fn reinstated_comes_to_the_same(
    world: &World,
    mut events: Vec<ServiceEvent>,
    target: prop::sample::Index,
    at: Instant,
) {
    let target = events[target.index(events.len())].id;
    // An earlier void would be undone too, so let the event count to begin with.
    events.push(corrected(target, 0, "reinstate"));
    let before = answers(&world.fold(&events), &[at]);
    events.push(corrected(target, 1, "void"));
    events.push(corrected(target, 2, "reinstate"));
    assert_eq!(before, answers(&world.fold(&events), &[at]));
}

/// Steps and evaluation agree at the moments from `from` on, around every break and at the end of time.
fn agree_from(from: Instant, state: &UnitState, steps: &[ItemSteps], moments: Vec<Instant>) {
    for at in moments.into_iter().chain(edges(steps)).chain([from, Instant::LAST]).filter(|at| *at >= from) {
        agree(state, steps, at);
    }
    in_force_as_items_say(from, state, steps);
}

/// The editions told to hold are those that items go by, also when they were stored.
fn in_force_as_items_say(from: Instant, state: &UnitState, steps: &[ItemSteps]) {
    let editions = state.in_force_from(from);
    let text = serde_json::to_string(&editions).unwrap();
    assert_eq!(serde_json::from_str::<Vec<InForce>>(&text).unwrap(), editions);
    for at in edges(steps).into_iter().chain([from]).filter(|at| *at >= from) {
        for item in state.items_at(at) {
            let told = edition_in(&editions, item.schedule_id, at);
            assert_eq!(told, Some(item.edition_id), "{} at {at}: {editions:?}", item.task);
        }
    }
}

proptest! {
    #[test]
    fn the_order_of_events_never_matters(
        events in soup(), meter in any::<bool>(), mix in any::<prop::sample::Index>(), at in moment(),
    ) {
        mixed_comes_to_the_same(&World::new(meter), &events, mix, at);
    }

    #[test]
    fn to_void_and_reinstate_is_to_do_nothing(
        events in soup(), target in any::<prop::sample::Index>(), at in moment(),
    ) {
        reinstated_comes_to_the_same(&World::new(true), events, target, at);
    }

    #[test]
    fn steps_are_what_is_worked_out_afresh(events in soup(), meter in any::<bool>(), from in moment(),
        moments in prop::collection::vec(moment(), 8)) {
        let state = World::new(meter).fold(&events);
        let steps = state.steps_from(from);
        agree_from(from, &state, &steps, moments);
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

    #[test]
    fn with_all_kinds_the_order_of_events_never_matters(
        events in thick_soup(), meter in any::<bool>(), mix in any::<prop::sample::Index>(), at in moment(),
    ) {
        mixed_comes_to_the_same(&World::of_all_kinds(meter), &events, mix, at);
    }

    #[test]
    fn with_all_kinds_to_void_and_reinstate_is_to_do_nothing(
        events in thick_soup(), target in any::<prop::sample::Index>(), at in moment(),
    ) {
        reinstated_comes_to_the_same(&World::of_all_kinds(true), events, target, at);
    }

    #[test]
    fn with_all_kinds_steps_are_what_is_worked_out_afresh(events in thick_soup(), meter in any::<bool>(), from in moment(),
        moments in prop::collection::vec(moment(), 8), told in prop::collection::vec(any::<prop::sample::Index>(), 24)) {
        let state = World::of_all_kinds(meter).fold(&events);
        let steps = state.steps_from(from);
        let all = told_by(&json!(events));
        let told = told.iter().map(|index| *index.get(&all));
        agree_from(from, &state, &steps, moments.into_iter().chain(told).collect());
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

    /// Of a plain task that counts hours from where the work was done: a reading that is taken later, and shows no less,
    /// never lets it be less due then. (Whether it may be due is a reading's to settle, so that is no state in the order.)
    #[test]
    fn more_hours_never_make_it_less_due(events in life(), tenths in 0_i64..400, more in 0_i64..400, days in 1_i64..30) {
        let world = World::new(true);
        let rank = |state: DueState| [DueState::Ok, DueState::ComingDue, DueState::Due, DueState::Overdue].iter().position(|s| *s == state);
        let minute = DAYS * 1440;
        let latest = events.iter().rev().find_map(|event| match &event.details {
            Details::Reading(reading) => Some(reading.meter_hours),
            Details::Service(service) => service.meter_hours,
            _ => None,
        });
        let shown = latest.unwrap_or(Hours::ZERO);
        let at = Instant::from_micros(START * 1_000_000).plus_seconds((minute + days * 1440) * 60);
        let with = |hours: Hours| {
            let mut events = events.clone();
            events.push(event(700, minute + days * 1440, false, json!({"kind": "reading", "meter_hours": hours})));
            world.fold(&events).items_at(at)
        };
        let less = shown + Hours::from_hundredths(tenths * 10);
        for (less, more) in with(less).iter().zip(with(less + Hours::from_hundredths(more * 10))) {
            if let (Some(less_due), Some(more_due)) = (rank(less.state), rank(more.state)) {
                prop_assert!(less_due <= more_due, "{less:?} {more:?}");
            }
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
