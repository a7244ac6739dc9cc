//! What became of a list on each of its dates.

use std::collections::BTreeMap;

use diesel::prelude::*;
use model::{Instant, LocalDate, MailListId, SiteId};

use super::super::super::Conn;
use super::super::{
    chores,
    schema::{digest, digest_body, digest_mail},
};
use super::mails;
use crate::{
    chores::{Chore, ChoreKind, Ending},
    digests::{Digest, NewDigest, OUTCOMES, Outcome},
    error::{Result, StoreError},
    key::Key,
};

/// What became of a list is kept for so long: more than the weeks that a digest looks back upon.
const KEPT_DAYS: i32 = 100;

/// Keeps a digest with its mails, each with the chore of sending it, ends its own chore and has the next one wanted.
pub(crate) fn keep(conn: &mut Conn, chore: &Chore, new: &NewDigest) -> Result<bool> {
    let (organization, list) = (Key::from(new.organization), Key::from(new.list));
    let now = new.digest.made_at;
    let ending = new.failure.clone().map_or(Ending::Done, |error| Ending::Failed { error });
    if !chores::end(conn, chore, &ending, now)? {
        return Ok(false);
    }
    if !insert(conn, organization, list, &new.digest, &new.lines)? {
        // Nothing of it is kept, the end of its chore neither.
        return Err(StoreError::corrupt("digest")(&"the list has one of that date already"));
    }
    let date = new.digest.date.to_string();
    for (body, n) in new.bodies.iter().zip(0_i64..) {
        diesel::insert_into(digest_body::table)
            .values((
                digest_body::organization.eq(organization),
                digest_body::mail_list.eq(list),
                digest_body::local_date.eq(&date),
                digest_body::n.eq(n),
                digest_body::audience.eq(&body.audience),
                digest_body::hash.eq(&body.hash),
                digest_body::subject.eq(&body.subject),
                digest_body::plain.eq(&body.plain),
                digest_body::html.eq(&body.html),
                digest_body::picture_id.eq(body.picture.as_ref().map(|picture| picture.content_id.as_str())),
                digest_body::picture.eq(body.picture.as_ref().map(|picture| picture.png.as_slice())),
            ))
            .execute(conn)?;
    }
    for mail in &new.mails {
        diesel::insert_into(digest_mail::table)
            .values((
                digest_mail::organization.eq(organization),
                digest_mail::recipient.eq(Key::from(mail.recipient)),
                digest_mail::local_date.eq(&date),
                digest_mail::mail_list.eq(list),
                digest_mail::n.eq(i64::try_from(mail.body).unwrap_or(i64::MAX)),
                digest_mail::message_id.eq(&mail.message_id),
                digest_mail::follows.eq(mail.follows.as_deref()),
                digest_mail::told.eq(&mail.told),
            ))
            .execute(conn)?;
        let name = mails::chore_name(new.list, mail.recipient, new.digest.date);
        chores::want(conn, organization, ChoreKind::Mail, &name, now)?;
    }
    if let Some((name, at)) = &new.next {
        chores::want(conn, organization, ChoreKind::Digest, name, *at)?;
    }
    forget(conn, organization, list, new)?;
    Ok(true)
}

