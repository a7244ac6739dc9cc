//! A sync: the queue is sent, what changed is taken, until nothing is left. No answer of any kind makes an edit disappear.

use model::Instant;

use crate::{
    backoff::Backoff,
    batch::{self, Batch},
    disk::{Device, Disk, Enrolment, State, device, edits},
    error::{Error, Result},
    outside::{Asked, CodeFor, Method, People, Reply, Surroundings, Wire},
    replica::{self, KEPT_FOR_DAYS, Taken},
    wire::{Answer, Problem, Pull, Request, Reset, SiteSum, request},
};

/// So many times a sync begins afresh at most, before it is left for later.
const FRESH_MOST: u32 = 5;

/// All that a sync needs from outside.
pub struct Outside<'a> {
    /// Time and chance.
    pub around: &'a mut dyn Surroundings,
    /// Tokens and codes.
    pub people: &'a mut dyn People,
    /// The way to the service.
    pub wire: &'a mut dyn Wire,
}

/// What a sync came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Synced {
    /// How it ended.
    pub ended: Ended,
    /// How many requests it took, those for enrolment and fingerprints included.
    pub requests: u32,
    /// How many edits had their first answer; those that waited at the service and were offered again had it before.
    pub answered: usize,
    /// How many changes were taken.
    pub changes: usize,
    /// How many records of the copy were mended, since a fingerprint did not agree.
    pub mended: usize,
    /// What became of photos, after all that.
    pub photos: PhotosSynced,
}

/// How a sync ended. Whatever it was, the queue is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ended {
    /// All was sent, and all was told.
    Done,
    /// Whoever is signed in has to sign in again.
    SignIn,
    /// A coordinator has to make a code.
    NeedsCode(CodeFor),
    /// The service does not answer, or is busy.
    Later,
    /// It was told to stop.
    Stopped,
    /// The service says what this program does not know: it has to be brought up to date.
    Update,
    /// Some records here are not what the service has, and what differs could not be fetched.
    Differs,
    /// The service does not take the request as it is.
    Mistake(Problem),
}

/// What came of asking once.
enum Came {
    Reply(Reply),
    /// There was nothing to go by; some time has passed.
    Again,
}

/// A step that may end the sync.
type Step<T> = Result<std::result::Result<T, Ended>>;

/// Goes on with what a step gave, or ends.
macro_rules! go {
    ($step:expr) => {
        match $step? {
            Ok(found) => found,
            Err(ended) => return Ok(Err(ended)),
        }
    };
}

mod enrol;
mod mend;
mod photos;

pub use self::photos::PhotosSynced;
use self::photos::Which;

/// Syncs until nothing is left.
pub(crate) fn sync(disk: &mut Disk, outside: Outside<'_>) -> Result<Synced> {
    let mut run = Run::new(disk, outside);
    let ended = match run.whole()? {
        Ok(()) => Ended::Done,
        Err(ended) => ended,
    };
    // By the service's clock: that of the device may be years off.
    if let (Ended::Done, Some(now)) = (&ended, run.said_now) {
        let before = now.plus_seconds(-KEPT_FOR_DAYS * 24 * 3600);
        let here = run.now();
        run.disk.change(|conn| {
            edits::let_go(conn, before)?;
            let mut device = device::load(conn)?;
            device.synced_at = Some(here);
            device::save(conn, &device)
        })?;
    }
    // Whatever becomes of photos, all this is done. They go wherever edits do, whatever else is in the way.
    if run.drained {
        let which = if ended == Ended::Done { Which::All } else { Which::Own };
        let now = run.said_now.unwrap_or_else(|| run.now());
        photos::go(&mut run, which, now)?;
    } else {
        photos::count(&mut run)?;
    }
    Ok(Synced { ended, ..run.synced })
}

/// Sends and fetches photos alone, and goes on where that stopped.
pub(crate) fn send_photos(disk: &mut Disk, outside: Outside<'_>) -> Result<PhotosSynced> {
    let mut run = Run::new(disk, outside);
    let device = run.disk.look(device::load)?;
    let now = device.right(run.now());
    photos::go(&mut run, Which::All, now)?;
    Ok(run.synced.photos)
}

/// Enrols a handset that is not enrolled yet.
pub(crate) fn enrol(disk: &mut Disk, outside: Outside<'_>) -> Result<Synced> {
    let mut run = Run::new(disk, outside);
    let ended = run.enrol(CodeFor::First, None)?.err().unwrap_or(Ended::Done);
    Ok(Synced { ended, ..run.synced })
}

