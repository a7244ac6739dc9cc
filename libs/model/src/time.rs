//! Instants, local dates and zones, three things that must never stand in for each other.

use std::{fmt, str::FromStr};

use jiff::{
    Timestamp, ToSpan,
    civil::{Date, DateTime},
    tz::{AmbiguousOffset, Offset, TimeZone},
};
use serde::{Serialize, Serializer};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    mail::{TimeOfDay, WEEKDAYS, Weekday},
    read::Flaw,
};

/// A point on the world's time line, in whole microseconds since 1970 UTC, from 1970 up to 2200.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instant(i64);

const MICROS_PER_SECOND: i64 = 1_000_000;
/// 2200-01-01T00:00:00Z; both databases hold every instant before it.
const END_SECONDS: i64 = 7_258_118_400;

impl Instant {
    /// The earliest instant there is.
    pub const FIRST: Self = Self(0);
    /// The last instant there is; stands for "never" in sort keys and ends of steps.
    pub const LAST: Self = Self(END_SECONDS * MICROS_PER_SECOND - 1);

    /// From microseconds since 1970 UTC, drawn into the supported range.
    pub const fn from_micros(micros: i64) -> Self {
        if micros < 0 {
            Self::FIRST
        } else if micros > Self::LAST.0 {
            Self::LAST
        } else {
            Self(micros)
        }
    }

    /// From a jiff timestamp, truncated to microseconds.
    pub fn from_timestamp(timestamp: Timestamp) -> Self {
        Self::from_micros(timestamp.as_microsecond())
    }

    /// Microseconds since 1970 UTC.
    pub const fn micros(self) -> i64 {
        self.0
    }

    /// The same instant as a jiff timestamp.
    pub fn timestamp(self) -> Timestamp {
        Timestamp::from_microsecond(self.0).unwrap_or(Timestamp::UNIX_EPOCH)
    }

    /// This instant moved by whole seconds, staying in the supported range.
    #[must_use]
    pub const fn plus_seconds(self, seconds: i64) -> Self {
        Self::from_micros(self.0.saturating_add(seconds.saturating_mul(MICROS_PER_SECOND)))
    }

    /// Whole seconds from `earlier` to this, rounded toward zero; negative if `earlier` is later.
    pub const fn seconds_since(self, earlier: Self) -> i64 {
        (self.0 - earlier.0) / MICROS_PER_SECOND
    }

    /// Parses RFC 3339 with an offset; a local time without one is refused.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let shape = || {
            Flaw::new("invalid_instant", "An instant is written like 2026-08-01T06:00:00-06:00 (RFC 3339).")
        };
        let (local, offset) = local_and_offset(text).ok_or_else(shape)?;
        let no_such = || Flaw::new("invalid_instant", "There is no such date or time.");
        let wall = DateTime::from_str(local).map_err(|_| no_such())?;
        let Some(offset) = offset else {
            return Err(Flaw::new(
                "offset_required",
                "A local time can mean two instants, or none, when clocks change: add the offset from UTC.",
            ));
        };
        match offset.to_timestamp(wall) {
            Ok(t) if t.as_second() >= 0 && t.as_second() < END_SECONDS => Ok(Self::from_timestamp(t)),
            Ok(_) => Err(Flaw::new("out_of_range", "Instants lie from 1970 up to 2200.")),
            Err(_) => Err(no_such()),
        }
    }

    /// Reads an instant from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }
}

/// The parts of `YYYY-MM-DDTHH:MM:SS[.fraction]` and `Z` or `±HH:MM`, by the grammar of RFC 3339 without leap seconds.
fn local_and_offset(text: &str) -> Option<(&str, Option<Offset>)> {
    let digits =
        |from: usize, to: usize| text.get(from..to).filter(|part| part.bytes().all(|b| b.is_ascii_digit()));
    let number = |from, to| digits(from, to)?.parse::<i32>().ok();
    let bytes = text.as_bytes();
    let marks = [(4, b'-'), (7, b'-'), (13, b':'), (16, b':')];
    let marked = marks.iter().all(|(at, mark)| bytes.get(*at) == Some(mark))
        && matches!(bytes.get(10), Some(b'T' | b't'));
    if !marked
        || [(0, 4), (5, 7), (8, 10), (11, 13), (14, 16)].iter().any(|(from, to)| digits(*from, *to).is_none())
    {
        return None;
    }
    number(17, 19).filter(|second| *second <= 59)?;
    let fraction = text
        .get(19..)?
        .strip_prefix('.')
        .map_or(0, |rest| 1 + rest.bytes().take_while(u8::is_ascii_digit).count());
    let end = 19 + fraction;
    if fraction == 1 || fraction > 10 {
        return None;
    }
    let (local, zone) = (text.get(..end)?, text.get(end..)?);
    let sign = match zone.as_bytes() {
        [] => return Some((local, None)),
        [b'Z' | b'z'] => return Some((local, Some(Offset::UTC))),
        [b'+', _, _, b':', _, _] => 1,
        [b'-', _, _, b':', _, _] => -1,
        _ => return None,
    };
    let hours = number(end + 1, end + 3).filter(|hours| *hours <= 23)?;
    let minutes = number(end + 4, end + 6).filter(|minutes| *minutes <= 59)?;
    Some((local, Offset::from_seconds(sign * (hours * 3600 + minutes * 60)).ok()))
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.timestamp().fmt(f)
    }
}
impl fmt::Debug for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
impl Serialize for Instant {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// A day on the calendar at some place, from 1970 up to 2200; it becomes an instant only with a [`Zone`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LocalDate(Date);

impl LocalDate {
    /// The earliest date there is.
    pub const FIRST: Self = Self(Date::constant(1970, 1, 1));

