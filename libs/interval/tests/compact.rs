//! To apply what comes in order is to refold everything.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing, reason = "helpers of tests")]

mod fixture;

use interval::{Compact, Folded, NeedsRefold, QualityCode, UnitState, refold_compact};
use model::{Hours, Instant, UnitId, event::ServiceEvent};
use proptest::prelude::*;
use serde_json::{Value, json};

use self::fixture::*;

/// Keeps a unit as a store does: applies what it can to what is kept, otherwise folds everything.
struct Keeper<'w> {
    world: &'w World,
    events: Vec<ServiceEvent>,
    kept: Option<Vec<u8>>,
    applied: usize,
}

impl<'w> Keeper<'w> {
    fn new(world: &'w World) -> Self {
        Self { world, events: Vec::new(), kept: None, applied: 0 }
    }

    /// The state after more events, and whether they could be applied.
    fn record(&mut self, new: &[ServiceEvent]) -> (UnitState, bool) {
        let kept: Option<Compact> = self.kept.as_ref().map(|kept| postcard::from_bytes(kept).unwrap());
        self.events.extend(new.iter().cloned());
        let applied = kept.as_ref().and_then(|kept| kept.apply(&self.world.input(new)).ok());
        let is_applied = applied.is_some();
        let Folded { state, compact } =
            applied.unwrap_or_else(|| refold_compact(&self.world.input(&self.events)));
        self.kept = compact.as_ref().map(|compact| postcard::to_allocvec(compact).unwrap());
        if let (Some(compact), Some(kept)) = (&compact, &self.kept) {
            let parsed: Compact = postcard::from_bytes(kept).unwrap();
            assert_eq!((&parsed, &postcard::to_allocvec(&parsed).unwrap()), (compact, kept));
        }
        self.applied += usize::from(is_applied);
        (state, is_applied)
    }
}

/// Whether a state answers as the refold of all events does, for the instants from which it says so.
fn agree(state: &UnitState, keeper: &Keeper<'_>, new: &ServiceEvent, moments: &[Instant]) {
    let whole = keeper.world.fold(&keeper.events);
    assert!(
        whole.set_aside().ends_with(state.set_aside()),
        "{:?} {:?}",
        whole.set_aside(),
        state.set_aside()
    );
    let verdict =
        |state: &UnitState| state.set_aside().iter().find(|aside| aside.event_id == new.id).copied();
    assert_eq!(verdict(state), verdict(&whole), "{new:?}");
    let happened = state.instant_of(&new.occurred.when);
    assert_eq!(happened, whole.instant_of(&new.occurred.when));
    let aged = |state: &UnitState| {
        let of_events = [QualityCode::ReadingSetAside, QualityCode::SwapNotRecorded];
        let all = state.quality().into_iter();
        all.filter(|entry| !of_events.contains(&entry.code)).collect::<Vec<_>>()
    };
    assert_eq!(aged(state), aged(&whole), "quality after {new:?}");
    let exact = state.exact_from();
    let near = [-25 * 3600, -1, 0, 1, 3600, 90 * 86_400].map(|seconds| happened.plus_seconds(seconds));
    let all = moments.iter().copied().chain(near).chain([exact]).filter(|at| *at >= exact);
    for at in all {
        assert_eq!(state.items_at(at), whole.items_at(at), "items at {at} after {new:?}");
        assert_eq!(state.hours_at(at), whole.hours_at(at), "hours at {at} after {new:?}");
        assert_eq!(state.site_at(at), whole.site_at(at), "site at {at} after {new:?}");
    }
    let from = moments.iter().take(1).copied().chain(near.into_iter().take(3)).chain([exact]);
    for from in from.filter(|at| *at >= exact) {
        assert_eq!(state.steps_from(from), whole.steps_from(from), "steps from {from} after {new:?}");
    }
}

/// What somebody records next: minutes since the last record, and what, given the meter then.
#[derive(Clone, Debug)]
enum Next {
    Reading,
    /// A slip by this factor in percent.
    Misread(i64),
    Service {
        jobs: Vec<&'static str>,
        read: bool,
    },
    Swap {
        closed: bool,
        new: i64,
    },
    Other(Value),
}

