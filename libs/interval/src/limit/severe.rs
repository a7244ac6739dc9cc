//! Time under severe conditions, which counts for more.

/// The first whole number from `from` on at which a count comes to `interval`, where each step counts for one, and within
/// `severe` spans for `interval` / `shorter`. The spans are in order.
pub(super) fn reaching(
    from: i64,
    interval: i64,
    shorter: i64,
    severe: impl IntoIterator<Item = (i64, i64)>,
) -> i64 {
    let (interval, shorter) = (i128::from(interval.max(0)), i128::from(shorter.max(1)));
    // In parts of which an ordinary step has `shorter` and a severe one `interval`.
    let mut left = interval * shorter;
    let mut at = i128::from(from);
    for (start, end) in severe {
        let (start, end) = (i128::from(start).max(at), i128::from(end));
        if end <= start {
            continue;
        }
        for (until, weight) in [(start, shorter), (end, interval)] {
            let counted = (until - at) * weight;
            if counted >= left {
                return whole(at + up(left, weight));
            }
            left -= counted;
            at = until;
        }
    }
    whole(at + up(left, shorter))
}

fn up(part: i128, weight: i128) -> i128 {
    (part + weight - 1) / weight.max(1)
}

fn whole(number: i128) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn severe_steps_count_for_more() {
        // A16: 20 + 24 × 2 of 100 hours are gone at 184, so 32 are left.
        assert_eq!(reaching(140, 100, 50, [(160, 184)]), 216);
        let cases = [
            (vec![], 240),
            (vec![(0, 10)], 240),
            (vec![(140, 1000)], 190),
            (vec![(0, 150)], 230),
            (vec![(239, 500)], 240),
            (vec![(160, 170), (165, 180)], 220),
            (vec![(160, 160), (170, 150)], 240),
        ];
        for (spans, expected) in cases {
            assert_eq!(reaching(140, 100, 50, spans.clone()), expected, "{spans:?}");
        }
        assert_eq!(reaching(0, 7, 3, [(0, 100)]), 3);
        assert_eq!(reaching(0, 0, 0, [(0, 100)]), 0);
        assert_eq!(reaching(0, i64::MAX, i64::MAX, [(0, i64::MAX)]), i64::MAX);
    }

    #[test]
    fn it_is_the_first_step_at_which_the_count_is_full() {
        for (interval, shorter) in [(100, 50), (100, 33), (7, 3), (181, 92)] {
            let spans = [(3, 9), (20, 41), (60, 61)];
            let is_severe = |at: i64| spans.iter().any(|(from, until)| (*from..*until).contains(&at));
            let (mut at, mut count) = (0, 0);
            while count < interval * shorter {
                count += if is_severe(at) { interval } else { shorter };
                at += 1;
            }
            assert_eq!(reaching(0, interval, shorter, spans), at, "{interval} {shorter}");
        }
    }
}
