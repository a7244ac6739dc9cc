use proptest::prelude::*;

use super::*;

const MINUTE: i64 = 60;

fn minute(n: i64) -> Instant {
    Instant::from_micros(1_700_000_000 * MICROS).plus_seconds(n * MINUTE)
}

fn id(n: usize) -> EventId {
    EventId::parse(&format!("00000000-0000-7000-8000-{n:012x}")).unwrap()
}

fn runs(entries: &[Entry], run_most: Option<Hours>) -> Runs {
    Runs::of(entries, &Evidence { points: &[], tick: Hours::from_hundredths(10), run_most })
}

fn entry(n: usize, at: i64, phase: Phase) -> Entry {
    Entry {
        event: id(n),
        at: minute(at),
        by_day: false,
        phase,
        reason: n.is_multiple_of(2).then_some(RunReason::Emergency),
    }
}

fn whole(n: usize, from: i64, to: i64) -> Entry {
    entry(n, from, Phase::Whole { end: minute(to), give_or_take: Hours::ZERO, timed: true })
}

proptest! {
    /// The union of runs is what a count minute by minute finds.
    #[test]
    fn the_union_is_what_a_count_finds(
        raw in prop::collection::vec((0_i64..200, 0_i64..60), 0..12), from in 0_i64..260, to in 0_i64..260,
    ) {
        let entries: Vec<Entry> = raw.iter().enumerate().map(|(n, (at, long))| whole(n, *at, at + long)).collect();
        let running = |m: i64, of: &dyn Fn(usize) -> bool| {
            raw.iter().enumerate().any(|(n, (at, long))| of(n) && (*at..at + long).contains(&m))
        };
        let count = |of: &dyn Fn(usize) -> bool, from: i64, to: i64| {
            i64::try_from((from..to).filter(|m| running(*m, of)).count()).unwrap() * MINUTE
        };
        let all = runs(&entries, None);
        prop_assert_eq!(all.seconds(minute(from), minute(to)), count(&|_| true, from, to));
        prop_assert_eq!(all.idle_seconds(minute(from), minute(to)), (to - from).max(0) * MINUTE - count(&|_| true, from, to));
        let emergency: i64 = all.emergencies().iter().map(|(start, end)| end.seconds_since(*start)).sum();
        prop_assert_eq!(emergency, count(&|n| n % 2 == 0, 0, 300));
    }
}

/// What ends it, when the next run begins, how long the tank lasts, and how and when it ended.
type Case = (&'static str, Option<i64>, Option<Hours>, Ended, Option<i64>);

#[test]
fn open_runs_end_at_the_first_thing_that_ends_them() {
    let tank = Some(Hours::from_seconds(100 * MINUTE));
    let cases: &[Case] = &[
        ("nothing", None, None, Ended::Open, None),
        ("the tank", None, tank, Ended::Tank, Some(100)),
        ("the next run", Some(60), tank, Ended::NextStart, Some(60)),
        ("the tank before the next run", Some(160), tank, Ended::Tank, Some(100)),
        ("another at the same instant does not", Some(0), None, Ended::Open, None),
    ];
    for (what, next, most, ended, end) in cases {
        let next = next.map(|at| whole(1, at, at + 10));
        let entries: Vec<Entry> = [entry(0, 0, Phase::Start)].into_iter().chain(next).collect();
        let all = runs(&entries, *most);
        let run = all.iter().find(|run| run.event == id(0)).unwrap();
        assert_eq!((run.ended, run.end), (*ended, end.map_or(Instant::LAST, minute)), "{what}");
    }
}

#[test]
fn after_the_tank_is_empty_nothing_is_idle_until_there_is_news() {
    let tank = Some(Hours::from_seconds(100 * MINUTE));
    let all = runs(&[entry(0, 0, Phase::Start), whole(1, 200, 210)], tank);
    assert_eq!(all.idle_seconds(minute(-10), minute(230)), 30 * MINUTE);
    assert_eq!(all.first_start_after(minute(0)), Some(minute(200)));
    assert_eq!(all.first_start_after(minute(200)), None);
}
