//! One round of all that nobody asks for. What is to be done stands in the database; each piece is taken by one process.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

use model::{Instant, LocalDate, OrganizationId};
use process::{Clock, blobs::Blobs, readiness::PolicyJudge};
use store::{
    Result, Store,
    chores::{ADVANCE, Chore, ChoreKind, Ending, NIGHTLY, OpenChore, Worker as Seen},
    digests::{Mail, MailList},
    readiness::Judge,
};

use crate::{
    advance, blobs,
    dates::{self, chore_name},
    digest::{Maker, letter},
    health::{Counts, How},
    post::{NotSent, Post},
    settings::Sender,
};

/// How long one may take over a digest before another does; over a mail, as much more as its server may take.
const LEASE_SECONDS: i64 = 300;
/// After so long a mail is not worth sending any more: the next one is near.
const MAIL_SECONDS: i64 = 20 * 3600;
/// After so many mails in a row for which the server could not be reached, the others wait for the next round.
const MOST_IN_VAIN: u32 = 3;
/// How often, and after how long a wait, it is tried to mark a mail as sent.
const MARK_TRIES: u32 = 20;
const MARK_WAIT: Duration = Duration::from_secs(1);
/// The first wait before something is tried again; it doubles each time, up to the longest.
const FIRST_WAIT_SECONDS: i64 = 60;
const LONGEST_WAIT_SECONDS: i64 = 3600;
/// A chore that is late by so long is failing, though it may yet be done.
const LATE_SECONDS: i64 = 900;
/// How often it is said that the worker is about.
const NOTED_SECONDS: i64 = 10;
/// How long a failure is told of.
const TOLD_SECONDS: i64 = 24 * 3600;
/// How long chores are kept after they ended.
const KEPT_SECONDS: i64 = 100 * 24 * 3600;

/// What a process works with.
pub(crate) struct Worker {
    store: Store,
    maker: Maker,
    post: Post,
    judge: Arc<dyn Judge>,
    blobs: Blobs,
    counts: Counts,
    stopping: AtomicBool,
    /// What was said last of how it is.
    noted: Mutex<Option<Seen>>,
}

impl Worker {
    pub(crate) async fn new(
        store: Store,
        sender: Sender,
        post: Post,
        judge: PolicyJudge,
        blobs: Blobs,
    ) -> anyhow::Result<Self> {
        let maker = Maker::new(store.clone(), sender).await?;
        let (counts, stopping) = (Counts::default(), AtomicBool::new(false));
        let judge: Arc<dyn Judge> = Arc::new(judge);
        Ok(Self { store, maker, post, judge, blobs, counts, stopping, noted: Mutex::new(None) })
    }

    /// What has been done so far.
    pub(crate) fn counts(&self) -> &Counts {
        &self.counts
    }

    /// Does all that is due by now; says how much is failing.
    pub(crate) async fn round(&self, clock: &Clock) -> u64 {
        let mut failing = 0;
        match self.store.organizations().await {
            Ok(organizations) => {
                for organization in organizations {
                    failing += self.of_organization(organization, clock).await.unwrap_or_else(|error| {
                        tracing::error!(%error, organization.id = %organization, "the night shift broke off");
                        1
                    });
                }
            }
            Err(error) => {
                tracing::error!(%error, "the organizations cannot be read");
                failing += 1;
            }
        }
        self.counts.set_failing(failing);
        failing
    }

    /// The same, again and again: whoever asks is told that somebody is about.
    pub(crate) async fn watch(&self, clock: &Clock) {
        let failing = self.round(clock).await;
        self.note(Seen { seen_at: clock.now(), failing }).await;
    }

    /// Says that it is about: not each second, but at once where more fails or less.
    async fn note(&self, seen: Seen) {
        let before = *self.noted.lock().unwrap_or_else(PoisonError::into_inner);
        let is_known = before.is_some_and(|before| {
            let next = before.seen_at.plus_seconds(NOTED_SECONDS);
            before.failing == seen.failing && (before.seen_at..next).contains(&seen.seen_at)
        });
        if is_known {
            return;
        }
        match self.store.note_worker(NIGHTLY, seen).await {
            Ok(()) => *self.noted.lock().unwrap_or_else(PoisonError::into_inner) = Some(seen),
            Err(error) => tracing::error!(%error, "the night shift cannot say that it is about"),
        }
    }

