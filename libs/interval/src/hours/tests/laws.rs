use proptest::prelude::*;

use super::*;

const DAYS: i64 = 60;

fn start() -> Instant {
    at("2025-03-01T00:00:00Z")
}

/// An instant in the life, sometimes off the full second.
fn moment() -> impl Strategy<Value = Instant> {
    (0..DAYS * 1440, prop::sample::select(&[0_i64, 0, 0, 17, 999_999][..])).prop_map(|(minute, micros)| {
        Instant::from_micros(start().plus_seconds(minute * MINUTE).micros() + micros)
    })
}

fn happening() -> impl Strategy<Value = (Instant, What<'static>)> {
    let run = |phase| What::Run { phase, meter: None, stop_meter: None, reason: None };
    let about = || prop::sample::select(&[0_i64, 0, 0, HOUR, 9 * HOUR][..]);
    let seconds = || prop_oneof![4 => 60_i64..8 * HOUR, 1 => HOUR..3 * DAY];
    prop_oneof![
        4 => (moment(), 0_i64..600).prop_map(|(at, tenths)| (at, What::Reading(hours(tenths * 10)))),
        4 => (moment(), seconds(), about()).prop_map(move |(at, long, about)| {
            let (end, give_or_take) = (at.plus_seconds(long), Hours::from_seconds(about));
            (at, run(Phase::Whole { end, give_or_take, timed: false }))
        }),
        2 => moment().prop_map(move |at| (at, run(Phase::Start))),
        1 => (moment(), 0_usize..9).prop_map(move |(at, of)| (at, run(Phase::Stop { of: id(of) }))),
        1 => (moment(), 0_i64..50).prop_map(|(at, new)| (at, What::Swap { old: None, new: hours(new) })),
    ]
}

prop_compose! {
    fn life()(
        meter in any::<bool>(), commissioned in any::<bool>(), rollover in prop::option::of(20_i64..600),
        most in prop::option::of(HOUR..20 * HOUR), all in prop::collection::vec(happening(), 0..14),
        only_runs in prop::bool::weighted(0.4), confirmed in prop::collection::vec(0_usize..14, 0..3),
        by_day in prop::collection::vec(any::<bool>(), 15),
    ) -> Life {
        let mut life = Life::new(meter);
        life.machine.dial.rollover = rollover.map(|tenths| hours(tenths * 10));
        life.machine.run_most = most.map(Hours::from_seconds);
        if commissioned {
            life = life.add(start(), What::Commissioning { meter: None, engine: Some(hours(100)) });
        }
        let all = all.into_iter().filter(|(_, what)| !only_runs || matches!(what, What::Run { .. }));
        let mut life = all.fold(life, |life, (at, what)| life.add(at, what));
        life.confirmed = confirmed.into_iter().map(id).collect();
        for (placed, by_day) in life.events.iter_mut().zip(by_day) {
            placed.day = Some(Zone::utc().date(placed.instant)).filter(|_| by_day);
        }
        life
    }
}

/// Instants to look at: those of the events and around them, and others long after.
fn moments(life: &Life, curve: &Curve) -> Vec<Instant> {
    let events = life.events.iter().map(|placed| placed.instant);
    let breaks: Vec<Instant> = events.chain(curve.leaps(Instant::FIRST)).collect();
    let near = [-HOUR * 1_000_000, -1, 0, 1, 1_000_000, HOUR * 1_000_000, 9 * DAY * 1_000_000];
    let near = |at: Instant| near.map(|by| Instant::from_micros(at.micros() + by));
    let mut all: Vec<Instant> = breaks.into_iter().flat_map(near).chain([Instant::LAST]).collect();
    all.sort_unstable();
    all.dedup();
    all
}

proptest! {
    #[test]
    fn hours_never_fall_and_keep_their_bounds(life in life(), others in prop::collection::vec(moment(), 20)) {
        let curve = life.curve();
        let mut all = moments(&life, &curve);
        all.extend(others);
        all.sort_unstable();
        let ranges: Vec<_> = all.iter().filter_map(|at| curve.at(*at).range).collect();
        prop_assert!(ranges.is_empty() || ranges.len() == all.len());
        for range in &ranges {
            prop_assert!(Hours::ZERO <= range.lower && range.lower <= range.nominal && range.nominal <= range.upper, "{range:?}");
        }
        for (pair, at) in ranges.windows(2).zip(&all) {
            let (a, b) = (pair[0], pair[1]);
            prop_assert!(a.lower <= b.lower && a.nominal <= b.nominal && a.upper <= b.upper, "{at}: {a:?} {b:?}");
        }
    }

    /// After the last point the bounds reach hours at the very instant that is told.
    #[test]
    fn what_is_reached_when_is_what_is_told(life in life(), more in 1_i64..400 * HOUR) {
        let curve = life.curve();
        let Some(last) = curve.points.last() else { return Ok(()) };
        let limit = last.hours + Hours::from_seconds(more);
        type Bound = fn(&HoursRange) -> Hours;
        let reaches: [(Instant, Bound); 2] =
            [(curve.upper_reaches(limit), |range| range.upper), (curve.lower_reaches(limit), |range| range.lower)];
        for (reached, bound) in reaches {
            let value = |at: Instant| bound(&curve.at(at).range.unwrap());
            if reached < Instant::LAST {
                prop_assert!(value(reached) >= limit);
            }
            let before = if reached < Instant::LAST { Instant::from_micros(reached.micros() - 1) } else { Instant::from_micros(reached.micros() - 1_000_000) };
            prop_assert!(before < last.instant || value(before) < limit);
        }
    }

    #[test]
    fn the_order_of_events_never_matters(life in life(), by in any::<prop::sample::Index>(), others in prop::collection::vec(moment(), 9)) {
        let mut mixed = life.clone();
        if !mixed.events.is_empty() {
            let by = by.index(mixed.events.len());
            mixed.events.rotate_left(by);
            mixed.events[by / 2..].reverse();
        }
        let (curve, other) = (life.curve(), mixed.curve());
        for at in moments(&life, &curve).into_iter().chain(others) {
            prop_assert_eq!(curve.at(at), other.at(at));
        }
    }

    /// Between leaps bounds stand still or grow, never faster than the clock.
    #[test]
    fn between_leaps_nothing_leaps(life in life()) {
        let curve = life.curve();
        let mut leaps: Vec<_> = curve.leaps(Instant::FIRST).collect();
        leaps.sort_unstable();
        for pair in leaps.windows(2).filter(|pair| pair[0] < pair[1]) {
            let (from, to) = (pair[0], Instant::from_micros(pair[1].micros() - 1));
            let bounds = |at| curve.at(at).range.map(|range| [range.lower, range.upper]);
            let Some((early, late)) = bounds(from).zip(bounds(to)) else { continue };
            let most = Hours::from_seconds(to.seconds_since(from) + 1);
            prop_assert!(early.iter().zip(late).all(|(early, late)| late - *early <= most), "{from} {to}: {early:?} {late:?}");
        }
    }
}