#[derive(Clone, Debug)]
struct Recorded {
    minutes: i64,
    use_tenths: i64,
    by_day: bool,
    /// Happened so many minutes before it was recorded.
    late: i64,
    what: Next,
}

fn jobs() -> impl Strategy<Value = Vec<&'static str>> {
    // Nobody asks for paint.
    prop::collection::vec(prop::sample::select(&["oil", "filter", "clean", "plug", "paint"][..]), 1..4)
}

fn ordinary() -> impl Strategy<Value = Next> {
    prop_oneof![
        5 => Just(Next::Reading),
        3 => (jobs(), any::<bool>()).prop_map(|(jobs, read)| Next::Service { jobs, read }),
    ]
}

fn rare() -> impl Strategy<Value = Next> {
    let place = || (0..ZONES.len()).prop_map(|n| id(1, n));
    let hours = || prop::option::of(0_i64..30_000).prop_map(|tenths| tenths.map(tenths_of));
    prop_oneof![
        6 => prop::sample::select(&[1_i64, 10, 90, 99, 101, 1000][..]).prop_map(Next::Misread),
        2 => (any::<bool>(), 0_i64..50).prop_map(|(closed, new)| Next::Swap { closed, new }),
        1 => place().prop_map(|site| Next::Other(json!({"kind": "placement", "site_id": site}))),
        1 => (0_usize..2, 0_usize..2, prop::option::of(0..DAYS), prop::option::of(1_i64..400)).prop_map(|a| Next::Other(adoption(a))),
        1 => (place(), hours(), hours()).prop_map(|(site, meter, engine)| {
            Next::Other(json!({"kind": "commissioning", "site_id": site, "meter_hours": meter, "engine_hours": engine}))
        }),
        1 => hours().prop_map(|meter| {
            Next::Other(json!({"kind": "component", "component": "engine", "action": "rebuilt", "meter_hours": meter}))
        }),
        1 => (0_usize..60, any::<bool>()).prop_map(|(target, void)| {
            let action = if void { "void" } else { "reinstate" };
            Next::Other(json!({"kind": "correction", "action": action, "target_id": id(2, target), "reason": "a slip"}))
        }),
    ]
}

fn recorded() -> impl Strategy<Value = Recorded> {
    let minutes = prop_oneof![1 => Just(0), 2 => 1_i64..60, 8 => 60_i64..20 * 1440, 1 => 0_i64..200 * 1440];
    let late = prop_oneof![9 => Just(0), 1 => 1_i64..40 * 1440];
    let what = prop_oneof![8 => ordinary(), 1 => rare()];
    (minutes, 0_i64..300, prop::bool::weighted(0.1), late, what).prop_map(
        |(minutes, use_tenths, by_day, late, what)| Recorded { minutes, use_tenths, by_day, late, what },
    )
}

/// How a unit's record begins.
fn beginning() -> impl Strategy<Value = Vec<ServiceEvent>> {
    let hours = || prop::option::of(0_i64..5_000);
    let commissioned = prop::option::of((hours(), hours(), 0_i64..3));
    (commissioned, any::<bool>()).prop_map(|(commissioned, early)| {
        let commissioned = commissioned.map(|(meter, engine, day)| {
            let (meter, engine) = (meter.map(tenths_of), engine.map(tenths_of));
            let details = json!({"kind": "commissioning", "site_id": id(1, 0), "meter_hours": meter, "engine_hours": engine});
            event(80, day * 1440, day == 2, details)
        });
        let first = early.then(|| event(81, 0, false, json!({"kind": "reading", "meter_hours": 0})));
        adopted().chain(commissioned).chain(first).collect()
    })
}

