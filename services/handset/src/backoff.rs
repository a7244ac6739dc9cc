//! How long to wait before the same is tried again: longer each time, and spread by chance, for after a storm all come back at
//! once.

use std::time::Duration;

/// The first wait, about.
const FIRST: Duration = Duration::from_secs(2);
/// The longest wait.
const LONGEST: Duration = Duration::from_secs(300);
/// So many times is tried before it is left for later.
const TRIES: u32 = 8;

/// What has been tried in a row without an answer that helps.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Backoff(u32);

impl Backoff {
    /// The wait before the next try; none once it is left for later. `asked` is what the service asks for, and never cut;
    /// `chance` lies between 0 and 1.
    pub(crate) fn next(&mut self, asked: Option<Duration>, chance: f64) -> Option<Duration> {
        self.0 += 1;
        if self.0 > TRIES {
            return None;
        }
        let grown = FIRST.saturating_mul(1 << (self.0 - 1)).min(LONGEST);
        // Half of it is certain, so that nobody tries again at once; after what was asked for a part comes on top.
        let spread = chance.clamp(0.0, 1.0) / 2.0;
        Some(match asked {
            Some(asked) => asked + grown.min(asked).mul_f64(spread),
            None => grown.mul_f64(0.5 + spread),
        })
    }

    /// It worked.
    pub(crate) fn over(&mut self) {
        self.0 = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_and_end() {
        let waits = |chance: f64| {
            let mut backoff = Backoff::default();
            std::iter::from_fn(|| backoff.next(None, chance)).map(|wait| wait.as_secs()).collect::<Vec<_>>()
        };
        assert_eq!(waits(0.0), [1, 2, 4, 8, 16, 32, 64, 128]);
        assert_eq!(waits(1.0), [2, 4, 8, 16, 32, 64, 128, 256]);
    }

    #[test]
    fn what_the_service_asks_for_is_kept() {
        for chance in [0.0, 0.5, 1.0] {
            let wait = Backoff::default().next(Some(Duration::from_secs(900)), chance).unwrap();
            assert!(wait >= Duration::from_secs(900) && wait <= Duration::from_secs(902), "{wait:?}");
        }
        assert_eq!(Backoff::default().next(Some(Duration::ZERO), 1.0), Some(Duration::ZERO));
    }

    #[test]
    fn what_works_begins_anew() {
        let mut backoff = Backoff::default();
        let first = backoff.next(None, 0.0);
        backoff.next(None, 0.0);
        backoff.over();
        assert_eq!(backoff.next(None, 0.0), first);
    }
}
