//! Text that can be erased, beside the log.

use std::collections::BTreeMap;

use diesel::prelude::*;
use proof::Sealed;

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE,
    schema::{inbox, private_text},
};
use crate::{error::Result, key::Key};

/// A private text as a row.
pub(crate) struct TextRow {
    pub(crate) organization: Key,
    pub(crate) edit_id: Key,
    pub(crate) pointer: String,
    pub(crate) salt: Vec<u8>,
    pub(crate) content: String,
}

impl TextRow {
    /// What was sealed out of an edit's body.
    pub(crate) fn new(organization: Key, edit_id: Key, sealed: &Sealed) -> Self {
        let (salt, content) = (sealed.salt.to_vec(), String::from(&*sealed.text));
        Self { organization, edit_id, pointer: sealed.pointer.clone(), salt, content }
    }
}

/// Texts and salts of some edits, by edit and pointer.
pub(crate) type Texts = BTreeMap<(Key, String), (Vec<u8>, String)>;

/// The names of texts of the first content of an id; those of other contents have their hash before the pointer.
const FIRST: &str = "/%";

/// What was sealed out of these edits and is not erased.
pub(crate) fn of_edits(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<Texts> {
    named(conn, organization, edits, FIRST)
}

/// The same, with what was sealed out of other contents under the ids of these edits.
pub(crate) fn of_all_contents(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<Texts> {
    named(conn, organization, edits, "%")
}

fn named(conn: &mut Conn, organization: Key, edits: &[Key], names: &str) -> Result<Texts> {
    let mut texts = Texts::new();
    if edits.is_empty() {
        return Ok(texts);
    }
    for some in edits.chunks(IDS_AT_ONCE) {
        let rows: Vec<(Key, String, Vec<u8>, String)> = private_text::table
            .filter(private_text::organization.eq(organization))
            .filter(among(private_text::edit_id, some.to_vec()))
            .filter(private_text::pointer.like(names))
            .select((private_text::edit_id, private_text::pointer, private_text::salt, private_text::content))
            .load(conn)?;
        texts.extend(rows.into_iter().map(|(edit, pointer, salt, text)| ((edit, pointer), (salt, text))));
    }
    Ok(texts)
}

/// How many texts there are of edits in the log; for the rebuild.
pub(crate) fn count_logged(conn: &mut Conn, organization: Key) -> Result<i64> {
    let beside = inbox::table.filter(inbox::organization.eq(organization)).select(inbox::edit_id);
    Ok(private_text::table
        .filter(private_text::organization.eq(organization))
        .filter(private_text::edit_id.ne_all(beside))
        .filter(private_text::pointer.like(FIRST))
        .count()
        .get_result(conn)?)
}
