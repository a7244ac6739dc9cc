//! Fields that people set without knowing of each other.

use model::{EditId, HandsetId, Instant, PersonId, edit::RecordKind, stamp::Stamp};
use serde_json::Value;

use crate::command::Etag;

/// A record with contested fields.
#[derive(Clone, Debug)]
pub struct ContestedRecord {
    /// Its kind.
    pub kind: RecordKind,
    /// Its id, without the kind.
    pub id: uuid::Uuid,
    /// What a PATCH that settles it has to have seen.
    pub etag: Etag,
    /// The contested fields, by name.
    pub fields: Vec<ContestedField>,
}

/// A contested field.
#[derive(Clone, Debug)]
pub struct ContestedField {
    /// Its name.
    pub field: String,
    /// Every value, the one that counts first.
    pub values: Vec<ContestedValue>,
}

/// One of several values of a field.
#[derive(Clone, Debug)]
pub struct ContestedValue {
    /// The value; null where the field was removed.
    pub value: Value,
    /// The edit that set it.
    pub edit: EditId,
    /// The stamp as the author's device made it.
    pub raw: Stamp,
    /// Who set it.
    pub author: PersonId,
    /// The handset it was set on.
    pub handset: Option<HandsetId>,
    /// When the service recorded it.
    pub recorded_at: Instant,
}
