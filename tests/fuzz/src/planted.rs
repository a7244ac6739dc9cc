//! A target with a fault, which the fuzzer has to find: else its finding nothing elsewhere would mean nothing.

use model::{
    json,
    sync::{Content, SyncRequest},
};

/// Fails for an edit of a group of more than nine: no seed has one, and nothing else of the edit may be spoilt.
///
/// # Panics
///
/// If the bytes have such an edit.
pub fn planted(data: &[u8]) {
    let Ok(sent) = json::parse(data) else { return };
    let Ok(request) = SyncRequest::read(sent, 1000) else { return };
    for edit in request.edits.into_iter().flatten() {
        let Content::Known { group: Some(group), .. } = edit.content else { continue };
        assert!(group.size <= 9, "the planted fault");
    }
}
