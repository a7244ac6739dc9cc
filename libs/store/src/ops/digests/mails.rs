//! Mails: who was sent what, and what is to be sent.

use std::collections::BTreeMap;

use diesel::prelude::*;
use model::{Instant, LocalDate, MailListId, RecipientId, edit::Target, mail::MailListFields};

use super::super::super::Conn;
use super::super::{
    chores, records,
    schema::{digest, digest_body, digest_mail, mail_refused},
};
use super::lists;
use crate::{
    chores::{Chore, ChoreKind, Ending},
    digests::{LastMail, Mail, MailBody, MailList, MailPicture, Recipient},
    error::{Result, StoreError},
    key::Key,
};

/// The name of the chore that sends a mail.
pub(super) fn chore_name(list: MailListId, recipient: RecipientId, date: LocalDate) -> String {
    format!("{list}/{recipient}/{date}")
}

/// What such a name says.
fn named(chore: &str) -> Result<(MailListId, RecipientId, LocalDate)> {
    let corrupt = StoreError::corrupt("mail");
    let parts: Vec<&str> = chore.split('/').collect();
    let [list, recipient, date] = parts[..] else { return Err(corrupt(&"its chore's name")) };
    Ok((
        MailListId::parse(list).map_err(|e| corrupt(&e))?,
        RecipientId::parse(recipient).map_err(|e| corrupt(&e))?,
        LocalDate::parse(date).map_err(|e| corrupt(&e))?,
    ))
}

/// So many mails are looked back upon for one that did not fail.
const LOOKED_BACK: i64 = 60;

/// The last mail that each recipient of a list was sent, or is to be sent; what failed was told to nobody.
pub(crate) fn last_mails(
    conn: &mut Conn,
    organization: Key,
    list: MailListId,
) -> Result<BTreeMap<RecipientId, LastMail>> {
    let mut found = BTreeMap::new();
    for recipient in lists::recipients(conn, organization, list)? {
        let mails: Vec<(String, String, String, Option<i64>)> = digest_mail::table
            .filter(digest_mail::organization.eq(organization))
            .filter(digest_mail::recipient.eq(Key::from(recipient.id)))
            .filter(digest_mail::mail_list.eq(Key::from(list)))
            .order(digest_mail::local_date.desc())
            .limit(LOOKED_BACK)
            .select((
                digest_mail::local_date,
                digest_mail::message_id,
                digest_mail::told,
                digest_mail::sent_at,
            ))
            .load(conn)?;
        for (date, message_id, told, sent_at) in mails {
            let name = format!("{list}/{}/{date}", recipient.id);
            if sent_at.is_some() || chores::is_open(conn, organization, ChoreKind::Mail, &name)? {
                found.insert(recipient.id, LastMail { message_id, told });
                break;
            }
        }
    }
    Ok(found)
}

/// The mail that a chore of this name is to send.
pub(crate) fn mail(conn: &mut Conn, organization: Key, chore: &str) -> Result<Option<Mail>> {
    let (list, recipient, date) = named(chore)?;
    let key = (organization, Key::from(recipient), Key::from(list), date.to_string());
    let found: Option<(i64, String, Option<String>)> = digest_mail::table
        .find(key)
        .select((digest_mail::n, digest_mail::message_id, digest_mail::follows))
        .first(conn)
        .optional()?;
    let Some((n, message_id, follows)) = found else { return Ok(None) };
    let list = Key::from(list);
    let body = body(conn, (organization, list, date.to_string(), n))?;
    let made_at: Option<i64> = digest::table
        .find((organization, list, date.to_string()))
        .select(digest::made_at)
        .first(conn)
        .optional()?;
    let stored_list = records::find(conn, organization, Target::MailList(list.id()))?;
    let stored = records::find(conn, organization, Target::Recipient(recipient))?;
    let (Some(body), Some(made_at), Some(stored_list), Some(stored)) = (body, made_at, stored_list, stored)
    else {
        return Ok(None);
    };
    let recipient = lists::read(conn, organization, vec![(Key::from(recipient), stored)])?.pop();
    let fields = records::fields(&stored_list.record, MailListFields::read)?;
    Ok(recipient.map(|recipient| Mail {
        list: MailList { id: list.id(), fields },
        date,
        made_at: Instant::from_micros(made_at),
        recipient,
        body,
        message_id,
        follows,
    }))
}

/// What a mail says, as it is stored.
#[derive(Queryable, Selectable)]
#[diesel(table_name = digest_body)]
struct BodyRow {
    audience: String,
    hash: String,
    subject: String,
    plain: String,
    html: String,
    picture_id: Option<String>,
    picture: Option<Vec<u8>>,
}

/// What a mail says.
fn body(conn: &mut Conn, key: (Key, Key, String, i64)) -> Result<Option<MailBody>> {
    let row: Option<BodyRow> =
        digest_body::table.find(key).select(BodyRow::as_select()).first(conn).optional()?;
    Ok(row.map(|BodyRow { audience, hash, subject, plain, html, picture_id, picture }| {
        let picture = picture_id.zip(picture).map(|(content_id, png)| MailPicture { content_id, png });
        MailBody { audience, hash, subject, plain, html, picture }
    }))
}

/// Says what became of a mail, and notes an address that is refused for good.
pub(crate) fn end_mail(
    conn: &mut Conn,
    chore: &Chore,
    recipient: &Recipient,
    (list, date): (MailListId, LocalDate),
    ending: &Ending,
    refused: Option<&str>,
    now: Instant,
) -> Result<bool> {
    let organization = Key::from(chore.organization);
    if !chores::end(conn, chore, ending, now)? {
        return Ok(false);
    }
    if matches!(ending, Ending::Done) {
        diesel::update(digest_mail::table.find((
            organization,
            Key::from(recipient.id),
            Key::from(list),
            date.to_string(),
        )))
        .set(digest_mail::sent_at.eq(now.micros()))
        .execute(conn)?;
    }
    if let Some(reason) = refused {
        let noted = (
            mail_refused::version.eq(recipient.version),
            mail_refused::since.eq(now.micros()),
            mail_refused::reason.eq(reason.chars().take(500).collect::<String>()),
        );
        diesel::insert_into(mail_refused::table)
            .values((
                mail_refused::organization.eq(organization),
                mail_refused::recipient.eq(Key::from(recipient.id)),
                noted.clone(),
            ))
            .on_conflict((mail_refused::organization, mail_refused::recipient))
            .do_update()
            .set(noted)
            .execute(conn)?;
    }
    Ok(true)
}
