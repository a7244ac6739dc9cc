//! What a handset sends.

use std::fmt;

use merge::Base;
use model::{
    EditId, GroupId, HandsetId, Instant, PersonId, blob::ATTACHMENTS, edit::FORMAT_OF_ATTACHMENTS,
    stamp::Stamp,
};
use serde::{Deserialize, Serialize, de};
use serde_json::{Map, Value, value::RawValue};
use uuid::Uuid;

use crate::error::{Error, Result};

/// The format in which an edit is written: the oldest that can say what its body says, so that a service that knows only that
/// reads it, and keeps a newer one for later.
#[must_use]
pub fn format_of(body: &Map<String, Value>) -> u32 {
    let format = if body.contains_key(ATTACHMENTS) { FORMAT_OF_ATTACHMENTS } else { 1 };
    format.unsigned_abs()
}

/// An edit as it is sent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EditText {
    /// Its permanent id; of a service event, a new unit or a new site the id of that, too.
    pub id: EditId,
    /// The format in which it is written.
    pub format: u32,
    /// Its number among the edits of its enrolment.
    pub number: u64,
    /// The edit before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub previous: Option<EditId>,
    /// Its stamp.
    #[serde(deserialize_with = "stamp")]
    pub stamp: Stamp,
    /// Who made it.
    pub author: PersonId,
    /// The start of the device in which it was made.
    pub boot: u64,
    /// The edits with which it counts or not at all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub group: Option<GroupText>,
    /// The kind of record that it is about.
    pub kind: String,
    /// Whether it makes a record or changes one.
    pub action: Action,
    /// The record; absent for service events.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record_id: Option<Uuid>,
    /// The members, as in a POST or PATCH.
    pub body: Map<String, Value>,
    /// What its author had seen of the fields that it sets.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub base: Option<Base>,
}

/// Edits that count together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GroupText {
    /// Their name.
    pub id: GroupId,
    /// How many they are.
    pub size: u32,
}

/// Whether an edit makes a record or changes one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Action {
    /// It makes one.
    Create,
    /// It sets fields of one.
    Set,
}

impl EditText {
    /// Reads an edit from the text that is kept of it.
    pub fn read(text: &str) -> Result<Self> {
        serde_json::from_str(text).map_err(|e| Error::corrupt("edit")(&e))
    }

    /// The fields that it sets, each as records are merged.
    #[must_use]
    pub fn fields(&self) -> Map<String, Value> {
        merge::flatten(self.body.clone(), model::external::LISTS)
    }
}

/// What a request says beside its edits.
#[derive(Clone, Debug, Serialize)]
pub struct Request {
    /// The handset, by the id under which the edits were written.
    pub handset: HandsetId,
    /// What its clock says.
    #[serde(serialize_with = "spelled")]
    pub clock: Instant,
    /// Which of its starts this is.
    pub boot: u64,
    /// Its place in the feed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cursor: Option<String>,
    /// How many edits have no last answer.
    pub waiting: u32,
    /// When the oldest of those was made.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "spelled_if")]
    pub oldest_waiting_at: Option<Instant>,
    /// Whether it wants a page of changes.
    pub pull: bool,
}

/// The body of a request with edits, each byte for byte as it was written down.
pub fn request(of: &Request, edits: &[&str]) -> Result<Vec<u8>> {
    #[derive(Serialize)]
    struct Whole<'a> {
        #[serde(flatten)]
        of: &'a Request,
        edits: Vec<&'a RawValue>,
    }
    let edits: std::result::Result<_, _> = edits.iter().map(|text| serde_json::from_str(text)).collect();
    let edits = edits.map_err(|e| Error::corrupt("edit")(&e))?;
    serde_json::to_vec(&Whole { of, edits }).map_err(|e| Error::Unwritable(e.to_string()))
}

fn spelled<S: serde::Serializer>(of: &impl fmt::Display, s: S) -> std::result::Result<S::Ok, S::Error> {
    s.collect_str(of)
}

fn spelled_if<S: serde::Serializer>(of: &Option<Instant>, s: S) -> std::result::Result<S::Ok, S::Error> {
    of.as_ref().map(Instant::to_string).serialize(s)
}

fn stamp<'de, D: serde::Deserializer<'de>>(d: D) -> std::result::Result<Stamp, D::Error> {
    Stamp::parse(&String::deserialize(d)?).map_err(de::Error::custom)
}