    /// Does all that is due on a date, wherever a list is, at each of their times in turn; says how much is failing.
    pub(crate) async fn date(&self, date: LocalDate) -> Result<u64> {
        let mut times = BTreeSet::new();
        for organization in self.store.organizations().await? {
            for list in self.store.mail_lists(organization).await? {
                let Some(at) = dates::due_at(&list.fields, date) else { continue };
                times.insert(at);
                self.store.want_chore(organization, ChoreKind::Digest, chore_name(&list, date), at).await?;
            }
        }
        let mut failing = 0;
        for at in times {
            failing = self.round(&Clock::starting_at(at)).await;
        }
        Ok(failing)
    }

    /// Has the present round end before its next piece of work.
    pub(crate) fn stop(&self) {
        self.stopping.store(true, Ordering::SeqCst);
    }

    async fn of_organization(&self, organization: OrganizationId, clock: &Clock) -> Result<u64> {
        self.want(organization, clock.now()).await?;
        // First, so that a digest tells what is due by now.
        let now = clock.now();
        let leased = advance::lease(now);
        if let Some(chore) = self.store.take_chore(organization, ChoreKind::Advance, now, leased).await? {
            let ending = advance::advance(&self.store, &chore, &self.judge, clock).await;
            self.store.end_chore(&chore, ending, clock.now()).await?;
            self.store.forget_chores(organization, clock.now().plus_seconds(-KEPT_SECONDS)).await?;
        }
        while let Some(chore) = self.take(organization, ChoreKind::Digest, clock, LEASE_SECONDS).await? {
            self.digest(&chore, clock).await?;
        }
        self.mails(organization, clock).await?;
        while let Some(chore) = self.take(organization, ChoreKind::Blobs, clock, LEASE_SECONDS).await? {
            let ending = blobs::clear(&self.store, &self.blobs, &chore, clock).await;
            self.store.end_chore(&chore, ending, clock.now()).await?;
        }
        let now = clock.now();
        let (told, late) = (now.plus_seconds(-TOLD_SECONDS), now.plus_seconds(-LATE_SECONDS));
        self.store.failing_chores(organization, told, late, now).await
    }

    async fn take(
        &self,
        organization: OrganizationId,
        kind: ChoreKind,
        clock: &Clock,
        lease_seconds: i64,
    ) -> Result<Option<Chore>> {
        if self.stopping.load(Ordering::SeqCst) {
            return Ok(None);
        }
        let now = clock.now();
        self.store.take_chore(organization, kind, now, now.plus_seconds(lease_seconds)).await
    }

    /// Has the next digest of each list wanted, and the advance.
    async fn want(&self, organization: OrganizationId, now: Instant) -> Result<()> {
        if self.store.open_chores(organization, ChoreKind::Advance).await?.is_empty() {
            self.store.want_chore(organization, ChoreKind::Advance, ADVANCE.to_owned(), now).await?;
        }
        if self.store.open_chores(organization, ChoreKind::Blobs).await?.is_empty() {
            self.store.want_chore(organization, ChoreKind::Blobs, blobs::chore_name(now), now).await?;
        }
        let open = self.store.open_chores(organization, ChoreKind::Digest).await?;
        let mut by_list: BTreeMap<&str, &OpenChore> = BTreeMap::new();
        for chore in &open {
            by_list.extend(chore.name.split_once('/').map(|(list, _)| (list, chore)));
        }
        for list in self.store.mail_lists(organization).await? {
            match by_list.get(list.id.to_string().as_str()) {
                Some(chore) => self.hurry(organization, &list, chore).await?,
                None => self.want_next(organization, &list, now).await?,
            }
        }
        Ok(())
    }

