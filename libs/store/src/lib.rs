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
mod body;
pub mod command;
mod door;
mod error;
mod key;
mod locks;
mod migrations;
mod parsed;
mod pg;
pub mod report;
mod sqlite;
pub mod view;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use model::{
    EditionId, EventId, Instant, OrganizationId, PersonId, ScheduleId, SiteId, UnitId,
    edit::{RecordKind, Target},
    person::GrantFields,
};
use tokio::sync::Notify;

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
    report::Report,
    view::{
        Among, DueQuery, DueRow, EditionView, EventQuery, EventView, Look, Page, RecordView, SiteQuery,
        SiteRow, UnitDue,
    },
};

/// How often a write is run again because reading named more records to lock.
const RESTARTS: usize = 8;

/// A database with its connections; cheap to clone.
#[derive(Clone)]
pub struct Store(Backend, Arc<Notify>);

#[derive(Clone)]
enum Backend {
    Postgres(pg::Pool),
    Sqlite(sqlite::Pool),
}

/// Runs `$body` for one organization through a door of whichever database it is, with that database's queries as `$ops`.
macro_rules! through {
    ($store:expr, $door:ident for $organization:expr, |$conn:ident, $ops:ident| $body:expr) => {
        match &$store.0 {
            Backend::Postgres(pool) => {
                pool.$door($organization, move |$conn| {
                    use pg::ops as $ops;
                    $body
                })
                .await
            }
            Backend::Sqlite(pool) => {
                pool.$door($organization, move |$conn| {
                    use sqlite::ops as $ops;
                    $body
                })
                .await
            }
        }
    };
}

impl Store {
    /// Opens a database with `connections` at most; its schema must be this binary's.
    pub fn open(address: &Address, connections: u32) -> Result<Self> {
        migrations::require_current(address)?;
        let backend = match address {
            Address::Postgres(url) => Backend::Postgres(pg::Pool::open(url, connections)?),
            Address::Sqlite(file) => Backend::Sqlite(sqlite::Pool::open(file, connections)?),
        };
        Ok(Self(backend, Arc::default()))
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
        let organization = Key::from(command.organization);
        let (command, bodies) = door::on_a_blocking_thread(move || {
            let bodies: Result<Vec<_>> =
                command.edits.iter().map(|proposal| Body::of(proposal).map(Arc::new)).collect();
            bodies.map(|bodies| (Arc::new(command), Arc::new(bodies)))
        })
        .await?;
        let mut locks = Locks::new();
        if command.dry_run {
            let attempt = through!(self, read for organization, |conn, ops| {
                ops::write::write(conn, &command, &bodies, &locks)
            })?;
            return match attempt {
                Attempt::Done { outcomes, .. } => Ok(outcomes),
                Attempt::Again(_) => Err(StoreError::Busy),
            };
        }
        for _ in 0..RESTARTS {
            let (command, bodies, extra) = (Arc::clone(&command), Arc::clone(&bodies), locks.clone());
            let attempt = through!(self, write for organization, |conn, ops| {
                ops::write::write(conn, &command, &bodies, &extra)
            })?;
            match attempt {
                Attempt::Done { outcomes, stale } => {
                    if stale {
                        self.1.notify_one();
                    }
                    return Ok(outcomes);
                }
                Attempt::Again(more) => locks = more,
            }
        }
        Err(StoreError::Busy)
    }

