//! What a handset may send. The service tells it with every answer.

use serde::{Deserialize, Serialize};

/// Limits as last told; those of a service that tells none are small.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Limits {
    /// Edits of a request.
    pub edits: usize,
    /// Bytes of a request as sent.
    pub request_bytes: usize,
    /// Bytes of a request unpacked.
    pub decompressed_bytes: usize,
    /// Bytes of an edit.
    pub edit_bytes: usize,
    /// The newest format of edits that is known there.
    pub edit_format: u32,
    /// The format of the changes that come.
    pub change_format: u32,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            edits: 100,
            request_bytes: 1 << 20,
            decompressed_bytes: 1 << 20,
            edit_bytes: 64 << 10,
            edit_format: 1,
            change_format: 1,
        }
    }
}
