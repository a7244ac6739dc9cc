//! The digest of a list on a date: what it tells to whom, and whether there is anything to tell.
//!
//! Recipients are told no more than they may see. So they are sorted by what that is ([`audience`]), and each group gets a
//! mail of its own, made from the one [`store::digests::Ground`] that was read for the whole list.

mod audience;
mod changes;
mod facts;
mod letter;
mod lines;
mod names;
mod snapshot;

use std::collections::BTreeMap;

use access::Leaving;
use anyhow::{Result, anyhow};
use model::{Instant, LocalDate, OrganizationId, RecipientId};
use report::digest::{LinesHash, MessageId, Rendered, render};
use sha2::{Digest as _, Sha256};
use store::{
    Store,
    digests::{Digest, Mail, MailBody, MailList, MailPicture, NewDigest, NewMail, Outcome, Recipient},
};

pub(crate) use self::letter::letter;
use self::{
    audience::Audience,
    facts::{Gathered, Telling},
    snapshot::Snapshot,
};
use crate::{dates, settings::Sender};

/// Makes digests.
pub(crate) struct Maker {
    pub(crate) store: Store,
    pub(crate) sender: Sender,
    pub(crate) leaving: Leaving,
}

/// A mail for one audience.
struct Made {
    rendered: Rendered,
    hash: LinesHash,
    /// A digest of all that would make another mail necessary.
    told: String,
}

impl Maker {
    pub(crate) async fn new(store: Store, sender: Sender) -> Result<Self> {
        let mut fresh = [0; 32];
        aws_lc_rs::rand::fill(&mut fresh).map_err(|_| anyhow!("no randomness"))?;
        let secret = store.secret(Leaving::SECRET, fresh.to_vec()).await?;
        Ok(Self { store, sender, leaving: Leaving::new(&secret) })
    }

    /// What becomes of a list on a date, at `now`.
    pub(crate) async fn make(
        &self,
        organization: OrganizationId,
        list: &MailList,
        date: LocalDate,
        now: Instant,
    ) -> Result<NewDigest> {
        let groups = self.groups(organization, list, now).await?;
        let gathered = Gathered::read(&self.store, &self.sender, organization, list, date, now).await?;
        let last = self.store.last_mails(organization, list.id).await?;
        let (mut bodies, mut mails) = (Vec::new(), Vec::new());
        for (audience, recipients) in &groups {
            let heartbeat = dates::is_heartbeat(&list.fields, date);
            let made = self.for_audience(&gathered, audience, heartbeat).await?;
            let to: Vec<&Recipient> = recipients
                .iter()
                .filter(|recipient| {
                    let before = last.get(&recipient.id);
                    heartbeat || before.is_none_or(|before| before.told != made.told)
                })
                .collect();
            if to.is_empty() {
                continue;
            }
            let message_id =
                MessageId::of(organization, list.id.uuid(), date, &made.hash, &self.sender.domain)
                    .to_string();
            mails.extend(to.iter().map(|recipient| NewMail {
                recipient: recipient.id,
                body: bodies.len(),
                message_id: message_id.clone(),
                follows: last.get(&recipient.id).map(|before| before.message_id.clone()),
                told: made.told.clone(),
            }));
            bodies.push(body(made, audience)?);
        }
        let outcome = match (groups.is_empty(), mails.is_empty()) {
            (true, _) => Outcome::Nobody,
            (false, true) => Outcome::Unchanged,
            (false, false) => Outcome::Mailed,
        };
        let digest = Digest {
            date,
            outcome,
            made_at: now,
            known_seq: gathered.ground.known_seq,
            overdue: gathered.overdue_by_site(),
        };
        // Only the lines of what was mailed are compared with.
        let lines = match outcome {
            Outcome::Mailed => Snapshot::of(&gathered.ground).to_bytes()?,
            _ => Vec::new(),
        };
        // Whoever is to be told always cannot be told.
        let failure = (outcome == Outcome::Nobody && list.fields.duty.is_some())
            .then(|| "nobody is left on this duty list".to_owned());
        let next = dates::next(&list.fields, now).map(|(date, at)| (dates::chore_name(list, date), at));
        Ok(NewDigest { organization, list: list.id, digest, lines, bodies, mails, next, failure })
    }

