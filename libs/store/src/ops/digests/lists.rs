//! Mail lists and who gets them.

use std::collections::BTreeMap;

use diesel::prelude::*;
use model::{
    MailListId,
    edit::RecordKind,
    mail::{EmailAddress, MailListFields, RecipientFields},
};

use super::super::super::Conn;
use super::super::{
    private_texts,
    records::{self, Stored},
    schema::mail_refused,
};
use crate::{
    digests::{MailList, Recipient},
    error::Result,
    key::Key,
    view::Among,
};

/// More lists than this nobody keeps.
const LISTS_MOST: usize = 10_000;

/// The mail lists of an organization that are not given up.
pub(crate) fn lists(conn: &mut Conn, organization: Key) -> Result<Vec<MailList>> {
    let stored =
        records::stored_after(conn, organization, RecordKind::MailList, &Among::All, None, LISTS_MOST)?;
    let mut lists = Vec::new();
    for (id, stored) in stored {
        let fields = records::fields(&stored.record, MailListFields::read)?;
        if fields.retired.is_none() {
            lists.push(MailList { id: id.id(), fields });
        }
    }
    Ok(lists)
}

/// Who gets a mail list, those included who have left it.
pub(crate) fn recipients(conn: &mut Conn, organization: Key, list: MailListId) -> Result<Vec<Recipient>> {
    let stored = records::belonging_to(conn, organization, RecordKind::Recipient, Key::from(list))?;
    read(conn, organization, stored)
}

/// Recipients from their records.
pub(super) fn read(conn: &mut Conn, organization: Key, stored: Vec<(Key, Stored)>) -> Result<Vec<Recipient>> {
    let kind = RecordKind::Recipient;
    let edits: Vec<Key> =
        stored.iter().flat_map(|(_, stored)| records::sealing_edits(kind, &stored.record)).collect();
    let texts = private_texts::of_edits(conn, organization, &edits)?;
    let refused = refused(conn, organization, stored.iter().map(|(id, _)| *id).collect())?;
    let recipient = |(id, stored): (Key, Stored)| {
        let fields = records::fields(&stored.record, RecipientFields::read)?;
        let view = records::joined(kind, id.0, &stored, &texts);
        let address = view.fields.get("address").and_then(serde_json::Value::as_str);
        Ok(fields.mail_list_id.map(|list| Recipient {
            id: id.id(),
            list,
            address: address.and_then(|address| EmailAddress::parse(address).ok()),
            person: fields.person_id,
            ended: fields.ended.is_some(),
            refused: refused.get(&id) == Some(&stored.version),
            version: stored.version,
        }))
    };
    stored.into_iter().filter_map(|one| recipient(one).transpose()).collect()
}

/// Of some recipients, the version whose address was refused for good.
fn refused(conn: &mut Conn, organization: Key, recipients: Vec<Key>) -> Result<BTreeMap<Key, i64>> {
    let rows: Vec<(Key, i64)> = mail_refused::table
        .filter(mail_refused::organization.eq(organization))
        .filter(mail_refused::recipient.eq_any(recipients))
        .select((mail_refused::recipient, mail_refused::version))
        .load(conn)?;
    Ok(rows.into_iter().collect())
}