struct Run<'d, 'o> {
    disk: &'d mut Disk,
    outside: Outside<'o>,
    synced: Synced,
    backoff: Backoff,
    /// Whether nobody answered when it was asked last.
    silent: bool,
    /// Whether a new token was got since the last answer that took one.
    renewed: bool,
    /// Edits of a request at most: fewer after a line or a proxy took no more.
    most: usize,
    /// Whether edits that wait at the service have still to be offered.
    offer: bool,
    /// How often it began afresh.
    fresh: u32,
    /// Whether the queue has gone.
    drained: bool,
    /// What it cannot go on with; the queue is sent all the same.
    later: Option<Ended>,
    /// What the service's clock said last.
    said_now: Option<Instant>,
    /// The fingerprints that were told last, if nothing was told since.
    sums: Vec<SiteSum>,
}

impl<'d, 'o> Run<'d, 'o> {
    fn new(disk: &'d mut Disk, outside: Outside<'o>) -> Self {
        let photos = PhotosSynced::default();
        let synced = Synced { ended: Ended::Done, requests: 0, answered: 0, changes: 0, mended: 0, photos };
        let (most, later) = (usize::MAX, None);
        Self {
            disk,
            outside,
            synced,
            backoff: Backoff::default(),
            silent: false,
            renewed: false,
            most,
            offer: true,
            fresh: 0,
            drained: false,
            later,
            said_now: None,
            sums: Vec::new(),
        }
    }

    fn now(&mut self) -> Instant {
        self.outside.around.now()
    }

    fn whole(&mut self) -> Step<()> {
        if self.disk.look(device::enrolments)?.is_empty() {
            go!(self.enrol(CodeFor::First, None));
        }
        self.part_from_copies()?;
        loop {
            let more = go!(self.round());
            if !(self.part_from_copies()? || more) {
                self.drained = true;
                if self.later.is_some() || !self.disk.look(device::load)?.revoked {
                    break;
                }
                go!(self.enrol(CodeFor::Revoked, None));
            }
        }
        Ok(self.later.take().map_or(Ok(()), Err))
    }

    /// Has it enrolled anew if there are two copies of it; says whether it was.
    fn part_from_copies(&mut self) -> Result<bool> {
        if self.later.is_some() || !self.disk.look(device::load)?.forked {
            return Ok(false);
        }
        self.later = self.enrol(CodeFor::Forked, None)?.err();
        Ok(self.later.is_none())
    }

    /// Whether it goes on being told what changed: one of two copies is, too.
    fn pulls(&self) -> bool {
        matches!(self.later, None | Some(Ended::NeedsCode(CodeFor::Forked)))
    }

    /// One request with its answer; says whether there is more to do.
    fn round(&mut self) -> Step<bool> {
        let (offer, most) = (self.offer, self.most);
        let (device, batch) = self.disk.look(|conn| {
            let device = device::load(conn)?;
            let batch = batch::next(conn, &device, most, offer)?;
            Ok((device, batch))
        })?;
        let (under, body) = self.body(&device, &batch)?;
        let reply = match go!(self.ask(&device, Method::Post, "/v1/sync", &body)) {
            Came::Reply(reply) => reply,
            Came::Again => return Ok(Ok(true)),
        };
        if reply.status != 200 {
            return self.not_taken(&under, &batch, &reply);
        }
        let Ok(answer) = serde_json::from_slice::<Answer>(&reply.body) else {
            // Not from the service, or cut off.
            return Ok(self.wait(None)?.map(|()| true));
        };
        self.backoff.over();
        if answer.results.len() < batch.texts.len() {
            // It would be sent again and again.
            return Ok(Err(Ended::Update));
        }
        let now = answer.now().unwrap_or_else(|| self.now());
        self.said_now = Some(now);
        let taken = self.disk.change(|conn| replica::take(conn, &batch.sent, &answer, now))?;
        self.synced.answered += taken.first_answers;
        self.synced.changes += taken.changes;
        self.offer &= !batch.sent.offered;
        self.after(&taken, &answer)
    }

    /// The body of a request, and under which enrolment it goes.
    fn body(&mut self, device: &Device, batch: &Batch) -> Result<(Enrolment, Vec<u8>)> {
        let now = self.now();
        let (enrolments, (waiting, oldest)) =
            self.disk.look(|conn| Ok((device::enrolments(conn)?, edits::waiting(conn)?)))?;
        let under = enrolments.iter().find(|one| one.place == batch.sent.place).or(enrolments.last());
        let under = under.cloned().ok_or(Error::NotEnrolled)?;
        let of = Request {
            handset: under.handset,
            clock: now,
            boot: device.boot,
            cursor: device.cursor.clone(),
            waiting,
            oldest_waiting_at: oldest,
            pull: self.pulls(),
        };
        let texts: Vec<&str> = batch.texts.iter().map(String::as_str).collect();
        Ok((under, request(&of, &texts)?))
    }

