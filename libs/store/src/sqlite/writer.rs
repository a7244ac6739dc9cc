//! The one thread that writes to SQLite. What waits is written in groups with one flush to disk for all: each write is a
//! savepoint of its own, and nobody is answered before the group is committed.

use std::{
    collections::VecDeque,
    panic::{AssertUnwindSafe, catch_unwind},
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
        mpsc::{Receiver, SyncSender, TryRecvError, TrySendError, sync_channel},
    },
    thread,
    time::{Duration, Instant},
};

use diesel::{
    connection::{AnsiTransactionManager as Transactions, SimpleConnection, TransactionManager},
    prelude::*,
    sql_query,
    sql_types::BigInt,
};

use super::{
    Conn,
    door::connect,
    taken::{self, Group},
};
use crate::error::{Result, StoreError};

/// A write within a group, run without a connection if there can be no group; what it gives is called with whether the
/// group was committed.
pub(super) type Job = Box<dyn FnOnce(Option<&mut Conn>) -> Answer + Send>;
type Answer = Box<dyn FnOnce(bool)>;

/// Whether somebody waits for a write.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Urgency {
    /// A request does.
    Request,
    /// Nobody does: it comes after requests, unless it has waited for several groups of them.
    Chore,
}

/// A group is closed after so many requests,
const GROUP_MOST: usize = 64;
/// or so long after it was begun.
const GROUP_TIME: Duration = Duration::from_millis(5);
/// Chores are done for so long before requests are looked for again,
const CHORES_TIME: Duration = Duration::from_millis(10);
/// and at the latest after so many groups of requests, so that steady requests do not put them off for ever.
const GROUPS_BEFORE_CHORES: usize = 4;

/// The way to the thread that writes.
#[derive(Clone)]
pub(super) struct Writer {
    jobs: SyncSender<(Urgency, Job)>,
    /// The last group that was committed.
    committed: Arc<AtomicU64>,
}

impl Writer {
    /// Starts the thread; `queue` writes may stand before it.
    pub(super) fn start(file: &str, queue: usize) -> Result<Self> {
        let conn = writing(file)?;
        let (sender, jobs) = sync_channel(queue);
        let committed = Arc::new(AtomicU64::new(0));
        let thread = Thread {
            file: file.to_owned(),
            conn,
            jobs,
            chores: VecDeque::new(),
            groups: 0,
            committed: Arc::clone(&committed),
        };
        thread::Builder::new()
            .name("store-writer".into())
            .spawn(move || thread.run())
            .map_err(|e| StoreError::Unreachable(e.to_string()))?;
        Ok(Self { jobs: sender, committed })
    }

    /// The last group of writes that a transaction sees which begins now, at least.
    pub(super) fn committed(&self) -> Group {
        self.committed.load(Ordering::Acquire)
    }

    pub(super) fn send(&self, urgency: Urgency, job: Job) -> Result<()> {
        self.jobs.try_send((urgency, job)).map_err(|error| match error {
            TrySendError::Full(_) => StoreError::Busy,
            TrySendError::Disconnected(_) => StoreError::Stopped,
        })
    }
}

/// The connection that writes. Pages that many writes change are kept, and copied into the database less often than they
/// change. What a savepoint may need again stays in memory: copied to a file it took a good part of the time.
fn writing(file: &str) -> Result<Conn> {
    let mut conn = connect(file)?;
    conn.batch_execute(
        "PRAGMA cache_size = -16000; PRAGMA wal_autocheckpoint = 4000; PRAGMA temp_store = MEMORY;",
    )?;
    Ok(conn)
}

struct Thread {
    file: String,
    conn: Conn,
    jobs: Receiver<(Urgency, Job)>,
    chores: VecDeque<Job>,
    /// Groups of requests since chores began to wait.
    groups: usize,
    committed: Arc<AtomicU64>,
}

impl Thread {
    fn run(mut self) {
        while let Some(first) = self.next() {
            if self.group(first).is_err() {
                // A connection on which a write panicked or a group was lost is not trusted again.
                let Ok(fresh) = writing(&self.file) else { return };
                self.conn = fresh;
                taken::reconnected();
            }
        }
    }

