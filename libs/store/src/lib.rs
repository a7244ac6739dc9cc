//! The change log and its folds, on SQLite and on PostgreSQL.
//!
//! The only crate that knows SQL. A [`Command`] goes in through [`Store::write`], the one transaction that writes:
//! it locks, reads, judges each edit, folds each unit that changed, and as its last step takes the organization's
//! counter and adds to the log. Everything else here reads.
//!
//! Which database it is follows from the scheme of its address; nobody above this crate can tell.
//!
//! ```
//! use model::OrganizationId;
//! use store::Store;
//!
//! # let folder = tempfile::tempdir().unwrap();
//! # let address = format!("sqlite:{}", folder.path().join("keepstart.db").display());
//! # tokio::runtime::Builder::new_multi_thread().enable_all().build().unwrap().block_on(async {
//! let address = address.parse().unwrap();
//! store::migrate(&address).unwrap();
//! let store = Store::open(&address, 4).unwrap();
//! let tarn_valley = OrganizationId::parse("019a0b5e-7c00-7000-8000-000000000001").unwrap();
//! assert!(store.create_organization(tarn_valley).await.unwrap());
//! assert!(store.check(tarn_valley).await.unwrap().differences.is_empty());
//! # });
//! ```

#![allow(clippy::duplicate_mod, reason = "one source text of queries is compiled once for each database")]

mod address;
#[doc(hidden)]
pub mod baseline;
pub mod blobs;
mod body;
pub mod chores;
pub mod command;
pub mod digests;
mod door;
mod error;
pub mod handsets;
pub mod imports;
mod key;
mod locks;
mod migrations;
mod parsed;
mod pg;
pub mod readiness;
mod reading;
pub mod report;
pub mod sent;
mod sqlite;
mod stored;
mod upkeep;
pub mod view;

use std::{collections::BTreeSet, sync::Arc};

use model::{EditId, Instant, OrganizationId};

pub use self::{
    address::Address,
    command::Command,
    error::{Result, StoreError},
    migrations::{migrate, revert_all, schema_dump},
};
use self::{
    body::Body,
    command::Outcome,
    key::Key,
    locks::{Attempt, Locks},
    sent::Parked,
    view::ItemChange,
};

/// What became of edits.
#[derive(Debug)]
pub struct Recorded {
    /// One outcome for each, in order.
    pub outcomes: Vec<Outcome>,
    /// One for each that could not be read, in order.
    pub unread: Vec<Outcome>,
    /// Due items that are other than they were.
    pub changes: Vec<ItemChange>,
    /// Parked edits that name something that has come.
    pub ready: BTreeSet<EditId>,
    /// Whether there are two copies of the handset.
    pub forked: bool,
}

/// How often a write is run again because reading named more records to lock.
const RESTARTS: usize = 8;

/// A database with its connections; cheap to clone.
#[derive(Clone)]
pub struct Store {
    backend: Backend,
}

#[derive(Clone)]
enum Backend {
    Postgres(pg::Pool),
    Sqlite(sqlite::Pool),
}

/// Runs `$body` for one organization through a door of whichever database it is, with that database's queries as `$ops`.
macro_rules! through {
    ($store:expr, $door:ident for $organization:expr, |$conn:ident, $ops:ident| $body:expr) => {
        match &$store.backend {
            $crate::Backend::Postgres(pool) => {
                pool.$door($organization, move |$conn| {
                    use $crate::pg::ops as $ops;
                    $body
                })
                .await
            }
            $crate::Backend::Sqlite(pool) => {
                pool.$door($organization, move |$conn| {
                    use $crate::sqlite::ops as $ops;
                    $body
                })
                .await
            }
        }
    };
}

pub(crate) use through;

impl Store {
    /// Opens a database with `connections` at most; its schema must be this binary's.
    pub fn open(address: &Address, connections: u32) -> Result<Self> {
        migrations::require_current(address)?;
        let backend = match address {
            Address::Postgres(url) => Backend::Postgres(pg::Pool::open(url, connections)?),
            Address::Sqlite(file) => Backend::Sqlite(sqlite::Pool::open(file, connections)?),
        };
        Ok(Self { backend })
    }