    /// The mails that a list would get now, each with the name of a file for it.
    pub(crate) async fn foresee(
        &self,
        organization: OrganizationId,
        list: &MailList,
        date: LocalDate,
        now: Instant,
    ) -> Result<Vec<(RecipientId, NewMail, MailBody)>> {
        let new = self.make(organization, list, date, now).await?;
        let with_body = |mail: NewMail| {
            let body = new.bodies.get(mail.body)?.clone();
            Some((mail.recipient, mail, body))
        };
        Ok(new.mails.into_iter().filter_map(with_body).collect())
    }

    async fn for_audience(&self, gathered: &Gathered, audience: &Audience, heartbeat: bool) -> Result<Made> {
        let Telling { facts, told, hash } = gathered.told_to(&self.store, audience, heartbeat).await?;
        let rendered = tokio::task::spawn_blocking(move || render(&facts)).await??;
        Ok(Made { rendered, hash, told: hex(&Sha256::digest(told)) })
    }

    /// Who gets the list, by what they may see.
    async fn groups(
        &self,
        organization: OrganizationId,
        list: &MailList,
        now: Instant,
    ) -> Result<BTreeMap<Audience, Vec<Recipient>>> {
        let mut groups: BTreeMap<Audience, Vec<Recipient>> = BTreeMap::new();
        let mut all = Vec::new();
        for recipient in self.store.recipients(organization, list.id).await? {
            let Some(address) = recipient.address.as_ref().map(|one| one.as_str().to_ascii_lowercase())
            else {
                continue;
            };
            if recipient.ended || recipient.refused {
                continue;
            }
            if let Some(audience) = self.audience(organization, list, &recipient, now).await? {
                all.push((address, audience, recipient));
            }
        }
        // An address that is on the list twice gets one mail, unless it would be told less by it.
        let audiences: Vec<(String, Audience)> =
            all.iter().map(|(address, audience, _)| (address.clone(), audience.clone())).collect();
        for (at, (address, audience, recipient)) in all.into_iter().enumerate() {
            let tells_it = |(n, (to, other)): (usize, &(String, Audience))| {
                *to == address && other.covers(&audience) && (n < at || n > at && !audience.covers(other))
            };
            if audiences.iter().enumerate().any(tells_it) {
                tracing::info!(recipient.id = %recipient.id, "another mail to the same address tells all of this one");
            } else {
                groups.entry(audience).or_default().push(recipient);
            }
        }
        Ok(groups)
    }

    async fn audience(
        &self,
        organization: OrganizationId,
        list: &MailList,
        recipient: &Recipient,
        now: Instant,
    ) -> Result<Option<Audience>> {
        let grants = match recipient.person {
            Some(person) => Some((person, self.store.grants(organization, person).await?)),
            None => None,
        };
        Ok(Audience::of(organization, list, grants, now))
    }

    /// The address to which a mail may still go: its recipient has not left meanwhile, nor lost sight of the sites.
    pub(crate) async fn still_gets(
        &self,
        organization: OrganizationId,
        mail: &Mail,
        now: Instant,
    ) -> store::Result<Option<String>> {
        let recipient = &mail.recipient;
        let is_on_it = recipient.list == mail.list.id && !recipient.ended && !recipient.refused;
        if !is_on_it || mail.list.fields.retired.is_some() {
            return Ok(None);
        }
        let grants = match recipient.person {
            Some(person) => Some((person, self.store.grants(organization, person).await?)),
            None => None,
        };
        let as_now = Audience::of(organization, &mail.list, grants, now);
        let as_made: Option<Audience> = serde_json::from_str(&mail.body.audience).ok();
        // What was made for eyes that see more than they do now stays here.
        let allowed = as_made.zip(as_now).is_some_and(|(then, now)| now.covers(&then));
        Ok(recipient.address.as_ref().filter(|_| allowed).map(|address| address.as_str().to_owned()))
    }
}

fn body(made: Made, audience: &Audience) -> Result<MailBody> {
    let Rendered { subject, text, html, picture } = made.rendered;
    let picture = picture.map(|picture| MailPicture { content_id: picture.content_id, png: picture.png });
    let (audience, hash) = (serde_json::to_string(audience)?, made.hash.to_string());
    Ok(MailBody { audience, hash, subject, plain: text, html, picture })
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