fn insert(conn: &mut Conn, organization: Key, list: Key, made: &Digest, lines: &[u8]) -> Result<bool> {
    let word = OUTCOMES.iter().find(|(_, outcome)| *outcome == made.outcome).map_or("", |(word, _)| *word);
    let by_site: BTreeMap<String, u32> =
        made.overdue.iter().map(|(site, count)| (site.to_string(), *count)).collect();
    let overdue = serde_json::to_string(&by_site).map_err(|e| StoreError::corrupt("digest")(&e))?;
    let inserted = diesel::insert_into(digest::table)
        .values((
            digest::organization.eq(organization),
            digest::mail_list.eq(list),
            digest::local_date.eq(made.date.to_string()),
            digest::outcome.eq(word),
            digest::made_at.eq(made.made_at.micros()),
            digest::known_seq.eq(made.known_seq),
            digest::overdue.eq(overdue),
            digest::lines.eq(lines),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(inserted == 1)
}

/// Forgets what no digest to come needs: lines that are not those of the last mail, and what is old.
fn forget(conn: &mut Conn, organization: Key, list: Key, new: &NewDigest) -> Result<()> {
    let of_list =
        || digest::table.filter(digest::organization.eq(organization)).filter(digest::mail_list.eq(list));
    if new.digest.outcome == Outcome::Mailed {
        let earlier = of_list().filter(digest::local_date.lt(new.digest.date.to_string()));
        diesel::update(earlier.filter(digest::lines.ne(Vec::new())))
            .set(digest::lines.eq(Vec::new()))
            .execute(conn)?;
    }
    let old = new.digest.date.plus_days(-KEPT_DAYS).to_string();
    let without_lines = of_list().filter(digest::local_date.lt(&old)).filter(digest::lines.eq(Vec::new()));
    diesel::delete(without_lines).execute(conn)?;
    let mails = digest_mail::table
        .filter(digest_mail::organization.eq(organization))
        .filter(digest_mail::mail_list.eq(list));
    diesel::delete(mails.filter(digest_mail::local_date.lt(&old))).execute(conn)?;
    let bodies = digest_body::table
        .filter(digest_body::organization.eq(organization))
        .filter(digest_body::mail_list.eq(list));
    diesel::delete(bodies.filter(digest_body::local_date.lt(&old))).execute(conn)?;
    Ok(())
}

/// Notes dates on which a list was left out.
pub(crate) fn note_missed(
    conn: &mut Conn,
    organization: Key,
    list: MailListId,
    dates: &[LocalDate],
    now: Instant,
) -> Result<()> {
    for date in dates {
        let missed = Digest {
            date: *date,
            outcome: Outcome::Missed,
            made_at: now,
            known_seq: 0,
            overdue: BTreeMap::new(),
        };
        insert(conn, organization, Key::from(list), &missed, &[])?;
    }
    Ok(())
}

/// What became of a list on its dates from `from` on, and the lines of the last that was mailed.
pub(crate) fn made(
    conn: &mut Conn,
    organization: Key,
    list: MailListId,
    from: LocalDate,
) -> Result<(Vec<Digest>, Option<Vec<u8>>)> {
    let of_list = || {
        digest::table
            .filter(digest::organization.eq(organization))
            .filter(digest::mail_list.eq(Key::from(list)))
    };
    let rows: Vec<(String, String, i64, i64, String)> = of_list()
        .filter(digest::local_date.ge(from.to_string()))
        .order(digest::local_date)
        .select((digest::local_date, digest::outcome, digest::made_at, digest::known_seq, digest::overdue))
        .load(conn)?;
    let lines = of_list()
        .filter(digest::outcome.eq("mailed"))
        .order(digest::local_date.desc())
        .select(digest::lines)
        .first(conn)
        .optional()?;
    let read = |(date, outcome, made_at, known_seq, overdue): (String, String, i64, i64, String)| {
        let corrupt = StoreError::corrupt("digest");
        let outcome = OUTCOMES.iter().find(|(word, _)| *word == outcome).map(|(_, outcome)| *outcome);
        let by_site: BTreeMap<String, u32> = serde_json::from_str(&overdue).map_err(|e| corrupt(&e))?;
        Ok(Digest {
            date: LocalDate::parse(&date).map_err(|e| corrupt(&e))?,
            outcome: outcome.ok_or_else(|| corrupt(&"an unknown outcome"))?,
            made_at: Instant::from_micros(made_at),
            known_seq,
            overdue: by_site
                .into_iter()
                .map(|(site, count)| Ok((SiteId::parse(&site).map_err(|e| corrupt(&e))?, count)))
                .collect::<Result<_>>()?,
        })
    };
    Ok((rows.into_iter().map(read).collect::<Result<_>>()?, lines))
}