    /// Whether the database answers, to readers and to writers.
    pub async fn ping(&self) -> Result<()> {
        through!(self, read for Key::NIL, |conn, ops| ops::organizations::all(conn).map(drop))?;
        through!(self, write for Key::NIL, |conn, ops| ops::organizations::all(conn).map(drop))
    }

    /// Makes the counter of an organization, whose log is empty then; says whether it is new.
    pub async fn create_organization(&self, id: OrganizationId) -> Result<bool> {
        through!(self, write for Key::from(id), |conn, ops| ops::organizations::create(conn, Key::from(id)))
    }

    /// The secret of this name that all instances share; `fresh` becomes it where there is none yet.
    pub async fn secret(&self, name: &'static str, fresh: Vec<u8>) -> Result<Vec<u8>> {
        through!(self, write for Key::NIL, |conn, ops| ops::organizations::secret(conn, name, &fresh))
    }

    /// All organizations.
    pub async fn organizations(&self) -> Result<Vec<OrganizationId>> {
        let keys = through!(self, read for Key::NIL, |conn, ops| ops::organizations::all(conn))?;
        Ok(keys.into_iter().map(Key::id).collect())
    }

    /// Judges and records edits; one outcome for each, in order.
    pub async fn write(&self, command: Command) -> Result<Vec<Outcome>> {
        Ok(self.push(command).await?.outcomes)
    }

    /// Parked edits, as they have to be written to be tried again.
    pub async fn parked(&self, organization: OrganizationId, edits: BTreeSet<EditId>) -> Result<Vec<Parked>> {
        let organization = Key::from(organization);
        through!(self, read for organization, |conn, ops| ops::inbox::parked(conn, organization, &edits))
    }

    /// Parked edits that may be decided though nothing came that they name: they wait since before `since`, or their
    /// format is known by now.
    pub async fn overdue(
        &self,
        organization: OrganizationId,
        since: Instant,
        limit: i64,
    ) -> Result<BTreeSet<EditId>> {
        let organization = Key::from(organization);
        through!(self, read for organization, |conn, ops| ops::inbox::overdue(conn, organization, since, limit))
    }

    /// Judges edits and records nothing: what would become of each, and which due items would be others than now.
    pub async fn foresee(&self, command: Command) -> Result<(Vec<Outcome>, Vec<ItemChange>)> {
        let recorded = self.push(Command { dry_run: true, ..command }).await?;
        Ok((recorded.outcomes, recorded.changes))
    }

    /// The same, and says what else came of it.
    pub async fn push(&self, command: Command) -> Result<Recorded> {
        let organization = Key::from(command.organization);
        let (command, bodies) = door::on_a_blocking_thread(move || {
            let bodies: Result<Vec<_>> =
                command.edits.iter().map(|proposal| Body::of(proposal).map(Arc::new)).collect();
            bodies.map(|bodies| (Arc::new(command), Arc::new(bodies)))
        })
        .await?;
        if command.dry_run {
            let attempt = through!(self, read for organization, |conn, ops| {
                ops::write::write(conn, &command, &bodies, &Locks::new())
            })?;
            return match attempt {
                Attempt::Done(recorded, _) => Ok(recorded),
                Attempt::Again(_) => Err(StoreError::Busy),
            };
        }
        let mut locks = Locks::new();
        for _ in 0..RESTARTS {
            let (again, bodies) = (Arc::clone(&command), Arc::clone(&bodies));
            let attempt = match &self.backend {
                Backend::Postgres(pool) => pool.write_command(again, bodies, locks).await?,
                Backend::Sqlite(pool) => pool.write_command(again, bodies, locks).await?,
            };
            match attempt {
                Attempt::Done(recorded, stale) => {
                    if stale {
                        self.hurry_advance(command.organization, command.now).await;
                    }
                    return Ok(recorded);
                }
                Attempt::Again(more) => locks = more,
            }
        }
        Err(StoreError::Busy)
    }
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self.backend {
            Backend::Postgres(_) => "Store(PostgreSQL)",
            Backend::Sqlite(_) => "Store(SQLite)",
        })
    }
}
