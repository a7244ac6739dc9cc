//! Digests: what they are made of, what became of them, and who gets them.

use std::collections::{BTreeMap, BTreeSet};

use interval::{DueState, HungTag};
use model::{
    Instant, LocalDate, MailListId, OrganizationId, PersonId, RecipientId, ScheduleId, SiteId, UnitId,
    mail::{EmailAddress, MailListFields},
};

use crate::{
    Result, Store,
    chores::{Chore, Ending},
    key::Key,
    through,
    view::{DueRow, UnitDue},
};

/// A mail list.
#[derive(Clone, Debug)]
pub struct MailList {
    /// Its id.
    pub id: MailListId,
    /// Its fields.
    pub fields: MailListFields,
}

/// Somebody who gets a mail list.
#[derive(Clone, Debug)]
pub struct Recipient {
    /// The id.
    pub id: RecipientId,
    /// The list.
    pub list: MailListId,
    /// The address; none where it has been erased.
    pub address: Option<EmailAddress>,
    /// Whose it is.
    pub person: Option<PersonId>,
    /// Whether they have left the list.
    pub ended: bool,
    /// Whether mail to the address was refused for good, and the record has not been changed since.
    pub refused: bool,
    /// How many edits have made the record what it is.
    pub version: i64,
}

/// What a digest is made of, as it was at one moment.
#[derive(Clone, Debug)]
pub struct Ground {
    /// The instant that it is about.
    pub as_of: Instant,
    /// The last row of the log that it rests on.
    pub known_seq: i64,
    /// Items that are overdue, due, coming due, deferred or unknown.
    pub items: Vec<DueRow>,
    /// Units on which a tag may hang.
    pub tagged: Vec<UnitId>,
    /// What was recorded since the row asked about, by unit.
    pub entered: BTreeMap<UnitId, Entered>,
    /// Units that are not worked out anew yet since a change that concerns many.
    pub pending: usize,
}

/// A unit, folded, with the tags that hang on it.
#[derive(Clone, Debug)]
pub struct TaggedUnit {
    /// The unit.
    pub due: UnitDue,
    /// The tags.
    pub tags: Vec<HungTag>,
}

/// What was recorded of a unit meanwhile.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Entered {
    /// How many service events.
    pub events: u32,
    /// How many of them tell of something before the digest that came before.
    pub late: u32,
    /// How many of them are corrections.
    pub corrections: u32,
    /// The unit's home site, and where it stands.
    pub sites: Option<(SiteId, SiteId)>,
}

/// What became of a list on a date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// There are mails.
    Mailed,
    /// Nothing had changed.
    Unchanged,
    /// There was nobody to send it to.
    Nobody,
    /// Nobody worked on that day.
    Missed,
}

/// The words for [`Outcome`].
pub(crate) const OUTCOMES: &[(&str, Outcome)] = &[
    ("mailed", Outcome::Mailed),
    ("unchanged", Outcome::Unchanged),
    ("nobody", Outcome::Nobody),
    ("missed", Outcome::Missed),
];

/// What became of a list on a date, and what it rested on.
#[derive(Clone, Debug)]
pub struct Digest {
    /// The date, where the list is read.
    pub date: LocalDate,
    /// What became of it.
    pub outcome: Outcome,
    /// When.
    pub made_at: Instant,
    /// The last row of the log that it rested on.
    pub known_seq: i64,
    /// How many items were overdue at each site where any was.
    pub overdue: BTreeMap<SiteId, u32>,
}

/// The last mail that somebody was sent.
#[derive(Clone, Debug)]
pub struct LastMail {
    /// Its Message-ID.
    pub message_id: String,
    /// A digest of what it told.
    pub told: String,
}

/// A digest that is to be kept, with its mails.
#[derive(Clone, Debug)]
pub struct NewDigest {
    /// The tenant.
    pub organization: OrganizationId,
    /// The list.
    pub list: MailListId,
    /// What became of it.
    pub digest: Digest,
    /// The lines that it rested on, as its maker writes them.
    pub lines: Vec<u8>,
    /// The mails, as they are told.
    pub bodies: Vec<MailBody>,
    /// Who gets which of them, by its place.
    pub mails: Vec<NewMail>,
    /// The digest after it, by the name of its chore, and when it is due.
    pub next: Option<(String, Instant)>,
    /// What is wrong though it was made, and to be told as a failure.
    pub failure: Option<String>,
}

/// What a mail says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MailBody {
    /// For whose eyes it is, as its maker writes it.
    pub audience: String,
    /// A digest of its lines.
    pub hash: String,
    /// The subject.
    pub subject: String,
    /// The whole of it as text.
    pub plain: String,
    /// The same as HTML.
    pub html: String,
    /// A picture in the HTML, a PNG.
    pub picture: Option<MailPicture>,
}

/// A picture in the HTML of a mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MailPicture {
    /// How the HTML names it.
    pub content_id: String,
    /// A PNG.
    pub png: Vec<u8>,
}

/// A mail to one recipient.
#[derive(Clone, Debug)]
pub struct NewMail {
    /// To whom.
    pub recipient: RecipientId,
    /// Which of the bodies.
    pub body: usize,
    /// Its Message-ID.
    pub message_id: String,
    /// The Message-ID of the one before.
    pub follows: Option<String>,
    /// A digest of what it tells.
    pub told: String,
}