    /// Parses `YYYY-MM-DD`.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw = || Flaw::new("invalid_date", "A date is written like 2026-08-01 and must exist.");
        let date = Date::from_str(text).map_err(|_| flaw())?;
        if date.to_string() != text {
            return Err(flaw());
        }
        if !(1970..2200).contains(&date.year()) {
            return Err(Flaw::new("out_of_range", "Dates lie from 1970 up to 2200."));
        }
        Ok(Self(date))
    }

    /// Reads a date from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// The same day `months` later, or the last day of that month where it has no such day.
    ///
    /// Always computed from this date, never from an already clamped one, so that 31 January plus two months is
    /// 31 March.
    #[must_use]
    pub fn plus_months(self, months: i32) -> Self {
        Self(self.0.saturating_add(months.months()))
    }

    /// The date `days` later, or earlier when negative.
    #[must_use]
    pub fn plus_days(self, days: i32) -> Self {
        Self(self.0.saturating_add(days.days()))
    }

    /// The year.
    pub fn year(self) -> i16 {
        self.0.year()
    }

    /// The last day of its month.
    #[must_use]
    pub fn last_of_month(self) -> Self {
        Self(self.0.last_of_month())
    }

    /// Whether it is one of Monday to Friday.
    pub fn is_business_day(self) -> bool {
        self.0.weekday().to_monday_one_offset() <= 5
    }

    /// The day of the week.
    pub fn weekday(self) -> Weekday {
        let place = usize::try_from(self.0.weekday().to_monday_zero_offset()).unwrap_or(0);
        WEEKDAYS.get(place).map_or(Weekday::Monday, |(_, day)| *day)
    }

    /// Days from `earlier` to this date; negative if `earlier` is later.
    pub fn days_since(self, earlier: Self) -> i32 {
        self.0.since(earlier.0).map_or(0, |span| span.get_days())
    }
}

impl fmt::Display for LocalDate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
impl fmt::Debug for LocalDate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}
impl Serialize for LocalDate {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// A time zone of the IANA database that is bundled into the binary.
#[derive(Clone, PartialEq, Eq)]
pub struct Zone(TimeZone);

/// What a wall-clock time means at a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// One instant.
    One(Instant),
    /// Clocks went back over it: two instants, the earlier first.
    Two(Instant, Instant),
    /// Clocks went forward over it: no instant.
    None,
}

impl Zone {
    /// Finds a zone by its IANA name.
    pub fn parse(name: &str) -> Result<Self, Flaw> {
        let flaw = || {
            Flaw::new(
                "unknown_zone",
                "A zone is a name of the IANA time zone database, such as America/Denver.",
            )
        };
        let zone = TimeZone::get(name).map_err(|_| flaw())?;
        if zone.iana_name() == Some(name) { Ok(Self(zone)) } else { Err(flaw()) }
    }

    /// Reads a zone from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// Coordinated Universal Time, for units whose place is not known.
    pub fn utc() -> Self {
        Self(TimeZone::UTC)
    }

    /// The zone's IANA name.
    pub fn name(&self) -> &str {
        self.0.iana_name().unwrap_or("UTC")
    }

    /// The calendar day that `instant` falls on here.
    pub fn date(&self, instant: Instant) -> LocalDate {
        LocalDate(self.0.to_datetime(instant.timestamp()).date())
    }

    /// The first instant of `date` here, also where clocks skip midnight.
    pub fn midnight(&self, date: LocalDate) -> Instant {
        self.0.to_timestamp(date.0.at(0, 0, 0, 0)).map_or(Instant::LAST, Instant::from_timestamp)
    }

