//! Text that can be erased, beside the log.

use std::collections::BTreeMap;

use diesel::prelude::*;
use proof::Sealed;

use super::super::Conn;
use super::schema::private_text;
use crate::{error::Result, key::Key};

/// Keeps what was sealed out of an edit's body.
pub(crate) fn keep(conn: &mut Conn, organization: Key, edit: Key, sealed: &[Sealed]) -> Result<()> {
    for text in sealed {
        diesel::insert_into(private_text::table)
            .values((
                private_text::organization.eq(organization),
                private_text::edit_id.eq(edit),
                private_text::pointer.eq(&text.pointer),
                private_text::salt.eq(text.salt.to_vec()),
                private_text::content.eq(&*text.text),
            ))
            .execute(conn)?;
    }
    Ok(())
}

/// Texts and salts of some edits, by edit and pointer.
pub(crate) type Texts = BTreeMap<(Key, String), (Vec<u8>, String)>;

/// What was sealed out of these edits and is not erased.
pub(crate) fn of_edits(conn: &mut Conn, organization: Key, edits: &[Key]) -> Result<Texts> {
    let mut texts = Texts::new();
    for some in edits.chunks(1000) {
        let rows: Vec<(Key, String, Vec<u8>, String)> = private_text::table
            .filter(private_text::organization.eq(organization))
            .filter(private_text::edit_id.eq_any(some.to_vec()))
            .select((private_text::edit_id, private_text::pointer, private_text::salt, private_text::content))
            .load(conn)?;
        texts.extend(rows.into_iter().map(|(edit, pointer, salt, text)| ((edit, pointer), (salt, text))));
    }
    Ok(texts)
}

/// How many texts there are; for the rebuild.
pub(crate) fn count(conn: &mut Conn, organization: Key) -> Result<i64> {
    Ok(private_text::table.filter(private_text::organization.eq(organization)).count().get_result(conn)?)
}
