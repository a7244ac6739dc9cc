//! When something happened by a device's clock, which may be wrong.

use model::{Instant, time::TimeSource};

/// How far ahead of the service's clock something may have happened; what is farther waits for a person.
pub const HAPPENED_AHEAD_AT_MOST_SECONDS: i64 = 10 * 60;

/// By how much a device's clock is off, measured when it spoke with the service.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Offset {
    /// What has to be added to the device's clock; negative where that is fast.
    pub seconds: i64,
    /// The start of the device in which this was measured. A clock may be set anew at any start, so that the offset
    /// holds in this one only.
    pub boot: u64,
}

impl Offset {
    /// The offset of a device whose clock says `device` when the service's says `service`.
    #[must_use]
    pub const fn measured(device: Instant, service: Instant, boot: u64) -> Self {
        Self { seconds: service.seconds_since(device), boot }
    }
}

/// When something happened, as far as that can be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Happened {
    /// The instant that counts.
    pub at: Instant,
    /// Whether a device's clock told it of which nobody knows how wrong it was.
    pub doubtful: bool,
}

/// The instant that counts of one that a device recorded in its start `boot`.
///
/// A clock's time is put right by an offset measured in the same start; without one it stays as it is and is doubtful.
/// What a person typed, or a scanner read off the meter's own display, stays.
///
/// ```
/// use merge::{Offset, happened};
/// use model::{Instant, time::TimeSource};
///
/// // Eleven minutes fast: 12:11 on the handset when the service has 12:00.
/// let at = |text| Instant::parse(text).unwrap();
/// let offset = Offset::measured(at("2025-08-01T12:11:00Z"), at("2025-08-01T12:00:00Z"), 4);
/// let found = happened(at("2025-08-01T09:47:00Z"), TimeSource::Clock, 4, Some(offset));
/// assert_eq!((found.at, found.doubtful), (at("2025-08-01T09:36:00Z"), false));
/// ```
#[must_use]
pub fn happened(raw: Instant, source: TimeSource, boot: u64, offset: Option<Offset>) -> Happened {
    match (source, offset.filter(|offset| offset.boot == boot)) {
        (TimeSource::Clock, Some(offset)) => {
            Happened { at: raw.plus_seconds(offset.seconds), doubtful: false }
        }
        (TimeSource::Clock, None) => Happened { at: raw, doubtful: true },
        (TimeSource::Typed | TimeSource::Scanned, _) => Happened { at: raw, doubtful: false },
    }
}

/// Whether something that has happened lies so far ahead of the service's clock that a person has to look at it.
#[must_use]
pub const fn waits_for_person(at: Instant, now: Instant) -> bool {
    at.micros() > now.plus_seconds(HAPPENED_AHEAD_AT_MOST_SECONDS).micros()
}

#[cfg(test)]
mod tests {
    use TimeSource::{Clock, Scanned, Typed};

    use super::*;

    fn at(text: &str) -> Instant {
        Instant::parse(&format!("2025-08-01T{text}Z")).unwrap()
    }

    #[test]
    fn only_a_clock_that_was_measured_is_put_right() {
        let fast = Some(Offset::measured(at("12:11:00"), at("12:00:00"), 4));
        let slow = Some(Offset::measured(at("11:30:00"), at("12:00:00"), 4));
        let cases = [
            (Clock, 4, fast, "09:36:00", false),
            (Clock, 4, slow, "10:17:00", false),
            (Clock, 3, fast, "09:47:00", true),
            (Clock, 4, None, "09:47:00", true),
            (Typed, 4, fast, "09:47:00", false),
            (Scanned, 4, fast, "09:47:00", false),
        ];
        for (source, boot, offset, expected, doubtful) in cases {
            let found = happened(at("09:47:00"), source, boot, offset);
            assert_eq!(found, Happened { at: at(expected), doubtful }, "{source:?} {boot} {offset:?}");
        }
    }

    #[test]
    fn ten_minutes_ahead_is_the_most() {
        let now = at("12:00:00");
        for (text, waits) in [("12:10:00", false), ("12:10:00.000001", true), ("12:00:00", false)] {
            assert_eq!(waits_for_person(at(text), now), waits, "{text}");
        }
    }
}