    /// The instant at which clocks here show `time` on `date`: the first of two, and where clocks skip it, as much later.
    pub fn at(&self, date: LocalDate, time: TimeOfDay) -> Instant {
        let minutes = time.minutes();
        let (hour, minute) =
            (i8::try_from(minutes / 60).unwrap_or(0), i8::try_from(minutes % 60).unwrap_or(0));
        self.0.to_timestamp(date.0.at(hour, minute, 0, 0)).map_or(Instant::LAST, Instant::from_timestamp)
    }

    /// By how many seconds clocks here are ahead of UTC from `from` to before `until`: since `from`, and since each change.
    pub fn offsets(&self, from: Instant, until: Instant) -> Vec<(Instant, i64)> {
        let seconds = |offset: Offset| i64::from(offset.seconds());
        let changes = self.0.following(from.timestamp());
        let changes =
            changes.map(|change| (Instant::from_timestamp(change.timestamp()), seconds(change.offset())));
        let first = (from, seconds(self.0.to_offset(from.timestamp())));
        std::iter::once(first).chain(changes.take_while(|(at, _)| *at < until)).collect()
    }

    /// Whether `text`, RFC 3339, shows a wall clock that clocks skipped here, with the offset that held here just before
    /// or after: a time that was typed by the clock of this place and never was.
    pub fn skips(&self, text: &str) -> bool {
        let Some((local, Some(stated))) = local_and_offset(text) else { return false };
        let Ok(wall) = DateTime::from_str(local) else { return false };
        match self.0.to_ambiguous_timestamp(wall).offset() {
            AmbiguousOffset::Gap { before, after } => stated == before || stated == after,
            AmbiguousOffset::Unambiguous { .. } | AmbiguousOffset::Fold { .. } => false,
        }
    }

    /// What the wall-clock time `text` (`YYYY-MM-DDTHH:MM`, seconds optional) means here.
    pub fn meaning(&self, text: &str) -> Result<Meaning, Flaw> {
        let flaw = || {
            Flaw::new(
                "invalid_local_time",
                "A local time is written like 2026-08-01T06:00 and must exist on the calendar.",
            )
        };
        let wall = DateTime::from_str(text).map_err(|_| flaw())?;
        let at = |offset: Offset| offset.to_timestamp(wall).map(Instant::from_timestamp).map_err(|_| flaw());
        match self.0.to_ambiguous_timestamp(wall).offset() {
            AmbiguousOffset::Unambiguous { offset } => Ok(Meaning::One(at(offset)?)),
            AmbiguousOffset::Fold { before, after } => Ok(Meaning::Two(at(before)?, at(after)?)),
            AmbiguousOffset::Gap { .. } => Ok(Meaning::None),
        }
    }
}

impl fmt::Debug for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
impl Serialize for Zone {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.name())
    }
}

/// When something happened: as it was stated, never more precise than it was stated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Occurred {
    /// The instant or the day.
    pub when: When,
    /// Where the time came from.
    pub source: TimeSource,
}

/// A stated time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum When {
    /// An instant to the second or the minute, with the text it was sent as.
    At {
        /// The instant meant.
        instant: Instant,
        /// RFC 3339 as sent, offset included.
        text: Box<str>,
        /// Whether only the minute is known.
        to_the_minute: bool,
    },
    /// Only the day is known; its instants follow from the zone where the unit stood.
    On(LocalDate),
}

/// An instant with the text it was sent as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The instant meant.
    pub instant: Instant,
    /// RFC 3339 as sent, offset included.
    pub text: Box<str>,
}

impl Moment {
    /// Reads an instant from a JSON string, keeping the string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        let instant = Instant::read(value)?;
        Ok(Self { instant, text: value.as_str().unwrap_or_default().into() })
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(&self.text)
    }
}

/// Where a stated time came from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TimeSource {
    /// A device's clock.
    Clock,
    /// A person typed it.
    Typed,
    /// Read off paper or a picture.
    Scanned,
}

/// How exactly an instant is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Precision {
    /// To the second or better.
    Instant,
    /// Seconds are not known.
    Minute,
}

/// The words for [`TimeSource`].
pub const TIME_SOURCES: &[(&str, TimeSource)] =
    &[("clock", TimeSource::Clock), ("typed", TimeSource::Typed), ("scanned", TimeSource::Scanned)];

impl When {
    /// The instant for ordering and comparing: a stated instant as it is, a day as its first instant in `zone`.
    pub fn instant(&self, zone: &Zone) -> Instant {
        match self {
            Self::At { instant, .. } => *instant,
            Self::On(date) => zone.midnight(*date),
        }
    }

    /// The calendar day in `zone`.
    pub fn date(&self, zone: &Zone) -> LocalDate {
        match self {
            Self::At { instant, .. } => zone.date(*instant),
            Self::On(date) => *date,
        }
    }

