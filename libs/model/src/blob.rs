//! Photos and papers that go beside the records: what names one, and what an event says of it.

use std::fmt;

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    hash::Sha256,
    read::{Flaw, Object, word},
    text::Label,
};

/// An event names so many at most.
pub const ATTACHMENTS_MOST: usize = 20;

/// The name of a blob: the SHA-256 of its bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct BlobHash(Sha256);

impl BlobHash {
    /// A hash that was made elsewhere.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(Sha256::from_bytes(bytes))
    }

    /// A hash kept as bytes; none if there are not 32 of them.
    pub fn from_slice(bytes: &[u8]) -> Option<Self> {
        Sha256::from_slice(bytes).map(Self)
    }

    /// Its 32 bytes.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        self.0.as_bytes()
    }

    /// Parses 64 lower-case hexadecimal digits.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        Sha256::parse(text).map(Self)
    }

    /// Reads a hash from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }
}

impl fmt::Display for BlobHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for BlobHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// What a blob is; nothing else is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
pub enum MediaType {
    /// A photo.
    #[serde(rename = "image/jpeg")]
    Jpeg,
    /// A picture without loss.
    #[serde(rename = "image/png")]
    Png,
    /// A paper.
    #[serde(rename = "application/pdf")]
    Pdf,
}

/// The words for [`MediaType`].
pub const MEDIA_TYPES: &[(&str, MediaType)] =
    &[("image/jpeg", MediaType::Jpeg), ("image/png", MediaType::Png), ("application/pdf", MediaType::Pdf)];

impl MediaType {
    /// The type as it is written.
    pub fn as_str(self) -> &'static str {
        MEDIA_TYPES.iter().find(|(_, media_type)| *media_type == self).map_or("", |(word, _)| *word)
    }

    /// The type with this name.
    pub fn parse(text: &str) -> Option<Self> {
        MEDIA_TYPES.iter().find(|(word, _)| *word == text).map(|(_, media_type)| *media_type)
    }

    /// How the names of its files end.
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::Pdf => "pdf",
        }
    }
}

/// A photo or a paper that belongs to an event; the bytes go beside the records, and may come before or after the event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Attachment {
    /// Its SHA-256, under which its bytes are at `/v1/blobs/{sha256}`.
    #[schema(value_type = String, pattern = "^[0-9a-f]{64}$", example = "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef")]
    pub sha256: BlobHash,
    /// What it is.
    pub media_type: MediaType,
    /// How people call it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, min_length = 1, max_length = 200, example = "Fuel line, left side")]
    pub name: Option<Label>,
}

impl Attachment {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let sha256 = o.required("sha256", BlobHash::read);
        let media_type = o.required("media_type", word(MEDIA_TYPES));
        let name = o.optional("name", Label::read);
        Some(Self { sha256: sha256?, media_type: media_type?, name })
    }

    /// Reads the member of an event that lists them, if it is there; no blob is named twice.
    pub(crate) fn read_all(o: &mut Object<'_>) -> Option<Vec<Self>> {
        let Some(all) = o.objects(ATTACHMENTS, ATTACHMENTS_MOST, Self::read) else {
            return if o.has(ATTACHMENTS) { None } else { Some(Vec::new()) };
        };
        let repeated = all
            .iter()
            .enumerate()
            .find(|(i, one)| all.iter().take(*i).any(|other| other.sha256 == one.sha256));
        match repeated {
            Some((i, _)) => o.fail(
                &format!("{ATTACHMENTS}/{i}/sha256"),
                Flaw::new("repeated", "This blob is named already."),
            ),
            None => Some(all),
        }
    }
}

/// The member of an event that lists them.
pub const ATTACHMENTS: &str = "attachments";

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use crate::{
        event::ServiceEvent,
        read::{Mode, whole},
    };

    const HASH: &str = "5f70bf18a086007016e948b04aed3b82103a36bea41755b6cddfaf10ace3c6ef";

    /// What the member comes to, or the places and codes of what is wrong.
    fn read(attachments: Value) -> Result<Value, Vec<(String, &'static str)>> {
        let sent = json!({"id": "019a0b5e-7c00-7000-8000-000000000001", "unit_id": "019a0b5e-7c00-7000-8000-000000000002",
            "kind": "finding", "action": "opened", "severity": "minor", "occurred_on": "2026-08-01",
            "attachments": attachments});
        whole(&sent, Mode::New, ServiceEvent::read)
            .map(|event| serde_json::to_value(event).unwrap()["attachments"].take())
            .map_err(|errors| errors.into_iter().map(|e| (e.pointer.unwrap(), e.code)).collect())
    }

    #[test]
    fn read_with_an_event() {
        let plain = json!({"sha256": HASH, "media_type": "image/jpeg"});
        let named = json!({"sha256": HASH, "media_type": "application/pdf", "name": "Receipt"});
        let wrong = |place: &str, code| Err(vec![(format!("/attachments{place}"), code)]);
        let cases = [
            (json!([plain]), Ok(json!([plain]))),
            (json!([named]), Ok(json!([named]))),
            (json!([]), Ok(json!(null))),
            (json!(null), Ok(json!(null))),
            (json!([plain, named]), wrong("/1/sha256", "repeated")),
            (json!(vec![&plain; 21]), wrong("", "too_many")),
            (json!(HASH), wrong("", "wrong_type")),
            (json!([HASH]), wrong("/0", "wrong_type")),
            (
                json!([{"sha256": HASH.to_uppercase(), "media_type": "image/png"}]),
                wrong("/0/sha256", "invalid_hash"),
            ),
            (json!([{"sha256": &HASH[1..], "media_type": "image/png"}]), wrong("/0/sha256", "invalid_hash")),
            (json!([{"sha256": HASH}]), wrong("/0/media_type", "required")),
            (json!([{"sha256": HASH, "media_type": "image/gif"}]), wrong("/0/media_type", "unknown_word")),
            (
                json!([{"sha256": HASH, "media_type": "image/png", "name": "a\nb"}]),
                wrong("/0/name", "control_character"),
            ),
            (
                json!([{"sha256": HASH, "media_type": "image/png", "bytes": 5}]),
                wrong("/0/bytes", "unknown_member"),
            ),
        ];
        for (sent, expected) in cases {
            assert_eq!(read(sent.clone()), expected, "{sent}");
        }
    }
}
