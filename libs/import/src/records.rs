//! What a file holds, and how it is written.

use serde::Serialize;

/// What the rows of a file are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Records {
    /// Sites, as `POST /v1/sites` takes them.
    Sites,
    /// Units, as `POST /v1/units` takes them.
    Units,
    /// Service events of any kind, as `POST /v1/service-events` takes them.
    ServiceEvents,
    /// Service events of kind `reading` alone.
    Readings,
}

/// The words for [`Records`].
pub const RECORDS: &[(&str, Records)] = &[
    ("sites", Records::Sites),
    ("units", Records::Units),
    ("service_events", Records::ServiceEvents),
    ("readings", Records::Readings),
];

impl Records {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        RECORDS.iter().find(|(_, records)| *records == self).map_or("", |(word, _)| *word)
    }

    /// Whether the rows are service events.
    pub const fn are_events(self) -> bool {
        matches!(self, Self::ServiceEvents | Self::Readings)
    }
}

/// How a file is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// Cells with headings (RFC 4180).
    #[default]
    Csv,
    /// One JSON object a line.
    Ndjson,
}

/// The words for [`Format`].
pub const FORMATS: &[(&str, Format)] = &[("csv", Format::Csv), ("ndjson", Format::Ndjson)];

impl Format {
    /// The word for it.
    pub fn as_str(self) -> &'static str {
        FORMATS.iter().find(|(_, format)| *format == self).map_or("", |(word, _)| *word)
    }
}
