use std::fmt;

use serde::{Serialize, Serializer};
use serde_json::Value;

use crate::{read::Flaw, time::LocalDate};

/// A day that every year has, written `MM-DD`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MonthDay {
    month: i8,
    day: i8,
}

impl MonthDay {
    /// Parses `MM-DD`; 29 February is none, since most years lack it.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw = || Flaw::new("invalid_date", "A day of every year is written like 04-15 and must exist.");
        // Any year without a leap day tells which days all years have.
        LocalDate::parse(&format!("2025-{text}")).map_err(|_| flaw())?;
        let (month, day) = text.split_once('-').ok_or_else(flaw)?;
        let number = |part: &str| part.parse().map_err(|_| flaw());
        Ok(Self { month: number(month)?, day: number(day)? })
    }

    /// Reads one from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }

    /// The day in a year; nothing outside the years that dates have.
    pub fn in_year(self, year: i16) -> Option<LocalDate> {
        LocalDate::parse(&format!("{year:04}-{self}")).ok()
    }
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

impl Serialize for MonthDay {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}
