//! What the service answers.

use model::{EditId, Instant, SiteId, UnitId, stamp::Stamp};
use proof::{Fingerprint, Prefix};
use serde::{Deserialize, de};
use serde_json::value::RawValue;
use uuid::Uuid;

use super::Limits;

/// The answer to a sync.
#[derive(Debug, Deserialize)]
pub struct Answer {
    /// What became of each edit, in the order in which they were sent: JSON, as it was told.
    pub results: Vec<Box<RawValue>>,
    /// What changed, in order.
    pub changes: Vec<Change>,
    /// Where to go on.
    pub cursor: Option<String>,
    /// Whether there is another page.
    #[serde(default)]
    pub more: bool,
    /// Whether the cursor was good.
    pull: PullText,
    /// A number for each site, once all was told.
    pub fingerprints: Option<Vec<SiteSum>>,
    /// Whether there are two copies of this handset.
    #[serde(default)]
    pub forked: bool,
    /// A stamp of the service.
    #[serde(deserialize_with = "stamp")]
    pub clock: Stamp,
    /// What the service's clock says.
    now: Option<String>,
    /// What the device's clock lacks, in seconds.
    pub offset_seconds: Option<serde_json::Number>,
    /// What may be sent from now on.
    #[serde(default)]
    pub limits: Limits,
}

/// Whether a cursor was good, as it is told.
#[derive(Clone, Debug, Deserialize)]
struct PullText {
    status: String,
    reason: Option<String>,
}

/// Whether a cursor was good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Pull {
    /// It was: go on.
    Good,
    /// Begin again.
    Reset(Reset),
    /// A word that this program does not know: it has to be brought up to date.
    Unknown,
}

/// Why a handset begins again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reset {
    /// The service was restored from a backup.
    Restored,
    /// The sites that may be seen changed while they were told.
    ScopeChanged,
    /// The handset is revoked.
    HandsetRevoked,
}

impl Answer {
    /// Whether the cursor was good.
    #[must_use]
    pub fn pull(&self) -> Pull {
        match (self.pull.status.as_str(), self.pull.reason.as_deref()) {
            ("ok", _) => Pull::Good,
            ("reset", Some("restored")) => Pull::Reset(Reset::Restored),
            ("reset", Some("scope_changed")) => Pull::Reset(Reset::ScopeChanged),
            ("reset", Some("handset_revoked")) => Pull::Reset(Reset::HandsetRevoked),
            _ => Pull::Unknown,
        }
    }

    /// What the service's clock says.
    #[must_use]
    pub fn now(&self) -> Option<Instant> {
        self.now.as_deref().and_then(|now| Instant::parse(now).ok())
    }

    /// What the device's clock lacks, in microseconds.
    #[must_use]
    pub fn offset_micros(&self) -> Option<i64> {
        let seconds = self.offset_seconds.as_ref()?.as_f64()?;
        #[expect(clippy::cast_possible_truncation, reason = "a float becomes the nearest integer there is")]
        let micros = (seconds * 1e6) as i64;
        Some(micros)
    }
}

/// What became of an edit, as far as the device acts on it.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct Told {
    /// The edit; absent where the service could not read its id.
    pub id: Option<EditId>,
    /// `applied`, `parked`, or whatever word there is.
    pub result: String,
    /// The version that its record has by it.
    pub version: Option<u64>,
    /// Of a service event: when it was recorded.
    pub recorded_at: Option<String>,
    /// The fields that are contested by it.
    #[serde(default)]
    pub contested: Vec<String>,
    /// What its author should know.
    #[serde(default)]
    pub flags: Vec<String>,
    /// Why it is parked, held or refused.
    pub reason: Option<String>,
    /// What is doubtful about it.
    #[serde(default)]
    pub warnings: Vec<serde_json::Value>,
    /// Of a refused one: what is wrong.
    pub problem: Option<super::Problem>,
}

/// A change.
#[derive(Debug)]
pub enum Change {
    /// A record as it is now.
    Record {
        /// Its kind.
        kind: String,
        /// Its id.
        id: Uuid,
        /// Of a service event: its unit.
        unit: Option<UnitId>,
        /// What is told of it: JSON, byte for byte.
        text: String,
    },
    /// Own edits, each with the version that the record came to by it.
    Echo {
        /// The record's kind.
        kind: String,
        /// The record.
        id: Uuid,
        /// The edits.
        edits: Vec<Echoed>,
    },
    /// A unit or site that is out of sight.
    Forget {
        /// Which of the two.
        kind: String,
        /// Its id.
        id: Uuid,
    },
    /// Something that only a newer program knows.
    Unknown,
}

/// An own edit that is in the record now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub struct Echoed {
    /// The edit.
    pub id: EditId,
    /// The version that the record came to by it.
    pub version: u64,
}

#[derive(Deserialize)]
struct ChangeText {
    change: String,
    #[serde(default)]
    kind: String,
    id: Option<Uuid>,
    unit_id: Option<UnitId>,
    record: Option<Box<RawValue>>,
    edits: Option<Vec<Echoed>>,
}

impl<'de> Deserialize<'de> for Change {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let ChangeText { change, kind, id, unit_id: unit, record, edits } = ChangeText::deserialize(d)?;
        let missing = de::Error::missing_field;
        let id = id.ok_or_else(|| missing("id"));
        Ok(match change.as_str() {
            "record" => {
                let text = record.ok_or_else(|| missing("record"))?.get().to_owned();
                Self::Record { kind, id: id?, unit, text }
            }
            "echo" => Self::Echo { kind, id: id?, edits: edits.ok_or_else(|| missing("edits"))? },
            "forget" => Self::Forget { kind, id: id? },
            _ => Self::Unknown,
        })
    }
}

/// One number over all that is told of a site.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub struct SiteSum {
    /// The site.
    pub site_id: SiteId,
    /// Over how many records.
    pub count: u64,
    /// The number.
    pub fingerprint: Fingerprint,
}

/// Fingerprints of the parts of a site.
#[derive(Debug, Deserialize)]
pub struct Parts {
    /// The parts.
    pub parts: Vec<Part>,
}

/// A part of a site: the records whose ids begin alike.
#[derive(Debug, Deserialize)]
pub struct Part {
    /// How they begin.
    #[serde(deserialize_with = "prefix")]
    pub prefix: Prefix,
    /// How many they are.
    pub count: u64,
    /// Their number.
    pub fingerprint: Fingerprint,
}

/// The records of a part.
#[derive(Debug, Deserialize)]
pub struct PartRecords {
    /// The records.
    pub changes: Vec<Change>,
}

/// A handset that was enrolled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub struct Enrolled {
    /// Its id.
    pub id: model::HandsetId,
    /// The number that belongs into its stamps.
    pub number: u32,
}

fn stamp<'de, D: serde::Deserializer<'de>>(d: D) -> Result<Stamp, D::Error> {
    Stamp::parse(&String::deserialize(d)?).map_err(de::Error::custom)
}

fn prefix<'de, D: serde::Deserializer<'de>>(d: D) -> Result<Prefix, D::Error> {
    Prefix::parse(&String::deserialize(d)?).map_err(de::Error::custom)
}
