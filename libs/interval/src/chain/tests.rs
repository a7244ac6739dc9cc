use proptest::prelude::*;

use super::*;

const TICK: Hours = Hours::from_hundredths(10);
const DIAL: Dial = Dial { tick: TICK, rollover: None };

/// A reading of `tenths` of an hour, `hour` hours after the first.
fn reading((hour, tenths): (i64, i64)) -> Reading {
    let instant = Instant::from_micros(1_700_000_000 * MICROS).plus_seconds(hour * 3600);
    let event = EventId::parse(&format!("00000000-0000-7000-8000-{hour:012x}")).unwrap();
    Reading { event, instant, hours: Hours::from_hundredths(tenths * 10), fixed: false, is_confirmed: false }
}

fn used(readings: &[Reading]) -> Vec<bool> {
    judge(readings, None, None, DIAL).used
}

fn consistent(readings: &[Reading]) -> bool {
    agree(readings, DIAL)
}

fn agree(readings: &[Reading], dial: Dial) -> bool {
    let later = |i: usize| readings.iter().skip(i + 1);
    readings.iter().enumerate().all(|(i, earlier)| later(i).all(|r| r.follows(earlier.mark(), dial)))
}

/// What, hours on the clock with tenths of an hour on the meter, which of them are used.
type Case = (&'static str, &'static [(i64, i64)], &'static str);

#[test]
fn keeps_what_fits_together() {
    let cases: &[Case] = &[
        ("nothing", &[], ""),
        ("one", &[(0, 100)], "+"),
        ("rises with the clock and one tick", &[(0, 100), (1, 111)], "++"),
        ("rises beyond the clock and one tick", &[(0, 100), (1, 112)], "+-"),
        ("ticks do not add up", &[(0, 100), (1, 111), (2, 122)], "++-"),
        ("stands still", &[(0, 100), (0, 100), (9, 100)], "+++"),
        ("falls", &[(0, 4249), (168, 4241)], "+-"),
        ("the two later ones outweigh the first", &[(0, 900), (1, 100), (2, 101)], "-++"),
        (
            "four agree: the first is settled",
            &[(0, 900), (1, 900), (2, 901), (3, 902), (4, 100), (5, 101)],
            "++++--",
        ),
        (
            "settled stays, whatever comes",
            &[(0, 900), (1, 900), (2, 901), (3, 902), (4, 0), (5, 1), (6, 2), (7, 3), (8, 4), (9, 5)],
            "++++------",
        ),
        (
            "unsettled ones give way to more",
            &[(0, 10), (1, 900), (2, 900), (3, 11), (4, 12), (5, 13)],
            "+--+++",
        ),
    ];
    for (what, readings, expected) in cases {
        let readings: Vec<Reading> = readings.iter().copied().map(reading).collect();
        let used: String = used(&readings).iter().map(|used| if *used { '+' } else { '-' }).collect();
        assert_eq!(used, *expected, "{what}");
    }
}

#[test]
fn a_fixed_point_drops_what_contradicts_it() {
    let mut readings = [(0, 100), (1, 900), (2, 901), (3, 102), (4, 103)].map(reading);
    readings[3].fixed = true;
    assert_eq!(used(&readings), [true, false, false, true, true]);
}

#[test]
fn many_contradictions_end() {
    // Each falls a little, so that no two agree, over and over.
    let readings: Vec<Reading> = (0..2000).map(|i| reading((i, 9000 - i % 40 * 200))).collect();
    assert!(used(&readings).contains(&true));
}

proptest! {
    /// Each is judged with at least the four that follow it in the chain; beyond those ticks may add up.
    #[test]
    fn any_two_of_a_chain_agree(raw in prop::collection::vec((0_i64..40, 0_i64..300), 1..=WAITING_MOST)) {
        let chain = chain_of(&sorted(raw));
        prop_assert!(!chain.is_empty());
        prop_assert!(chain.windows(5).all(consistent) && (chain.len() > 5 || consistent(&chain)));
    }

    #[test]
    fn a_chain_never_falls_however_many_contradict_it(raw in prop::collection::vec((0_i64..40, 0_i64..300), 0..80)) {
        prop_assert!(chain_of(&sorted(raw)).windows(2).all(consistent));
    }

    /// Before anything is settled the chain is the first of the largest consistent sets: all sets tried. A meter that
    /// goes round makes no difference.
    #[test]
    fn few_readings_give_the_largest_set(
        raw in prop::collection::vec((0_i64..9, 0_i64..60), 0..5), around in prop::option::of(60_i64..120),
    ) {
        let readings = sorted(raw);
        let dial = Dial { rollover: around.map(|tenths| Hours::from_hundredths(tenths * 10)), ..DIAL };
        let consistent = |readings: &[Reading]| agree(readings, dial);
        let sets = (0_u32..1 << readings.len()).map(|set| {
            (0..readings.len()).filter(|i| set & (1 << i) != 0).collect::<Vec<usize>>()
        });
        let agreeing = sets.filter(|set| consistent(&set.iter().map(|i| readings[*i]).collect::<Vec<_>>()));
        let best = agreeing.max_by(|a, b| a.len().cmp(&b.len()).then(b.cmp(a))).unwrap();
        let used = judge(&readings, None, None, dial).used;
        prop_assert_eq!((0..readings.len()).filter(|i| used[*i]).collect::<Vec<_>>(), best);
    }
}

proptest! {
    /// Begun anew at a restart, with more to come, the pass says the same of all readings after it.
    #[test]
    fn a_restart_forgets_nothing(raw in prop::collection::vec((0_i64..60, 0_i64..99), 0..60), more in prop::collection::vec((60_i64..70, 0_i64..99), 0..9)) {
        let known = sorted(raw);
        if let Some(at) = judge(&known, None, None, DIAL).restart {
            let all = [known.clone(), sorted(more)].concat();
            let (whole, rest) = (used(&all), judge(&all[at + 1..], Some(all[at].mark()), None, DIAL));
            prop_assert!(whole[at]);
            prop_assert_eq!(&whole[at + 1..], &rest.used);
            prop_assert_eq!(&whole[..at], &used(&known)[..at]);
            prop_assert_eq!(rest.restart.map(|later| later + at + 1).unwrap_or(at), judge(&all, None, None, DIAL).restart.unwrap());
        }
    }
}

fn sorted(mut raw: Vec<(i64, i64)>) -> Vec<Reading> {
    raw.sort_by_key(|(hour, _)| *hour);
    raw.into_iter().map(reading).collect()
}

fn chain_of(readings: &[Reading]) -> Vec<Reading> {
    readings.iter().zip(used(readings)).filter(|(_, used)| *used).map(|(reading, _)| *reading).collect()
}