    /// Somebody's grants, those not in force included.
    pub async fn grants(&self, organization: OrganizationId, person: PersonId) -> Result<Vec<GrantFields>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::records::grants_of(conn, key, person))
    }

    /// One record, with what its asker may do and the sites that have it in scope, as they were at one moment.
    pub async fn look(&self, organization: OrganizationId, person: PersonId, target: Target) -> Result<Look> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::records::look(conn, key, person, target))
    }

    /// One record, if it is there.
    pub async fn record(&self, organization: OrganizationId, target: Target) -> Result<Option<RecordView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let stored = ops::records::find(conn, key, target)?;
            stored.map(|stored| ops::records::view(conn, key, target, &stored)).transpose()
        })
    }

    /// A page of sites by id; only `among` these where given.
    pub async fn sites(
        &self,
        organization: OrganizationId,
        among: Option<BTreeSet<SiteId>>,
        after: Option<SiteId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let among =
            among.map_or(Among::All, |sites| Among::Ids(sites.into_iter().map(SiteId::uuid).collect()));
        through!(self, read for key, |conn, ops| {
            let after = after.map(SiteId::uuid);
            ops::records::list(conn, key, RecordKind::Site, &among, after, limit)
        })
    }

    /// A page of units by id; only those at home at, or standing at, one site of each of `sets`.
    pub async fn units(
        &self,
        organization: OrganizationId,
        sets: Vec<Vec<SiteId>>,
        after: Option<UnitId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let among = Among::UnitsOf(sets);
        through!(self, read for key, |conn, ops| {
            let after = after.map(UnitId::uuid);
            ops::records::list(conn, key, RecordKind::Unit, &among, after, limit)
        })
    }

    /// The sites in whose scope a unit is: home, and where it stands; none where there is no such unit.
    pub async fn sites_of_unit(
        &self,
        organization: OrganizationId,
        unit: UnitId,
    ) -> Result<BTreeSet<SiteId>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::folds::scope_of(conn, key, unit))
    }

    /// What people call these units.
    pub async fn labels(
        &self,
        organization: OrganizationId,
        units: BTreeSet<UnitId>,
    ) -> Result<BTreeMap<UnitId, String>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::units::labels(conn, key, &units))
    }

    /// A page of schedules by id.
    pub async fn schedules(
        &self,
        organization: OrganizationId,
        after: Option<ScheduleId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let after = after.map(ScheduleId::uuid);
            ops::records::list(conn, key, RecordKind::Schedule, &Among::All, after, limit)
        })
    }

    /// A page of the editions of a schedule by id.
    pub async fn editions(
        &self,
        organization: OrganizationId,
        schedule: ScheduleId,
        after: Option<EditionId>,
        limit: usize,
    ) -> Result<Page<EditionView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::editions::of_schedule(
            conn,
            key,
            schedule,
            after,
            limit
        ))
    }

    /// One edition, if it is there.
    pub async fn edition(&self, organization: OrganizationId, id: EditionId) -> Result<Option<EditionView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::editions::find(conn, key, id))
    }

    /// One service event, if it is there.
    pub async fn event(&self, organization: OrganizationId, id: EventId) -> Result<Option<EventView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::events::find(conn, key, id))
    }

    /// A page of a unit's events in the order they happened.
    pub async fn events(&self, query: EventQuery) -> Result<Page<EventView>> {
        through!(self, read for Key::from(query.organization), |conn, ops| ops::events::list(conn, &query))
    }

    /// A unit's state, folded afresh; none where there is no such unit.
    pub async fn unit_due(&self, organization: OrganizationId, unit: UnitId) -> Result<Option<UnitDue>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::units::due(conn, key, unit))
    }

    /// The instant that a new list of due items is about.
    pub async fn due_as_of(&self, organization: OrganizationId, now: Instant) -> Result<Instant> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::due::as_of(conn, key, now))
    }

    /// A page of due items, and how many of the units asked about are stale.
    pub async fn due(&self, query: DueQuery) -> Result<(Page<DueRow>, usize)> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| {
            Ok((ops::due::list(conn, &query)?, ops::contexts::pending(conn, &query.filter)?))
        })
    }

    /// A page of sites with how many due items stand there, in each state, and how many of the units asked about are
    /// stale.
    pub async fn due_by_site(&self, query: SiteQuery) -> Result<(Page<SiteRow>, usize)> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| {
            Ok((ops::due::by_site(conn, &query)?, ops::contexts::pending(conn, &query.filter)?))
        })
    }

    /// Waits until a write through this very store leaves units stale; others find them by looking for [`Self::waiting`].
    pub async fn some_are_stale(&self) {
        self.1.notified().await;
    }

    /// At most `limit` units whose stored state is of an earlier time than `now`, and as many that are stale: folded
    /// before a change that concerns many units, or with other rules than this binary's.
    pub async fn waiting(
        &self,
        organization: OrganizationId,
        now: Instant,
        limit: i64,
    ) -> Result<Vec<UnitId>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::advance::waiting(conn, key, now, limit))
    }

    /// Folds one unit anew if it is stale, and moves its stored state on to `now`.
    pub async fn advance(&self, organization: OrganizationId, unit: UnitId, now: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::advance::advance(conn, key, unit, now))
    }

    /// Notes that no unit waits any more, and forgets what lists can no longer be pinned to at `now`.
    pub async fn finish(&self, organization: OrganizationId, now: Instant) -> Result<()> {
        let key = Key::from(organization);
        through!(self, chore for key, |conn, ops| ops::advance::finish(conn, key, now))
    }

    /// Recomputes every fold from the log and reports each difference.
    pub async fn check(&self, organization: OrganizationId) -> Result<Report> {
        let key = Key::from(organization);
        let replayed = through!(self, read for key, |conn, ops| {
            ops::rebuild::organization(conn, key).map(|replayed| (replayed.rows, replayed.differences))
        })?;
        let (rows, mut differences) = replayed;
        let units = through!(self, read for key, |conn, ops| ops::rebuild::units(conn, key))?;
        for unit in &units {
            let unit = *unit;
            differences
                .extend(through!(self, chore for key, |conn, ops| ops::rebuild::unit(conn, key, unit))?);
        }
        Ok(Report { organization, rows, units: units.len(), differences })
    }
}

impl std::fmt::Debug for Store {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self.0 {
            Backend::Postgres(_) => "Store(PostgreSQL)",
            Backend::Sqlite(_) => "Store(SQLite)",
        })
    }
}