    /// The calendar day where whoever wrote it reckoned: that of the offset written, or the day itself.
    pub fn day_as_written(&self) -> Option<LocalDate> {
        match self {
            Self::At { text, .. } => text.get(..10).and_then(|day| LocalDate::parse(day).ok()),
            Self::On(date) => Some(*date),
        }
    }

    /// The precision as the log names it: `instant`, `minute` or `day`.
    pub fn precision(&self) -> &'static str {
        match self {
            Self::At { to_the_minute: false, .. } => "instant",
            Self::At { to_the_minute: true, .. } => "minute",
            Self::On(_) => "day",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instants_need_an_offset_and_must_exist() {
        let cases: &[(&str, Result<i64, &str>)] = &[
            ("2025-11-02T01:30:00-04:00", Ok(1_762_061_400)),
            ("2025-11-02T01:30:00-05:00", Ok(1_762_065_000)),
            ("2025-06-01T03:30:00Z", Ok(1_748_748_600)),
            ("2025-06-01T03:30:00.123456Z", Ok(1_748_748_600)),
            ("2025-11-02T01:30:00", Err("offset_required")),
            ("2025-13-02T01:30:00Z", Err("invalid_instant")),
            ("2025-02-29T01:30:00Z", Err("invalid_instant")),
            ("2025-06-01 03:30:00Z", Err("invalid_instant")),
            ("2025-06-01T03:30Z", Err("invalid_instant")),
            ("2025-06-01T03:30:00-07:00[America/Denver]", Err("invalid_instant")),
            ("0001-01-01T00:00:00Z", Err("out_of_range")),
            ("9999-01-01T00:00:00Z", Err("out_of_range")),
            ("NaN", Err("invalid_instant")),
            ("2025-06-01T03:30:60Z", Err("invalid_instant")),
            ("2025-06-01T03:30:00,5Z", Err("invalid_instant")),
            ("2025-06-01T03:30:00.Z", Err("invalid_instant")),
            ("2025-06-01T03:30:00+24:00", Err("invalid_instant")),
            ("2025-06-01T03:30:00+0000", Err("invalid_instant")),
            ("2025-06-01T03:30:00+00:60", Err("invalid_instant")),
            ("2025-06-01t03:30:00z", Ok(1_748_748_600)),
            ("2025-06-01T24:00:00Z", Err("invalid_instant")),
            ("２025-06-01T03:30:00Z", Err("invalid_instant")),
            ("", Err("invalid_instant")),
        ];
        for (text, expected) in cases {
            let found = Instant::parse(text).map(|i| i.micros() / MICROS_PER_SECOND).map_err(|f| f.code);
            assert_eq!(found, *expected, "{text}");
        }
    }

    #[test]
    fn a_wall_clock_that_was_skipped() {
        let denver = Zone::parse("America/Denver").unwrap();
        // Clocks went from 02:00 to 03:00 on 2026-03-08 (IANA tzdb, northamerica).
        let cases = [
            ("2026-03-08T02:30:00-07:00", true),
            ("2026-03-08T02:30:00-06:00", true),
            ("2026-03-08T03:30:00-06:00", false),
            ("2026-03-08T01:30:00-07:00", false),
            ("2026-03-08T02:30:00Z", false),
            ("2026-03-08T02:30:00-04:00", false),
        ];
        for (text, skipped) in cases {
            assert_eq!(denver.skips(text), skipped, "{text}");
        }
    }

    #[test]
    fn dates_are_canonical() {
        for (text, good) in [
            ("2025-02-28", true),
            ("2025-02-29", false),
            ("2025-2-28", false),
            ("20250228", false),
            ("2201-01-01", false),
        ] {
            assert_eq!(LocalDate::parse(text).is_ok(), good, "{text}");
        }
    }

    #[test]
    fn zones_by_their_own_name_only() {
        for (name, good) in [
            ("America/Denver", true),
            ("america/denver", false),
            ("Mountain", false),
            ("UTC", true),
            ("", false),
        ] {
            assert_eq!(Zone::parse(name).is_ok(), good, "{name}");
        }
    }

    #[test]
    fn midnight_where_clocks_skip_it() {
        // America/Santiago moved from 24:00 to 01:00 on 2024-09-08 (IANA tzdb, southamerica).
        let zone = Zone::parse("America/Santiago").unwrap();
        let date = LocalDate::parse("2024-09-08").unwrap();
        assert_eq!(zone.midnight(date), Instant::parse("2024-09-08T04:00:00Z").unwrap());
        assert_eq!(zone.date(zone.midnight(date)), date);
    }
}