    /// The next write, requests first as long as chores have not waited too long; nothing when nobody can send one any
    /// more.
    fn next(&mut self) -> Option<(Urgency, Job)> {
        while self.chores.is_empty() || self.groups < GROUPS_BEFORE_CHORES {
            let came = if self.chores.is_empty() {
                self.jobs.recv().map_err(|_| TryRecvError::Disconnected)
            } else {
                self.jobs.try_recv()
            };
            match came {
                Ok((Urgency::Request, job)) => {
                    self.groups += 1;
                    return Some((Urgency::Request, job));
                }
                Ok((Urgency::Chore, job)) => self.put_off(job),
                Err(_) => break,
            }
        }
        self.groups = 0;
        self.chores.pop_front().map(|job| (Urgency::Chore, job))
    }

    fn put_off(&mut self, chore: Job) {
        if self.chores.is_empty() {
            self.groups = 0;
        }
        self.chores.push_back(chore);
    }

    /// Writes one group: what waits of the first one's urgency, as far as the bounds of a group allow.
    fn group(&mut self, (urgency, first): (Urgency, Job)) -> std::result::Result<(), Lost> {
        let began = Instant::now();
        // It takes the write lock at once, because a reader's snapshot cannot be upgraded.
        if let Err(error) = Transactions::begin_transaction_sql(&mut self.conn, "BEGIN IMMEDIATE") {
            tracing::warn!(%error, "a group of writes could not begin");
            first(None)(false);
            return Ok(());
        }
        let number = taken::begin_group(version(&mut self.conn));
        let mut answers = Vec::new();
        let done = self.fill(urgency, first, began, &mut answers).and_then(|()| {
            Transactions::commit_transaction(&mut self.conn).map_err(|error| {
                tracing::error!(%error, "a group of writes was not committed");
                Lost
            })
        });
        if done.is_ok() {
            self.committed.store(number, Ordering::Release);
        }
        for answer in answers {
            answer(done.is_ok());
        }
        done
    }

    fn fill(
        &mut self,
        urgency: Urgency,
        first: Job,
        began: Instant,
        answers: &mut Vec<Answer>,
    ) -> std::result::Result<(), Lost> {
        let mut job = Some(first);
        while let Some(write) = job.take() {
            match catch_unwind(AssertUnwindSafe(|| write(Some(&mut self.conn)))) {
                Ok(answer) => answers.push(answer),
                Err(_) => {
                    tracing::error!("a write panicked; its group was given up");
                    return Err(Lost);
                }
            }
            job = match urgency {
                Urgency::Request if answers.len() >= GROUP_MOST || began.elapsed() >= GROUP_TIME => None,
                Urgency::Request => self.waiting_request(),
                Urgency::Chore if began.elapsed() >= CHORES_TIME => None,
                Urgency::Chore => self.chores.pop_front(),
            };
        }
        Ok(())
    }

    fn waiting_request(&mut self) -> Option<Job> {
        loop {
            match self.jobs.try_recv().ok()? {
                (Urgency::Request, job) => return Some(job),
                (Urgency::Chore, job) => self.put_off(job),
            }
        }
    }
}

/// A group came to nothing.
struct Lost;

#[derive(QueryableByName)]
struct Version {
    #[diesel(sql_type = BigInt)]
    data_version: i64,
}

