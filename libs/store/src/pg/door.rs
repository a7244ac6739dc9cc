//! The two doors to a transaction on PostgreSQL.

use std::{sync::Arc, time::Duration};

use diesel::{
    Connection,
    r2d2::{ConnectionManager, CustomizeConnection, Pool as R2d2},
};
use tokio::sync::Semaphore;

use super::{Conn, dialect, ops::write};
use crate::{
    body::Body,
    command::Command,
    door::{Writers, on_a_blocking_thread, place},
    error::{Result, StoreError},
    key::Key,
    locks::{Attempt, Locks},
};

/// How often a transaction is run again after a deadlock, a serialization failure or a colliding edit id.
const TRIES: usize = 5;

/// The connections, with a fair queue before them.
#[derive(Clone)]
pub(crate) struct Pool {
    connections: R2d2<ConnectionManager<Conn>>,
    all: Arc<Semaphore>,
    writers: Writers,
}

impl Pool {
    pub(crate) fn open(address: &str, size: u32) -> Result<Self> {
        dialect::require_fence(&mut Conn::establish(address).map_err(|e| StoreError::unreachable(&e))?)?;
        let connections = R2d2::builder()
            .max_size(size)
            .connection_timeout(Duration::from_secs(5))
            .connection_customizer(Box::new(Prepare))
            .build(ConnectionManager::new(address))
            .map_err(|e| StoreError::unreachable(&e))?;
        let places = usize::try_from(size).unwrap_or(1);
        // Writers get half the places, so that a storm of writes leaves reads answered.
        Ok(Self { connections, all: Arc::new(Semaphore::new(places)), writers: Writers::new(places / 2) })
    }

    pub(crate) async fn read<T: Send + 'static>(
        &self,
        organization: Key,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        self.run(move |conn| dialect::read(conn, organization, f)).await
    }

    pub(crate) async fn write<T: Send + 'static>(
        &self,
        organization: Key,
        mut f: impl FnMut(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let _turn = self.writers.turn(organization).await?;
        self.run(move |conn| {
            let mut tried = 0;
            loop {
                tried += 1;
                match dialect::write(conn, organization, &mut f) {
                    Err(error) if tried < TRIES && error.is_worth_another_try() => {
                        tracing::debug!(%error, tried, "again")
                    }
                    other => return other,
                }
            }
        })
        .await
    }

    /// Judges and writes a command's edits in one transaction, with `extra` locked beside what they name.
    pub(crate) async fn write_command(
        &self,
        command: Arc<Command>,
        bodies: Arc<Vec<Arc<Body>>>,
        extra: Locks,
    ) -> Result<Attempt> {
        let organization = Key::from(command.organization);
        self.write(organization, move |conn| write::write(conn, &command, &bodies, &extra)).await
    }

    /// As [`Self::write`]: nobody waits for it, but here it holds nobody up.
    pub(crate) async fn chore<T: Send + 'static>(
        &self,
        organization: Key,
        f: impl FnMut(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        self.write(organization, f).await
    }

    async fn run<T: Send + 'static>(
        &self,
        f: impl FnOnce(&mut Conn) -> Result<T> + Send + 'static,
    ) -> Result<T> {
        let place = place(&self.all).await?;
        let connections = self.connections.clone();
        on_a_blocking_thread(move || {
            let _place = place;
            let mut conn = connections.get().map_err(|e| StoreError::unreachable(&e))?;
            f(&mut conn)
        })
        .await
    }
}

#[derive(Debug)]
struct Prepare;

impl CustomizeConnection<Conn, diesel::r2d2::Error> for Prepare {
    fn on_acquire(&self, conn: &mut Conn) -> std::result::Result<(), diesel::r2d2::Error> {
        dialect::prepare(conn).map_err(diesel::r2d2::Error::QueryError)
    }
}
