//! A JSON object written member by member, for answers of which most is spelled already.

use serde::Serialize;

use crate::problem::{ApiError, ApiResult};

/// An object in the making.
pub(crate) struct Members(Vec<u8>);

impl Members {
    /// One without members so far, with room for so many bytes.
    pub(crate) fn with_room(bytes: usize) -> Self {
        let mut text = Vec::with_capacity(bytes);
        text.push(b'{');
        Self(text)
    }

    /// Adds a member, whose name needs no escapes.
    pub(crate) fn add(&mut self, name: &str, value: &impl Serialize) -> ApiResult<()> {
        self.add_spelled(name, |text| serde_json::to_writer(text, value))
    }

    /// The same with a value that `spell` writes.
    pub(crate) fn add_spelled(
        &mut self,
        name: &str,
        spell: impl FnOnce(&mut Vec<u8>) -> serde_json::Result<()>,
    ) -> ApiResult<()> {
        let Self(text) = self;
        if text.len() > 1 {
            text.push(b',');
        }
        text.push(b'"');
        text.extend_from_slice(name.as_bytes());
        text.extend_from_slice(b"\":");
        spell(text).map_err(ApiError::internal)
    }

    /// The text of the object.
    pub(crate) fn done(self) -> Vec<u8> {
        let Self(mut text) = self;
        text.push(b'}');
        text
    }
}