/// A number that changes when another connection writes to the file.
fn version(conn: &mut Conn) -> Option<i64> {
    let read: QueryResult<Version> = sql_query("PRAGMA data_version").get_result(conn);
    read.map(|version| version.data_version).inspect_err(|error| tracing::warn!(%error, "no version")).ok()
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;

    use super::*;

    fn job(sql: &'static str, told: SyncSender<bool>) -> Job {
        Box::new(move |conn| {
            let written = conn.is_some_and(|conn| conn.batch_execute(sql).is_ok());
            Box::new(move |committed| assert!(told.send(written && committed).is_ok()))
        })
    }

    /// Holds the writer until the returned sender is dropped, so that what is sent meanwhile forms one group.
    fn hold(writer: &Writer) -> std::sync::mpsc::Sender<()> {
        let (go, gone) = channel::<()>();
        let (entered, inside) = channel();
        let holding: Job = Box::new(move |_| {
            let _ = entered.send(());
            let _ = gone.recv();
            Box::new(|_| {})
        });
        assert!(writer.send(Urgency::Request, holding).is_ok());
        inside.recv().unwrap();
        go
    }

    #[test]
    fn a_group_that_is_not_committed_is_told_to_all_of_it_and_hurts_no_other() {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("sqlite:{}", folder.path().join("keepstart.db").display());
        crate::migrate(&address.parse().unwrap()).unwrap();
        let file = super::super::door::existing(&folder.path().join("keepstart.db").display().to_string());
        let writer = Writer::start(&file, 16).ok().unwrap();
        let good = "INSERT INTO secret VALUES ('a', x'00')";
        // Breaks the commit, not the statement.
        let bad = "PRAGMA defer_foreign_keys = ON; INSERT INTO feed SELECT x'01', x'01', 1, NULL, 'site', x'01'; \
                   INSERT INTO change_log (organization, seq, recorded_at, row_kind, channel, edit_id, format, record_kind, \
                   record_id, author, stamp_raw, stamp_effective, body, content_hash, leaf_hash) \
                   VALUES (x'01', 1, 1, 'edit', 'rest', x'01', 1, 'site', x'01', x'01', '', '', '', x'', x'')";
        for (name, second, expected) in
            [("both stand", "SELECT 1", [true, true]), ("one breaks the commit", bad, [false, false])]
        {
            let go = hold(&writer);
            let (told, heard) = sync_channel(2);
            let (told_too, heard_too) = sync_channel(2);
            let first = if name == "both stand" { good } else { "DELETE FROM secret" };
            assert!(writer.send(Urgency::Request, job(first, told)).is_ok());
            assert!(writer.send(Urgency::Request, job(second, told_too)).is_ok());
            drop(go);
            assert_eq!([heard.recv().unwrap(), heard_too.recv().unwrap()], expected, "{name}");
        }
        let (told, heard) = sync_channel(1);
        let again = "INSERT INTO secret VALUES ('b', x'00')";
        assert!(writer.send(Urgency::Request, job(again, told)).is_ok());
        assert!(heard.recv().unwrap(), "the writer goes on");
        let mut conn = connect(&file).ok().unwrap();
        // What the lost group deleted is still there: the second insert of it collides.
        assert!(conn.batch_execute(good).is_err());
    }

    #[test]
    fn chores_come_after_requests() {
        let folder = tempfile::tempdir().unwrap();
        let address = format!("sqlite:{}", folder.path().join("keepstart.db").display());
        crate::migrate(&address.parse().unwrap()).unwrap();
        let file = super::super::door::existing(&folder.path().join("keepstart.db").display().to_string());
        let writer = Writer::start(&file, 16).ok().unwrap();
        let go = hold(&writer);
        let (told, heard) = channel();
        for (name, urgency) in [("chore", Urgency::Chore), ("a", Urgency::Request), ("b", Urgency::Request)] {
            let told = told.clone();
            let job: Job = Box::new(move |_| {
                let _ = told.send(name);
                Box::new(|_| {})
            });
            assert!(writer.send(urgency, job).is_ok());
        }
        drop(go);
        let order: Vec<_> = (0..3).map(|_| heard.recv().unwrap()).collect();
        assert_eq!(order, ["a", "b", "chore"]);
    }

    #[test]
    fn steady_requests_do_not_put_chores_off_for_ever() {
        let (sender, jobs) = sync_channel(64);
        let nothing = || -> Job { Box::new(|_| Box::new(|_| {})) };
        let folder = tempfile::tempdir().unwrap();
        let file = format!("file:{}", folder.path().join("empty.db").display());
        let mut thread = Thread {
            file: file.clone(),
            conn: connect(&file).ok().unwrap(),
            jobs,
            chores: VecDeque::new(),
            groups: 9,
            committed: Arc::default(),
        };
        sender.send((Urgency::Chore, nothing())).unwrap();
        for _ in 0..20 {
            sender.send((Urgency::Request, nothing())).unwrap();
        }
        let order: Vec<bool> =
            (0..GROUPS_BEFORE_CHORES + 2).map(|_| thread.next().unwrap().0 == Urgency::Chore).collect();
        let place = order.iter().position(|chore| *chore);
        assert_eq!(place, Some(GROUPS_BEFORE_CHORES), "{order:?}");
    }
}