    async fn want_next(&self, organization: OrganizationId, list: &MailList, after: Instant) -> Result<()> {
        let Some((date, at)) = dates::next(&list.fields, after) else { return Ok(()) };
        self.store.want_chore(organization, ChoreKind::Digest, chore_name(list, date), at).await
    }

    /// A list that was given an earlier time, or a zone further east, has its digest earlier from today on.
    async fn hurry(&self, organization: OrganizationId, list: &MailList, chore: &OpenChore) -> Result<()> {
        let date = chore.name.split_once('/').and_then(|(_, date)| LocalDate::parse(date).ok());
        match date.and_then(|date| dates::due_at(&list.fields, date)) {
            // What was tried already waits for its next try.
            Some(at) if at < chore.at && !chore.is_tried => {
                self.store.hurry_chore(organization, ChoreKind::Digest, chore.name.clone(), at).await
            }
            _ => Ok(()),
        }
    }

    /// Makes the digest of a list, or says why not.
    async fn digest(&self, chore: &Chore, clock: &Clock) -> Result<()> {
        let now = clock.now();
        let lists = self.store.mail_lists(chore.organization).await?;
        let of_chore = chore.name.split_once('/').and_then(|(list, date)| {
            let list = lists.into_iter().find(|known| known.id.to_string() == list)?;
            Some((list, LocalDate::parse(date).ok()?))
        });
        let Some((list, date)) = of_chore else { return self.end(chore, Ending::Withdrawn, now).await };
        let (due_at, today) = (dates::due_at(&list.fields, date), dates::date_of(&list.fields, now));
        let (Some(due_at), Some(today)) = (due_at, today) else {
            return self.end(chore, Ending::Withdrawn, now).await;
        };
        if due_at > now {
            // The list has been given a later time, or another zone.
            return self.end(chore, Ending::Again { at: due_at, error: String::new() }, now).await;
        }
        if today > date {
            return self.missed(chore, &list, date, today, now).await;
        }
        match self.maker.make(chore.organization, &list, date, now).await {
            Ok(new) => {
                let (outcome, failure) = (new.digest.outcome, new.failure.clone());
                if self.store.keep_digest(chore, new).await? {
                    tracing::info!(mail_list.id = %list.id, %date, ?outcome, "digest made");
                    self.tell(chore, &failure.map_or(Ending::Done, |error| Ending::Failed { error }));
                }
                Ok(())
            }
            Err(error) => {
                tracing::error!(%error, mail_list.id = %list.id, %date, attempt = chore.attempts, "digest not made");
                let at = now.plus_seconds(wait(chore.attempts));
                self.end(chore, Ending::Again { at, error: error.to_string() }, now).await
            }
        }
    }

    /// Nobody worked at the list's time on some dates: that is told, and today's digest is made at once if it is time.
    async fn missed(
        &self,
        chore: &Chore,
        list: &MailList,
        date: LocalDate,
        today: LocalDate,
        now: Instant,
    ) -> Result<()> {
        let days = today.days_since(date);
        let dates: Vec<LocalDate> = (0..days).map(|day| date.plus_days(day)).collect();
        tracing::error!(mail_list.id = %list.id, from = %date, days, "digests were missed");
        self.store.note_missed(chore.organization, list.id, dates, now).await?;
        if let Some(at) = dates::due_at(&list.fields, today) {
            let name = chore_name(list, today);
            self.store.want_chore(chore.organization, ChoreKind::Digest, name, at).await?;
        }
        // Last, so that whoever is interrupted before it is followed by somebody who does all of it again.
        let error = format!("nobody made the digest from {date} on for {days} days");
        self.end(chore, Ending::Failed { error }, now).await
    }

    /// Sends the mails that are wanted, as long as there is a server to talk to: one that hangs must not hold up the rest.
    async fn mails(&self, organization: OrganizationId, clock: &Clock) -> Result<()> {
        // Longer than the server may take to answer all that it is asked for one mail.
        let lease = LEASE_SECONDS + self.post.longest_seconds();
        let mut in_vain = 0;
        while in_vain < MOST_IN_VAIN
            && let Some(chore) = self.take(organization, ChoreKind::Mail, clock, lease).await?
        {
            in_vain = if self.mail(&chore, clock).await? { 0 } else { in_vain + 1 };
        }
        Ok(())
    }

