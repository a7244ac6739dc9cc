//! The two doors to a transaction on SQLite: several readers, and one thread that writes in groups.

use std::{sync::Arc, time::Duration};

use diesel::{
    Connection,
    r2d2::{ConnectionManager, CustomizeConnection, Pool as R2d2},
};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, oneshot};

use super::{
    Conn, dialect,
    taken::Group,
    writer::{Job, Urgency, Writer},
};
use crate::{
    door::{Turn, Writers, on_a_blocking_thread, place},
    error::{Result, StoreError},
    key::Key,
};

/// How many writes may stand before the writer; more wait for their turn, and are told to come back if it takes long.
const QUEUE: usize = 256;

/// The readers' connections, and the way to the writer.
#[derive(Clone)]
pub(crate) struct Pool {
    readers: R2d2<ConnectionManager<Conn>>,
    places: Arc<Semaphore>,
    /// Places for those who plan what they will write. They have connections beside the readers', so that neither waits for
    /// the other.
    planners: Arc<Semaphore>,
    writer: Writer,
    writers: Writers,
}

impl Pool {
    pub(crate) fn open(file: &str, size: u32) -> Result<Self> {
        let file = existing(file);
        let writer = Writer::start(&file, QUEUE)?;
        let planners = (size / 2).max(1);
        let readers = R2d2::builder()
            .max_size(size.saturating_add(planners))
            .connection_timeout(Duration::from_secs(5))
            .connection_customizer(Box::new(Prepare))
            .build(ConnectionManager::new(file))
            .map_err(|e| StoreError::Unreachable(e.to_string()))?;
        let places = |of: u32| Arc::new(Semaphore::new(usize::try_from(of).unwrap_or(1)));
        let (places, planners) = (places(size), places(planners));
        Ok(Self { readers, places, planners, writer, writers: Writers::new(QUEUE) })
    }

    pub(crate) async fn read<T: Send + 'static>(
        &self,
        _organization: Key,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place = place(&self.places).await?;
        self.read_at(place, f).await
    }

    /// Reads on a connection for which there is a place.
    async fn read_at<T: Send + 'static>(
        &self,
        place: OwnedSemaphorePermit,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let readers = self.readers.clone();
        on_a_blocking_thread(move || {
            let _place = place;
            let mut conn = readers.get().map_err(|e| StoreError::Unreachable(e.to_string()))?;
            dialect::read(&mut conn, f)
        })
        .await
    }

    pub(crate) async fn write<T: Send + 'static>(
        &self,
        organization: Key,
        f: impl FnMut(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        self.queue(Urgency::Request, organization, f).await
    }

    /// As [`Self::write`], behind what somebody waits for, though not for ever.
    pub(crate) async fn chore<T: Send + 'static>(
        &self,
        organization: Key,
        f: impl FnMut(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        self.queue(Urgency::Chore, organization, f).await
    }

    async fn queue<T: Send + 'static>(
        &self,
        urgency: Urgency,
        organization: Key,
        mut f: impl FnMut(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let turn = self.writers.turn(organization).await?;
        self.answered(urgency, turn, move |conn| dialect::write(conn, &mut f)).await
    }

    /// Plans, on a reader's connection, what will be written; gives it with the last group that it has certainly seen. Whoever has
    /// a turn waits until there is a place.
    pub(super) async fn plan<T: Send + 'static>(
        &self,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<(Group, T)> {
        let place = Arc::clone(&self.planners).acquire_owned().await.map_err(|_| StoreError::Stopped)?;
        let writer = self.writer.clone();
        let planned = self.read_at(place, move |conn| {
            // Before the transaction reads: it sees at least what was committed by now.
            let since = writer.committed();
            Ok((since, f(conn)?))
        });
        planned.await
    }

    /// Waits for a turn among those who write.
    pub(super) async fn turn(&self, organization: Key) -> Result<Turn> {
        self.writers.turn(organization).await
    }

    /// Runs what was planned when its turn to write has come; it begins its own transactions within the group.
    pub(super) async fn in_turn<T: Send + 'static>(
        &self,
        urgency: Urgency,
        turn: Turn,
        write: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        self.answered(urgency, turn, write).await
    }

    async fn answered<T: Send + 'static>(
        &self,
        urgency: Urgency,
        turn: Turn,
        write: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let _turn = turn;
        let (answer, answered) = oneshot::channel();
        let span = tracing::Span::current();
        let job: Job = Box::new(move |conn| {
            let result = conn.map_or(Err(StoreError::Busy), |conn| span.in_scope(|| write(conn)));
            Box::new(move |committed| {
                let result = if committed { result } else { result.and(Err(StoreError::Busy)) };
                // The one who asked may have gone away; the write stands all the same.
                let _ = answer.send(result);
            })
        });
        self.writer.send(urgency, job)?;
        answered.await.map_err(|_| StoreError::Stopped)?
    }
}

/// The address of a file that must be there: a mistyped path must not become a new, empty database.
pub(crate) fn existing(file: &str) -> String {
    let escaped = file.replace('%', "%25").replace('?', "%3f").replace('#', "%23");
    format!("file:{escaped}?mode=rw")
}

pub(crate) fn connect(file: &str) -> Result<Conn> {
    let mut conn = Conn::establish(file).map_err(|e| StoreError::Unreachable(e.to_string()))?;
    dialect::prepare(&mut conn)?;
    Ok(conn)
}

#[derive(Debug)]
struct Prepare;

impl CustomizeConnection<Conn, diesel::r2d2::Error> for Prepare {
    fn on_acquire(&self, conn: &mut Conn) -> std::result::Result<(), diesel::r2d2::Error> {
        dialect::prepare(conn).map_err(diesel::r2d2::Error::QueryError)
    }
}