/// A mail that is to be sent.
#[derive(Clone, Debug)]
pub struct Mail {
    /// The list.
    pub list: MailList,
    /// The date of the digest.
    pub date: LocalDate,
    /// When it was made.
    pub made_at: Instant,
    /// To whom.
    pub recipient: Recipient,
    /// What it says.
    pub body: MailBody,
    /// Its Message-ID.
    pub message_id: String,
    /// The Message-ID of the one before.
    pub follows: Option<String>,
}

/// That somebody knows of an overdue item, so that it is not told to others until then.
#[derive(Clone, Debug)]
pub struct Acknowledgement {
    /// The unit.
    pub unit: UnitId,
    /// The schedule.
    pub schedule: ScheduleId,
    /// The task.
    pub task: model::Code,
    /// Until when.
    pub until: Instant,
    /// Who said so.
    pub person: PersonId,
    /// When.
    pub made_at: Instant,
}

impl Store {
    /// The mail lists of an organization that are not given up.
    pub async fn mail_lists(&self, organization: OrganizationId) -> Result<Vec<MailList>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::lists(conn, key))
    }

    /// Who gets a mail list, those included who have left it.
    pub async fn recipients(&self, organization: OrganizationId, list: MailListId) -> Result<Vec<Recipient>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::recipients(conn, key, list))
    }

    /// What a digest about these sites is made of; absent sites mean all. `since` is the last row that the one before
    /// rested on, and when that was made.
    pub async fn digest_ground(
        &self,
        organization: OrganizationId,
        sites: Option<Vec<SiteId>>,
        now: Instant,
        since: Option<(i64, Instant)>,
    ) -> Result<Ground> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            ops::digests::ground(conn, key, sites, now, since)
        })
    }

    /// Some units, each folded, with the tags that hang on it at `at`; those that are not there are left out.
    pub async fn tagged_units(
        &self,
        organization: OrganizationId,
        units: BTreeSet<UnitId>,
        at: Instant,
    ) -> Result<BTreeMap<UnitId, TaggedUnit>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::units(conn, key, &units, at))
    }

    /// What became of a list on its dates from `from` on, the earliest first; and the lines of the last that was mailed.
    pub async fn digests(
        &self,
        organization: OrganizationId,
        list: MailListId,
        from: LocalDate,
    ) -> Result<(Vec<Digest>, Option<Vec<u8>>)> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::made(conn, key, list, from))
    }

    /// The last mail that each recipient of a list was sent.
    pub async fn last_mails(
        &self,
        organization: OrganizationId,
        list: MailListId,
    ) -> Result<BTreeMap<RecipientId, LastMail>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::last_mails(conn, key, list))
    }

    /// Keeps a digest with its mails, and has each of them sent, all in one transaction that ends the chore. Says whether
    /// it was kept: not if another instance was faster.
    pub async fn keep_digest(&self, chore: &Chore, new: NewDigest) -> Result<bool> {
        let (key, chore) = (Key::from(chore.organization), chore.clone());
        through!(self, write for key, |conn, ops| ops::digests::keep(conn, &chore, &new))
    }

    /// Notes dates on which a list was left out.
    pub async fn note_missed(
        &self,
        organization: OrganizationId,
        list: MailListId,
        dates: Vec<LocalDate>,
        now: Instant,
    ) -> Result<()> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::digests::note_missed(conn, key, list, &dates, now))
    }

    /// The mail that a chore is to send; none where it is not there any more.
    pub async fn mail(&self, chore: &Chore) -> Result<Option<Mail>> {
        let (key, name) = (Key::from(chore.organization), chore.name.clone());
        through!(self, read for key, |conn, ops| ops::digests::mail(conn, key, &name))
    }

    /// Says what became of a mail; says whether it was still this instance's. One that was refused for good is the last
    /// until somebody changes the recipient.
    pub async fn end_mail(
        &self,
        chore: &Chore,
        mail: &Mail,
        ending: Ending,
        refused: Option<String>,
        now: Instant,
    ) -> Result<bool> {
        let (key, chore) = (Key::from(chore.organization), chore.clone());
        let (recipient, of) = (mail.recipient.clone(), (mail.list.id, mail.date));
        through!(self, write for key, |conn, ops| {
            ops::digests::end_mail(conn, &chore, &recipient, of, &ending, refused.as_deref(), now)
        })
    }

    /// Keeps an acknowledgement; it takes the place of an earlier one of the same item.
    pub async fn acknowledge(&self, organization: OrganizationId, said: Acknowledgement) -> Result<()> {
        let key = Key::from(organization);
        through!(self, write for key, |conn, ops| ops::digests::acknowledge(conn, key, &said))
    }

    /// The acknowledgements that hold at `now`.
    pub async fn acknowledgements(
        &self,
        organization: OrganizationId,
        now: Instant,
    ) -> Result<Vec<Acknowledgement>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::digests::acknowledgements(conn, key, now))
    }
}

/// The states of items that a digest tells of.
pub(crate) const TOLD: &[DueState] =
    &[DueState::Overdue, DueState::Due, DueState::ComingDue, DueState::Unknown, DueState::Deferred];