fn history(next: impl Strategy<Value = Recorded>) -> impl Strategy<Value = Vec<ServiceEvent>> {
    (0_i64..5_000, prop::collection::vec(next, 1..60)).prop_map(|(first, records)| {
        let (mut minute, mut tenths) = (0, first);
        let mut events = Vec::new();
        for (n, record) in records.into_iter().enumerate() {
            minute += record.minutes;
            tenths += record.use_tenths.min(record.minutes / 6);
            let details = match record.what {
                Next::Reading => json!({"kind": "reading", "meter_hours": tenths_of(tenths)}),
                Next::Misread(percent) => {
                    json!({"kind": "reading", "meter_hours": tenths_of(tenths * percent / 100)})
                }
                Next::Service { jobs, read } => {
                    let jobs: Vec<Value> = jobs.iter().map(|job| json!({"job": job})).collect();
                    json!({"kind": "service", "jobs": jobs, "meter_hours": read.then(|| tenths_of(tenths))})
                }
                Next::Swap { closed, new } => {
                    let old = closed.then(|| tenths_of(tenths));
                    tenths = new;
                    json!({"kind": "component", "component": "meter", "action": "fitted",
                           "old_meter_hours": old, "new_meter_hours": tenths_of(new)})
                }
                Next::Other(details) => details,
            };
            events.push(event(n, (minute - record.late).max(0), record.by_day, details));
        }
        events
    })
}

proptest! {
    // Each case folds dozens of times.
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases / 8, ..ProptestConfig::default() })]

    #[test]
    fn to_apply_is_to_refold(begins in beginning(), events in history(recorded()), meter in prop::bool::weighted(0.9),
        at_once in any::<bool>(), moments in prop::collection::vec(moment(), 3)) {
        let world = World::new(meter);
        let mut keeper = Keeper::new(&world);
        if at_once {
            keeper.record(&begins);
        }
        let begins = if at_once { Vec::new() } else { begins };
        for new in begins.iter().chain(&events) {
            let (state, _) = keeper.record(std::slice::from_ref(new));
            agree(&state, &keeper, new, &moments);
        }
    }

    #[test]
    fn to_apply_many_at_once_is_to_refold(begins in beginning(), events in history(recorded()), cuts in prop::collection::vec(1_usize..9, 60),
        moments in prop::collection::vec(moment(), 3)) {
        let world = World::new(true);
        let mut keeper = Keeper::new(&world);
        keeper.record(&begins);
        let mut rest = events.as_slice();
        for cut in cuts {
            let (new, later) = rest.split_at(cut.min(rest.len()));
            rest = later;
            let (state, _) = keeper.record(new);
            if let Some(last) = new.last() {
                agree(&state, &keeper, last, &moments);
            }
        }
    }

    /// The law would say little of a life that is always refolded.
    #[test]
    fn an_ordinary_life_is_applied(events in life()) {
        let world = World::new(true);
        let mut keeper = Keeper::new(&world);
        let (mut state, _) = keeper.record(&events[..2]);
        for new in &events[2..] {
            // What may be the same work twice keeps nothing until somebody has said which.
            let doubtful = state.quality().iter().any(|entry| entry.code == QualityCode::PossibleDuplicate);
            let (next, applied) = keeper.record(std::slice::from_ref(new));
            prop_assert!(applied || doubtful, "{:?}", new);
            state = next;
        }
    }
}

fn reading(n: usize, minute: i64, hours: Hours) -> ServiceEvent {
    event(n, minute, false, json!({"kind": "reading", "meter_hours": hours}))
}

fn service(n: usize, minute: i64, jobs: &[&str], hours: Option<Hours>) -> ServiceEvent {
    let jobs: Vec<Value> = jobs.iter().map(|job| json!({"job": job})).collect();
    event(n, minute, false, json!({"kind": "service", "jobs": jobs, "meter_hours": hours}))
}

/// Once a week the meter is read, once in four the oil changed, all else done once.
fn weekly(weeks: i64) -> Vec<ServiceEvent> {
    let hours = |week: i64| Hours::from_hundredths(week * 310);
    let every = (0..weeks).flat_map(|week| {
        let minute = week * 7 * 1440;
        let n = 100 + 2 * usize::try_from(week).unwrap();
        let oil = (week % 4 == 3).then(|| service(n + 1, minute + 60, &["oil"], None));
        [Some(reading(n, minute, hours(week))), oil].into_iter().flatten()
    });
    adopted().chain([service(99, 30, &["filter", "clean", "plug"], None)]).chain(every).collect()
}

#[test]
fn what_is_kept_stays_small() {
    let world = World::new(true);
    let mut keeper = Keeper::new(&world);
    for new in weekly(150) {
        keeper.record(&[new]);
    }
    assert_eq!(keeper.applied, keeper.events.len() - 2);
    let kept = keeper.kept.unwrap();
    assert!(kept.len() < 2048, "{} bytes", kept.len());
}

