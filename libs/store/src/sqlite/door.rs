//! The two doors to a transaction on SQLite: several readers, and one thread that writes in groups.

use std::{sync::Arc, time::Duration};

use diesel::{
    Connection,
    r2d2::{ConnectionManager, CustomizeConnection, Pool as R2d2},
};
use tokio::sync::{Semaphore, oneshot};

use super::{
    Conn, dialect,
    writer::{Job, Urgency, Writer},
};
use crate::{
    door::{Writers, on_a_blocking_thread, place},
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
    writer: Writer,
    writers: Writers,
}

impl Pool {
    pub(crate) fn open(file: &str, size: u32) -> Result<Self> {
        let file = existing(file);
        let writer = Writer::start(&file, QUEUE)?;
        let readers = R2d2::builder()
            .max_size(size)
            .connection_timeout(Duration::from_secs(5))
            .connection_customizer(Box::new(Prepare))
            .build(ConnectionManager::new(file))
            .map_err(|e| StoreError::Unreachable(e.to_string()))?;
        let places = Arc::new(Semaphore::new(usize::try_from(size).unwrap_or(1)));
        Ok(Self { readers, places, writer, writers: Writers::new(QUEUE) })
    }

    pub(crate) async fn read<T: Send + 'static>(
        &self,
        _organization: Key,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place = place(&self.places).await?;
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
        let _turn = self.writers.turn(organization).await?;
        let (answer, answered) = oneshot::channel();
        let span = tracing::Span::current();
        let job: Job = Box::new(move |conn| {
            let write = |conn| span.in_scope(|| dialect::write(conn, &mut f));
            let result = conn.map_or(Err(StoreError::Busy), write);
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
