//! The clock that a device stamps its edits with.

use model::{Instant, stamp::Stamp};

/// How far a stamp may lead the service's clock and still count as it is; what is farther counts as this far.
///
/// Devices that have heard the service lately are seconds off. Without a bound one wrong year would win over everybody
/// until that year comes.
pub const AHEAD_AT_MOST_SECONDS: i64 = 5 * 60;

/// A hybrid logical clock (Kulkarni, Demirbas, Madappa, Avva and Leone 2014): as near to physical time as its device's
/// clock is, and yet above all that the device has written or heard of, also when that clock is set back.
///
/// ```
/// use merge::HybridClock;
/// use model::{Instant, stamp::Stamp};
///
/// let mut clock = HybridClock::of(7);
/// let noon = Instant::parse("2025-08-01T12:00:00Z").unwrap();
/// let first = clock.tick(noon).unwrap();
/// // An hour back, and still later than what was written before.
/// assert!(clock.tick(noon.plus_seconds(-3600)).unwrap() > first);
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HybridClock {
    handset: u32,
    last: u64,
}

/// No stamp is left: the clock has reached its last millisecond, which no device's clock does by running.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the clock has no stamp left")]
pub struct Exhausted;

impl HybridClock {
    /// The clock of a device that has written nothing and heard of nothing.
    #[must_use]
    pub const fn of(handset: u32) -> Self {
        Self { handset, last: 0 }
    }

    /// The clock of a device that has gone as far as `last`, which it kept through a restart.
    #[must_use]
    pub const fn resumed(last: Stamp) -> Self {
        Self { handset: last.handset, last: last.clock }
    }

    /// The next stamp: above every earlier one and every one heard of, at `now` if that is above them.
    pub fn tick(&mut self, now: Instant) -> Result<Stamp, Exhausted> {
        self.last = physical(now).max(self.last.checked_add(1).ok_or(Exhausted)?);
        Ok(Stamp { clock: self.last, handset: self.handset })
    }

    /// Hears of a stamp: what is written from now on is above it.
    ///
    /// Only stamps that count ([`effective`]) and the service's clock are to be heard, since a device follows for good
    /// whatever it has heard.
    pub fn hear(&mut self, heard: Stamp) {
        self.last = self.last.max(heard.clock);
    }
}

/// The stamp that counts of one that comes from a device, fixed when it first comes: no farther ahead of the service's
/// clock `now` than [`AHEAD_AT_MOST_SECONDS`]. One that was cut is a sign of a wrong clock.
#[must_use]
pub fn effective(raw: Stamp, now: Instant) -> Stamp {
    let most = physical(now.plus_seconds(AHEAD_AT_MOST_SECONDS));
    Stamp { clock: raw.clock.min(most), handset: raw.handset }
}

/// The instant that a stamp tells, by the clock of its device.
#[must_use]
pub fn told_at(stamp: Stamp) -> Instant {
    let millis = i64::try_from(stamp.clock >> 16).unwrap_or(i64::MAX);
    Instant::from_micros(millis.saturating_mul(1000))
}

fn physical(now: Instant) -> u64 {
    (now.micros().unsigned_abs() / 1000) << 16
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[derive(Clone, Debug)]
    enum Step {
        /// A device writes at what its clock says.
        Write(usize, i64),
        /// A device hears of a stamp written before.
        Hear(usize, prop::sample::Index),
        /// A device starts again from what it kept.
        Restart(usize),
    }

    fn steps() -> impl Strategy<Value = Vec<Step>> {
        let step = prop_oneof![
            (0..3_usize, 0..200_000_i64).prop_map(|(device, now)| Step::Write(device, now)),
            (0..3_usize, any::<prop::sample::Index>()).prop_map(|(device, at)| Step::Hear(device, at)),
            (0..3_usize).prop_map(Step::Restart),
        ];
        prop::collection::vec(step, 1..60)
    }

    proptest! {
        /// Kulkarni et al. 2014, theorem 1: what happened before has the lower stamp, whatever the clocks say; and
        /// theorem 2: no stamp is beyond the highest time that any device's clock had shown, but for the counter.
        #[test]
        fn what_was_before_is_lower(steps in steps()) {
            let mut clocks = [1, 2, 3].map(HybridClock::of);
            let mut above = [None::<Stamp>; 3];
            let mut written = Vec::new();
            let mut latest = 0;
            for step in steps {
                match step {
                    Step::Write(device, now) => {
                        let now = Instant::from_micros(now);
                        latest = latest.max(physical(now));
                        let stamp = clocks[device].tick(now).unwrap();
                        prop_assert!(above[device].is_none_or(|above| (stamp.clock, 0) > (above.clock, 0)));
                        prop_assert_eq!(stamp.handset, u32::try_from(device).unwrap() + 1);
                        prop_assert!(stamp.clock >> 16 <= latest >> 16 && (stamp.clock & 0xFFFF) < 60);
                        above[device] = Some(stamp);
                        written.push(stamp);
                    }
                    Step::Hear(device, at) if !written.is_empty() => {
                        let heard = written[at.index(written.len())];
                        clocks[device].hear(heard);
                        above[device] = above[device].max(Some(heard));
                    }
                    Step::Hear(..) => {}
                    Step::Restart(device) => {
                        let kept = Stamp { clock: clocks[device].last, handset: clocks[device].handset };
                        clocks[device] = HybridClock::resumed(kept);
                    }
                }
            }
        }
    }

    #[test]
    fn a_year_ahead_counts_as_five_minutes() {
        let now = Instant::parse("2026-01-10T08:00:00Z").unwrap();
        let at = |text: &str| Stamp { clock: physical(Instant::parse(text).unwrap()), handset: 9 };
        let cases = [
            ("2026-01-10T07:00:00Z", "2026-01-10T07:00:00Z"),
            ("2026-01-10T08:05:00Z", "2026-01-10T08:05:00Z"),
            ("2026-01-10T08:05:00.001Z", "2026-01-10T08:05:00Z"),
            ("2028-01-10T08:00:00Z", "2026-01-10T08:05:00Z"),
        ];
        for (raw, counts) in cases {
            assert_eq!(effective(at(raw), now), at(counts), "{raw}");
            assert_eq!(told_at(at(raw)), Instant::parse(raw).unwrap());
        }
        let last = Stamp { clock: u64::MAX, handset: 9 };
        assert_eq!(effective(last, now), at("2026-01-10T08:05:00Z"));
        assert_eq!(HybridClock::resumed(last).tick(now), Err(Exhausted));
    }
}