/// Reasons to refold, told apart.
#[test]
fn what_is_not_in_order_is_refolded() {
    let world = World::new(true);
    let Folded { compact, .. } = refold_compact(&world.input(&weekly(20)));
    let kept = compact.unwrap();
    let hours = |week: i64| Hours::from_hundredths(week * 310);
    let week = |week: i64| week * 7 * 1440;
    let other = |details: Value| event(9, week(20), false, details);
    let mut elsewhere = reading(9, week(20), hours(20));
    elsewhere.unit_id = UnitId::parse(&id(5, 1)).unwrap();
    let cases = [
        ("in order", reading(9, week(20), hours(20)), None),
        (
            "a service that came late, after the last settled reading",
            service(9, week(18) + 5, &["filter"], None),
            None,
        ),
        (
            "the same of a job that was done later too",
            service(9, week(18) + 5, &["oil"], None),
            Some(NeedsRefold::Late),
        ),
        ("of another unit", elsewhere, Some(NeedsRefold::Kind)),
        ("before the last settled reading", service(9, week(10), &["oil"], None), Some(NeedsRefold::Late)),
        ("read before the newest reading", reading(9, week(18) + 5, hours(18)), Some(NeedsRefold::Late)),
        ("a placement", other(json!({"kind": "placement", "site_id": id(1, 1)})), Some(NeedsRefold::Kind)),
        ("an adoption", other(adoption((0, 1, None, None))), Some(NeedsRefold::Kind)),
        (
            "a commissioning",
            other(json!({"kind": "commissioning", "site_id": id(1, 1)})),
            Some(NeedsRefold::Kind),
        ),
        (
            "a correction",
            other(
                json!({"kind": "correction", "action": "void", "target_id": id(2, 100), "reason": "a slip"}),
            ),
            Some(NeedsRefold::Kind),
        ),
        (
            "a meter swap",
            other(
                json!({"kind": "component", "component": "meter", "action": "fitted", "new_meter_hours": 3}),
            ),
            Some(NeedsRefold::Kind),
        ),
    ];
    for (what, event, expected) in cases {
        let found = kept.apply(&world.input(&[event])).err();
        assert_eq!(found, expected, "{what}");
    }
}

#[test]
fn other_surroundings_are_refolded() {
    let world = World::new(true);
    let kept = refold_compact(&world.input(&weekly(20))).compact.unwrap();
    let kept_with = |change: &dyn Fn(&mut World)| {
        let mut world = World::new(true);
        change(&mut world);
        kept.apply(&world.input(&[])).err()
    };
    let refolds = Some(NeedsRefold::Surroundings);
    assert_eq!(kept_with(&|_| ()), None);
    assert_eq!(kept_with(&|world| world.facts.meter_fitted = false), refolds);
    assert_eq!(kept_with(&|world| world.facts.home_site = site(1)), refolds);
    assert_eq!(kept_with(&|world| world.zones.clear()), refolds);
    assert_eq!(kept_with(&|world| world.editions.clear()), refolds);
    assert_eq!(kept.sites().collect::<Vec<_>>(), [site(0)]);
    assert_eq!(kept.editions().count(), 2);
}

#[test]
fn what_is_of_another_format_is_refused() {
    let world = World::new(true);
    let kept = refold_compact(&world.input(&weekly(20))).compact.unwrap();
    let bytes = postcard::to_allocvec(&kept).unwrap();
    let (format, rest) = bytes.split_first().unwrap();
    assert_eq!(*format, 3);
    let other = [&[4], rest].concat();
    for other in [&other, rest, &bytes[..bytes.len() - 1], br#"[2,["#, &[]] {
        assert!(postcard::from_bytes::<Compact>(other).is_err(), "{other:?}");
    }
}