    /// Sends a mail, if its recipient may still have it; says whether the server could be spoken to.
    async fn mail(&self, chore: &Chore, clock: &Clock) -> Result<bool> {
        let now = clock.now();
        let Some(mail) = self.store.mail(chore).await? else {
            return self.end(chore, Ending::Withdrawn, now).await.map(|()| true);
        };
        let Some(address) = self.maker.still_gets(chore.organization, &mail, now).await? else {
            return self.end_mail(chore, &mail, Ending::Withdrawn, None, now).await.map(|()| true);
        };
        let sent = match letter(&self.maker, chore.organization, &mail, &address) {
            Ok(bytes) => self.post.send(&address, &chore.name.replace('/', "."), bytes).await,
            Err(error) => Err(NotSent::NotNow(error.to_string())),
        };
        let now = clock.now();
        let is_reached = !matches!(sent, Err(NotSent::Unreachable(_)));
        let ended = match sent {
            Ok(()) => self.end_mail(chore, &mail, Ending::Done, None, now).await,
            Err(NotSent::Refused(error)) => {
                let ending = Ending::Failed { error: error.clone() };
                self.end_mail(chore, &mail, ending, Some(error), now).await
            }
            Err(error) if now >= chore.since.plus_seconds(MAIL_SECONDS) => {
                self.end_mail(chore, &mail, Ending::Failed { error: error.to_string() }, None, now).await
            }
            Err(error) => {
                let ending =
                    Ending::Again { at: now.plus_seconds(wait(chore.attempts)), error: error.to_string() };
                self.end_mail(chore, &mail, ending, None, now).await
            }
        };
        ended.map(|()| is_reached)
    }

    /// Says what became of a mail; that it was sent is said again and again, since nobody may send it once more.
    async fn end_mail(
        &self,
        chore: &Chore,
        mail: &Mail,
        ending: Ending,
        refused: Option<String>,
        now: Instant,
    ) -> Result<()> {
        self.tell(chore, &ending);
        let tries = if matches!(ending, Ending::Done) { MARK_TRIES } else { 1 };
        for tried in 1.. {
            match self.store.end_mail(chore, mail, ending.clone(), refused.clone(), now).await {
                Err(error) if tried < tries => {
                    tracing::warn!(%error, name = chore.name, "a mail was sent and cannot be marked yet");
                    tokio::time::sleep(MARK_WAIT).await;
                }
                ended => return ended.map(drop),
            }
        }
        Ok(())
    }

    async fn end(&self, chore: &Chore, ending: Ending, now: Instant) -> Result<()> {
        self.tell(chore, &ending);
        self.store.end_chore(chore, ending, now).await.map(drop)
    }

    /// No failure is silent: the log has it, the metrics count it, and `/readyz` says it.
    fn tell(&self, chore: &Chore, ending: &Ending) {
        let kind = chore.kind.as_str();
        let how = match ending {
            Ending::Done => How::Done,
            Ending::Withdrawn => How::Withdrawn,
            Ending::Again { error, .. } => {
                if !error.is_empty() {
                    tracing::warn!(
                        kind,
                        name = chore.name,
                        attempt = chore.attempts,
                        error,
                        "to be tried again"
                    );
                }
                How::Again
            }
            Ending::Failed { error } => {
                tracing::error!(kind, name = chore.name, attempt = chore.attempts, error, "failed");
                How::Failed
            }
        };
        self.counts.count(chore.kind, how);
    }
}

/// How long to wait after so many attempts: twice as long each time, and a little more or less, so that what failed
/// together does not come back together.
fn wait(attempts: i64) -> i64 {
    let doublings = u32::try_from(attempts.clamp(1, 10) - 1).unwrap_or(0);
    let seconds = (FIRST_WAIT_SECONDS << doublings).min(LONGEST_WAIT_SECONDS);
    seconds + fastrand::i64(-seconds / 5..=seconds / 5)
}