    /// What follows from an answer that was taken; says whether there is more to do.
    fn after(&mut self, taken: &Taken, answer: &Answer) -> Step<bool> {
        match taken.pull {
            Some(Pull::Good) => self.sums = answer.fingerprints.clone().unwrap_or_default(),
            Some(Pull::Unknown) => self.later = Some(Ended::Update),
            Some(Pull::Reset(Reset::Restored | Reset::ScopeChanged)) => {
                self.fresh += 1;
                self.offer = true;
                if self.fresh > FRESH_MOST {
                    return Ok(Err(Ended::Later));
                }
            }
            _ => {}
        }
        let (device, queued, open) = self.disk.look(|conn| {
            let device = device::load(conn)?;
            let waiting = edits::behind(conn, &[State::Parked, State::Held], device.offered, 1)?;
            Ok((device, edits::count(conn, State::Queued)?, !waiting.is_empty()))
        })?;
        if device.more && self.pulls() || queued > 0 || open && self.offer {
            return Ok(Ok(true));
        }
        go!(self.mend(&device));
        Ok(Ok(false))
    }

    /// What follows from a request of which nothing was taken; says whether there is more to do.
    fn not_taken(&mut self, under: &Enrolment, batch: &Batch, reply: &Reply) -> Step<bool> {
        let problem = Problem::read(reply.status, &reply.body);
        match (problem.code(), reply.status) {
            ("handset_unknown", _) => {
                go!(self.enrol(CodeFor::Forgotten, Some(under)));
                self.begin_afresh()
            }
            ("cursor_invalid", _) => {
                self.disk.change(|conn| {
                    let mut device = device::load(conn)?;
                    replica::start_over(conn, &mut device)?;
                    device::save(conn, &device)
                })?;
                self.begin_afresh()
            }
            (_, 408 | 413 | 422) if batch.texts.len() > 1 => {
                self.most = batch.texts.len() / 2;
                Ok(Ok(true))
            }
            (_, 408) => Ok(self.wait(reply.retry_after)?.map(|()| true)),
            _ => Ok(Err(Ended::Mistake(problem))),
        }
    }

    fn begin_afresh(&mut self) -> Step<bool> {
        self.fresh += 1;
        Ok(if self.fresh > FRESH_MOST { Err(Ended::Later) } else { Ok(true) })
    }

    /// Asks once. A token that is not good any more, and a service that does not answer or asks to wait, are seen to here.
    fn ask(&mut self, device: &Device, method: Method, path: &str, body: &[u8]) -> Step<Came> {
        let Some(token) = self.outside.people.token(device.person) else { return Ok(Err(Ended::SignIn)) };
        let url = format!("{}{path}", device.service);
        self.synced.requests += 1;
        let reply = self.outside.wire.ask(&Asked { method, url: &url, token: &token, body });
        self.silent = reply.is_err();
        let waits = match &reply {
            Err(_) => Some(None),
            // There is no room for this photo; others may have theirs.
            Ok(reply) if reply.status == 507 && matches!(method, Method::PutPart { .. }) => None,
            Ok(reply) if matches!(reply.status, 429 | 500..=599) => Some(reply.retry_after),
            Ok(_) => None,
        };
        match (waits, reply) {
            (None, Ok(reply)) if reply.status == 401 => {
                if self.renewed || self.outside.people.new_token(device.person).is_none() {
                    return Ok(Err(Ended::SignIn));
                }
                self.renewed = true;
                Ok(Ok(Came::Again))
            }
            (None, Ok(reply)) => {
                self.renewed = false;
                Ok(Ok(Came::Reply(reply)))
            }
            (waits, _) => Ok(self.wait(waits.flatten())?.map(|()| Came::Again)),
        }
    }

    /// Waits before the same is tried again, with the file left to other programs: people go on writing.
    fn wait(&mut self, asked: Option<std::time::Duration>) -> Step<()> {
        let chance = self.outside.around.chance();
        let Some(wait) = self.backoff.next(asked, chance) else { return Ok(Err(Ended::Later)) };
        if self.silent {
            self.outside.around.no_answer();
        }
        self.disk.leave();
        let waited = self.outside.around.wait(wait);
        self.disk.come_back()?;
        Ok(if waited { Ok(()) } else { Err(Ended::Stopped) })
    }

    /// Asks until there is an answer.
    fn answered(&mut self, method: Method, path: &str, body: &[u8]) -> Step<Reply> {
        loop {
            let device = self.disk.look(device::load)?;
            if let Came::Reply(reply) = go!(self.ask(&device, method, path, body)) {
                self.backoff.over();
                return Ok(Ok(reply));
            }
        }
    }
}
