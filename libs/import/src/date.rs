//! Dates and times as people and spreadsheets write them.

mod written;

use jiff::{
    civil::{Date, DateTime},
    tz::{AmbiguousOffset, Offset, TimeZone},
};
use model::Instant;

use self::written::Written;
pub(crate) use self::written::{ORDERS, Order};
use crate::{complaint::shortened, doubt::Doubt};

/// How the dates of a column are to be read.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Dates {
    /// In which orders day, month and year may stand.
    pub(crate) orders: Vec<Order>,
    /// Where the clock hung that local times were read from.
    pub(crate) zone: Option<TimeZone>,
}

impl Default for Dates {
    fn default() -> Self {
        Self { orders: vec![Order::YearMonthDay], zone: None }
    }
}

/// What a cell says about when something was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Read {
    /// A day (`2026-08-01`).
    Day(String),
    /// An instant, RFC 3339, with whether it was told to the minute only.
    At { text: String, to_the_minute: bool },
}

impl Dates {
    /// Reads a day or an instant.
    pub(crate) fn read(&self, text: &str) -> Result<Read, Doubt> {
        if Instant::parse(text).is_ok() {
            return Ok(Read::At { text: text.to_owned(), to_the_minute: false });
        }
        let written = Written::parse(text).ok_or_else(|| self.no_date())?;
        let date = self.date(&written, text)?;
        let Some(time) = written.time else { return Ok(Read::Day(date.to_string())) };
        let offset = match time.offset {
            Some(offset) => offset,
            None => self.offset(date.to_datetime(time.clock))?,
        };
        let text = spelled(date.to_datetime(time.clock), offset);
        Ok(Read::At { text, to_the_minute: !time.has_seconds })
    }

    /// Reads a day; an hour of nought, as spreadsheets add it, is no time.
    pub(crate) fn read_day(&self, text: &str) -> Result<String, Doubt> {
        let written = Written::parse(text).ok_or_else(|| self.no_date())?;
        let date = self.date(&written, text)?.to_string();
        match written.time {
            Some(time) if !time.is_midnight() || time.offset.is_some() => {
                Err(Doubt::new("day_only", "Only a date belongs here.").suggesting(date))
            }
            _ => Ok(date),
        }
    }

    /// Reads an instant.
    pub(crate) fn read_instant(&self, text: &str) -> Result<String, Doubt> {
        match self.read(text)? {
            Read::At { text, .. } => Ok(text),
            Read::Day(_) => Err(Doubt::new("time_required", "Here the time of day is needed, too.")),
        }
    }

    fn no_date(&self) -> Doubt {
        let orders: Vec<&str> = self.orders.iter().map(|order| order.as_str()).collect();
        Doubt::new(
            "invalid_date",
            format!(
                "This is not a date as it is written here ({}), or there is no such day or time.",
                orders.join(", ")
            ),
        )
    }

    fn date(&self, written: &Written, text: &str) -> Result<Date, Doubt> {
        if written.short_year() {
            return Err(Doubt::new("ambiguous_date", "Write the year with four digits."));
        }
        let allowed = written.dates(&self.orders);
        match allowed.as_slice() {
            [one] => return Ok(*one),
            [] => {}
            several => return Err(between(several, text)),
        }
        match written.dates(&Order::ALL).as_slice() {
            [] => Err(self.no_date()),
            [one] => Err(self.no_date().suggesting(one.to_string())),
            several => Err(between(several, text)),
        }
    }

    /// The offset that held at a local time.
    fn offset(&self, wall: DateTime) -> Result<Offset, Doubt> {
        let Some(zone) = &self.zone else {
            return Err(Doubt::new(
                "no_zone",
                "A local time can mean two instants, or none, when clocks change: add the offset from UTC, or say in the \
                 mapping which `zone` it is in.",
            ));
        };
        match zone.to_ambiguous_timestamp(wall).offset() {
            AmbiguousOffset::Unambiguous { offset } => Ok(offset),
            AmbiguousOffset::Fold { before, after } => Err(Doubt::new(
                "ambiguous_time",
                "Clocks went back over this time, and showed it twice: add the offset from UTC.",
            )
            .between(&[spelled(wall, before), spelled(wall, after)])),
            AmbiguousOffset::Gap { before, after } => {
                Err(Doubt::new("skipped_time", "Clocks went forward over this time, and never showed it.")
                    .between(&[shown(zone, wall, after), shown(zone, wall, before)]))
            }
        }
    }
}

fn between(readings: &[Date], text: &str) -> Doubt {
    let readings: Vec<String> = readings.iter().map(ToString::to_string).collect();
    Doubt::new("ambiguous_date", format!("{} can be read in two ways.", shortened(text))).between(&readings)
}

/// RFC 3339; offsets that it cannot tell are told as UTC.
fn spelled(wall: DateTime, offset: Offset) -> String {
    let seconds = offset.seconds();
    if seconds % 60 != 0 {
        return offset.to_timestamp(wall).map_or_else(|_| wall.to_string(), |instant| instant.to_string());
    }
    let sign = if seconds < 0 { '-' } else { '+' };
    let minutes = seconds.abs() / 60;
    format!("{wall}{sign}{:02}:{:02}", minutes / 60, minutes % 60)
}

/// What clocks showed at the instant that `wall` is with this offset.
fn shown(zone: &TimeZone, wall: DateTime, offset: Offset) -> String {
    offset.to_timestamp(wall).map_or_else(
        |_| wall.to_string(),
        |instant| spelled(zone.to_datetime(instant), zone.to_offset(instant)),
    )
}

#[cfg(test)]
mod tests;
