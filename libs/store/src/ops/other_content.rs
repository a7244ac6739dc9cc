//! What handsets sent under the ids of other edits, with other content: refused, and kept for somebody to look at.

use diesel::prelude::*;
use model::private::Salt;
use proof::Hash;

use super::super::Conn;
use super::{
    IDS_AT_ONCE,
    inbox::{InboxRow, of_groups},
    inserts,
    private_texts::{self, TextRow, Texts},
    schema::other_content,
};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// So many are kept of one handset, so that none can fill the disk with them,
pub(crate) const MOST: i64 = 500;
/// and so many of one id, each of which every further one is held against.
pub(crate) const MOST_OF_ONE: usize = 20;

/// One of them, with its private texts.
pub(crate) struct Other {
    pub(crate) row: InboxRow,
    pub(crate) texts: Vec<TextRow>,
}

impl Other {
    /// The salt with which a private text of it is sealed.
    pub(crate) fn salt(&self, pointer: &str) -> Option<Salt> {
        let named = self::pointer(Hash::from_slice(&self.row.content_hash)?, pointer);
        let text = self.texts.iter().find(|text| text.pointer == named)?;
        text.salt.as_slice().try_into().ok()
    }
}

/// The name of a private text of one of them among those of its edit, whose first content has the pointers themselves.
pub(crate) fn pointer(hash: Hash, pointer: &str) -> String {
    format!("{hash}{pointer}")
}

/// What is kept under the id of an edit.
pub(crate) fn of_edit(conn: &mut Conn, organization: Key, edit: Key) -> Result<Vec<Other>> {
    let rows: Vec<InboxRow> = other_content::table
        .filter(other_content::organization.eq(organization))
        .filter(other_content::edit_id.eq(edit))
        .order(other_content::content_hash)
        .limit(i64::try_from(MOST_OF_ONE).unwrap_or(i64::MAX))
        .load(conn)?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let texts = private_texts::of_all_contents(conn, organization, &[edit])?;
    rows.into_iter().map(|row| with_texts(row, &texts)).collect()
}

fn with_texts(row: InboxRow, texts: &Texts) -> Result<Other> {
    let hash = hash(&row)?.to_string();
    let own = texts.iter().filter(|((edit, pointer), _)| *edit == row.edit_id && pointer.starts_with(&hash));
    let texts = own.map(|((edit_id, pointer), (salt, content))| TextRow {
        organization: row.organization,
        edit_id: *edit_id,
        pointer: pointer.clone(),
        salt: salt.clone(),
        content: content.clone(),
    });
    let texts = texts.collect();
    Ok(Other { row, texts })
}

/// The hash of a content.
pub(crate) fn hash(row: &InboxRow) -> Result<Hash> {
    Hash::from_slice(&row.content_hash).ok_or_else(|| StoreError::corrupt("other content")(&"it has no hash"))
}

/// The edits of groups of a handset that came with another content than the first, each with its group.
pub(crate) fn of_groups(
    conn: &mut Conn,
    organization: Key,
    handset: Key,
    groups: &[Key],
) -> Result<Vec<(Option<Key>, Key)>> {
    let mut found = Vec::new();
    for some in groups.chunks(IDS_AT_ONCE) {
        let kept = of_groups!(other_content, organization, handset, some);
        let columns = (other_content::group_id, other_content::edit_id);
        found.extend(kept.select(columns).load::<(Option<Key>, Key)>(conn)?);
    }
    Ok(found)
}

/// How many are kept of a handset.
pub(crate) fn count(conn: &mut Conn, organization: Key, handset: Key) -> Result<i64> {
    Ok(other_content::table
        .filter(other_content::organization.eq(organization))
        .filter(other_content::handset.eq(handset))
        .count()
        .get_result(conn)?)
}

/// Keeps some, none of which is here yet.
pub(crate) fn keep(conn: &mut Conn, others: Vec<Other>) -> Result<()> {
    let (rows, texts): (Vec<InboxRow>, Vec<Vec<TextRow>>) =
        others.into_iter().map(|other| (other.row, other.texts)).unzip();
    inserts::other_contents(conn, &rows)?;
    inserts::private_texts(conn, &texts.into_iter().flatten().collect::<Vec<_>>())?;
    Ok(())
}
