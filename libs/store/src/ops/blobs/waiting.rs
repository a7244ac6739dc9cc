//! What edits name that wait, parked or for a person: their events may yet be recorded.

use diesel::prelude::*;
use model::BlobHash;

use super::super::super::Conn;
use super::super::{
    inbox::PARKED,
    schema::{change_log, held, inbox},
};
use super::SOME;
use crate::{blobs::Blob, error::Result, key::Key};

/// Whether an edit that waits for a person has its name in it. They are few, and read one by one.
pub(super) fn is_in_held(conn: &mut Conn, organization: Key, sha256: &BlobHash) -> Result<bool> {
    let in_body = format!("%{sha256}%");
    let held = held::table.filter(held::organization.eq(organization)).select(held::seq);
    let waiting: Option<i64> = change_log::table
        .filter(change_log::organization.eq(organization))
        .filter(change_log::seq.eq_any(held))
        .filter(change_log::body.like(&in_body))
        .order(change_log::seq)
        .select(change_log::seq)
        .first(conn)
        .optional()?;
    Ok(waiting.is_some())
}

/// Takes those out that a parked edit has the name of in its text, also one that nobody here can read yet.
pub(super) fn leave_parked(conn: &mut Conn, organization: Key, found: &mut Vec<Blob>) -> Result<()> {
    let mut after = (0, Key::NIL);
    while !found.is_empty() {
        let beyond = inbox::received_at.gt(after.0).or(inbox::edit_id.gt(after.1));
        let some: Vec<(i64, Key, String)> = inbox::table
            .filter(inbox::organization.eq(organization))
            .filter(inbox::state.eq(PARKED))
            .filter(inbox::received_at.ge(after.0))
            .filter(beyond)
            .order((inbox::received_at, inbox::edit_id))
            .limit(SOME)
            .select((inbox::received_at, inbox::edit_id, inbox::body))
            .load(conn)?;
        let Some((received_at, edit_id, _)) = some.last() else { return Ok(()) };
        after = (*received_at, *edit_id);
        found.retain(|blob| {
            let name = blob.sha256.to_string();
            !some.iter().any(|(_, _, body)| body.contains(&name))
        });
    }
    Ok(())
}
