//! The parts of a date as it stands in a cell, before it is known which part is the month.

use jiff::{
    civil::{Date, Time},
    tz::Offset,
};

/// In which order day, month and year stand, and what stands between them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Order {
    /// `2026-08-01`.
    YearMonthDay,
    /// `1.8.2026`.
    DayMonthYear,
    /// `1/8/2026`, the first of August.
    DayMonthYearSlashes,
    /// `8/1/2026`, the first of August.
    MonthDayYearSlashes,
}

/// The words for [`Order`].
pub(crate) const ORDERS: &[(&str, Order)] = &[
    ("Y-M-D", Order::YearMonthDay),
    ("D.M.Y", Order::DayMonthYear),
    ("D/M/Y", Order::DayMonthYearSlashes),
    ("M/D/Y", Order::MonthDayYearSlashes),
];

impl Order {
    /// Every order.
    pub(super) const ALL: [Self; 4] =
        [Self::YearMonthDay, Self::DayMonthYear, Self::DayMonthYearSlashes, Self::MonthDayYearSlashes];

    pub(super) fn as_str(self) -> &'static str {
        ORDERS.iter().find(|(_, order)| *order == self).map_or("", |(word, _)| *word)
    }

    const fn separator(self) -> char {
        match self {
            Self::YearMonthDay => '-',
            Self::DayMonthYear => '.',
            Self::DayMonthYearSlashes | Self::MonthDayYearSlashes => '/',
        }
    }
}

/// A date as it stands in a cell.
#[derive(Clone, Copy, Debug)]
pub(super) struct Written<'a> {
    separator: char,
    parts: [&'a str; 3],
    pub(super) time: Option<WrittenTime>,
}

/// A time of day as it stands in a cell.
#[derive(Clone, Copy, Debug)]
pub(super) struct WrittenTime {
    pub(super) clock: Time,
    pub(super) has_seconds: bool,
    pub(super) offset: Option<Offset>,
}

impl WrittenTime {
    pub(super) fn is_midnight(self) -> bool {
        self.clock == Time::midnight()
    }
}

impl<'a> Written<'a> {
    /// Takes apart `DATE`, `DATE TIME` or `DATE TIME OFFSET`; a `T` may stand for the first blank.
    pub(super) fn parse(text: &'a str) -> Option<Self> {
        let end = text.find(['T', 't', ' ']).unwrap_or(text.len());
        let (date, rest) = text.split_at_checked(end)?;
        let separator = date.chars().find(|c| !c.is_ascii_digit())?;
        let mut each = date.split(separator);
        let parts = [each.next()?, each.next()?, each.next()?];
        let numbers = parts.iter().all(|part| (1..=4).contains(&part.len()) && is_digits(part));
        if each.next().is_some() || !numbers {
            return None;
        }
        let time = match rest.strip_prefix(['T', 't', ' ']) {
            Some(time) => Some(written_time(time.trim_start())?),
            None => None,
        };
        Some(Self { separator, parts, time })
    }

    /// Whether the year has two digits, wherever it stands.
    pub(super) fn short_year(&self) -> bool {
        let [first, _, last] = self.parts;
        let separates = Order::ALL.iter().any(|order| order.separator() == self.separator);
        separates && first.len() <= 2 && last.len() <= 2
    }

    /// The different dates that it can be in these orders.
    pub(super) fn dates(&self, orders: &[Order]) -> Vec<Date> {
        let mut found: Vec<Date> = orders.iter().filter_map(|order| self.date(*order)).collect();
        found.sort_unstable();
        found.dedup();
        found
    }

    fn date(&self, order: Order) -> Option<Date> {
        let [first, second, third] = self.parts;
        let (year, month, day) = match order {
            Order::YearMonthDay => (first, second, third),
            Order::DayMonthYear | Order::DayMonthYearSlashes => (third, second, first),
            Order::MonthDayYearSlashes => (third, first, second),
        };
        if self.separator != order.separator() || year.len() != 4 || month.len() > 2 || day.len() > 2 {
            return None;
        }
        Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()
    }
}

/// `HH:MM[:SS[.fraction]]`, then perhaps `Z` or `±HH:MM`.
fn written_time(text: &str) -> Option<WrittenTime> {
    let end = text.find(|c: char| !(c.is_ascii_digit() || c == ':' || c == '.')).unwrap_or(text.len());
    let (clock, offset) = text.split_at_checked(end)?;
    let offset = match offset.trim() {
        "" => None,
        "Z" | "z" => Some(Offset::UTC),
        other => Some(written_offset(other)?),
    };
    let mut parts = clock.splitn(3, ':');
    let (hour, minute) = (two_digits(parts.next()?)?, two_digits(parts.next()?)?);
    let seconds = parts.next();
    let (second, nanos) = seconds.map_or(Some((0, 0)), seconds_and_fraction)?;
    let clock = Time::new(hour, minute, second, nanos).ok()?;
    Some(WrittenTime { clock, has_seconds: seconds.is_some(), offset })
}

fn seconds_and_fraction(text: &str) -> Option<(i8, i32)> {
    let (second, fraction) = text.split_once('.').unwrap_or((text, "0"));
    if fraction.len() > 9 || !is_digits(fraction) || second.len() != 2 {
        return None;
    }
    Some((two_digits(second)?, format!("{fraction:0<9}").parse().ok()?))
}

fn written_offset(text: &str) -> Option<Offset> {
    let (sign, rest) = match text.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, text.strip_prefix('+')?),
    };
    let (hours, minutes) = rest.split_once(':')?;
    let (hours, minutes) = (two_digits(hours)?, two_digits(minutes)?);
    if hours > 23 || minutes > 59 {
        return None;
    }
    Offset::from_seconds(sign * (i32::from(hours) * 3600 + i32::from(minutes) * 60)).ok()
}

fn two_digits(text: &str) -> Option<i8> {
    if (1..=2).contains(&text.len()) && is_digits(text) { text.parse().ok() } else { None }
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit())
}