/// What was said of a record, and what its tasks ask for, may make more than the last work matter.
#[test]
fn of_a_record_that_is_not_plain_nothing_is_kept() {
    let keeps = |world: &World, extra: Option<Value>| {
        let extra = extra.map(|details| event(500, 30 * 1440, false, details));
        let events: Vec<_> = weekly(20).into_iter().chain(extra).collect();
        refold_compact(&world.input(&events)).compact.is_some()
    };
    let world = World::new(true);
    let correction = |mut details: Value| {
        details["kind"] = json!("correction");
        details["reason"] = json!("a slip");
        details
    };
    let said = [
        ("nothing", None, true),
        ("a void", Some(correction(json!({"action": "void", "target_id": id(2, 100)}))), true),
        ("a confirmation", Some(correction(json!({"action": "confirm", "target_id": id(2, 100)}))), false),
        (
            "a move",
            Some(correction(json!({"action": "reassign", "target_id": id(2, 100), "to_unit_id": id(5, 1)}))),
            false,
        ),
        (
            "a link",
            Some(correction(json!({"action": "link", "target_id": id(2, 100), "other_id": id(2, 101)}))),
            false,
        ),
        ("another unit", Some(correction(json!({"action": "link", "other_unit_id": id(5, 1)}))), false),
        ("storage", Some(json!({"kind": "storage", "action": "put_in"})), false),
        ("duty", Some(json!({"kind": "duty", "causes": ["dust"]})), false),
        (
            "a setting",
            Some(json!({"kind": "setting", "feature": {"feature": "hour_meter", "fitted": true}})),
            false,
        ),
    ];
    for (what, extra, expected) in said {
        assert_eq!(keeps(&world, extra), expected, "{what}");
    }
    assert!(!keeps(&World::new(false), None), "without a meter");
    let task = |more: Value| {
        let mut task =
            json!({"task": "oil", "job": "oil", "title": "Oil", "limits": {"hours": 100, "months": 6}});
        task.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let mut world = World::new(true);
        world.editions.values_mut().for_each(|adopted| *adopted = edition(&json!([task])));
        keeps(&world, None)
    };
    let tasks = [
        (json!({}), true),
        (json!({"anchor": "grid"}), true),
        (json!({"earliest": {"days": 20}, "storage": "pauses", "substitute_factor": 0.5}), true),
        (json!({"anchor": "planned"}), false),
        (json!({"anchor": "planned_within", "within_percent": 10}), false),
        (json!({"once": true}), false),
        (json!({"component": "engine"}), false),
        (json!({"severe": {"hours": 50}}), false),
        (json!({"limits": {"on_failed": {"job": "check"}}}), false),
    ];
    for (more, expected) in tasks {
        assert_eq!(task(more.clone()), expected, "{more}");
    }
}

/// A meter was swapped and nobody wrote it down, so the readings of services on the new one are set aside.
#[test]
fn what_is_kept_gives_the_state_also_where_a_service_was_misread() {
    let world = World::new(true);
    let after = |n: usize| 20 * 7 * 1440 + 10_000 * i64::try_from(n).unwrap();
    let misread = (0..5).map(|n| {
        service(
            600 + n,
            after(n),
            &["oil"],
            Some(Hours::from_hundredths(200 + i64::try_from(n).unwrap() * 10)),
        )
    });
    let events: Vec<_> = weekly(20).into_iter().chain(misread).collect();
    for until in 20..=events.len() {
        let Folded { state, compact } = refold_compact(&world.input(&events[..until]));
        let Some(compact) = compact else { continue };
        let kept = compact.apply(&world.input(&[])).unwrap().state;
        let exact = kept.exact_from();
        assert_eq!(kept.steps_from(exact), state.steps_from(exact), "of {until} events");
    }
    let whole = refold_compact(&world.input(&events));
    assert_eq!((whole.state.set_aside().len(), whole.compact.is_some()), (5, true));
}

/// Readings that no order fits wait, so the events after the last settled one may be too many.
#[test]
fn more_than_64_entries_are_refolded() {
    let world = World::new(true);
    let begins: Vec<_> = adopted().collect();
    let mut keeper = Keeper::new(&world);
    keeper.record(&begins);
    // At one instant nothing is settled, for the next may come at it too.
    let many = (0..66).map(|n| reading(n, 1440, Hours::ZERO));
    let applied: Vec<bool> = many.map(|new| keeper.record(&[new]).1).collect();
    assert_eq!(applied.iter().position(|applied| !applied), Some(65));
}
