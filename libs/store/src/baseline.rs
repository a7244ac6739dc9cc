//! The measuring rod of `tests/load`: bare SQL through the same doors, pool and prepared statements as the real thing.
//!
//! Nothing here keeps the rules of the log; it is used on organizations of its own, and by nothing but that command.

use std::sync::{Arc, Mutex, PoisonError};

use model::{EditId, OrganizationId, UnitId};

use crate::{Backend, Result, Store, StoreError, key::Key, pg, sqlite};

/// Rows of a log, to be added again as they are under other numbers and edit ids.
pub struct BareRows(Rows);

/// Shared with the transaction, which may have to run again and then needs them once more.
enum Rows {
    Postgres(Arc<Mutex<Vec<pg::ops::log::LogRow>>>),
    Sqlite(Arc<Mutex<Vec<sqlite::ops::log::LogRow>>>),
}

impl Store {
    /// The newest `count` rows of an organization's log.
    pub async fn bare_rows(&self, organization: OrganizationId, count: i64) -> Result<BareRows> {
        let key = Key::from(organization);
        Ok(BareRows(match &self.backend {
            Backend::Postgres(pool) => {
                let rows = pool.read(key, move |conn| pg::ops::baseline::newest(conn, key, count)).await?;
                Rows::Postgres(Arc::new(Mutex::new(rows)))
            }
            Backend::Sqlite(pool) => {
                let rows =
                    pool.read(key, move |conn| sqlite::ops::baseline::newest(conn, key, count)).await?;
                Rows::Sqlite(Arc::new(Mutex::new(rows)))
            }
        }))
    }

    /// Adds the rows to an organization's log, its counter taken as the last step before them.
    pub async fn bare_insert(&self, organization: OrganizationId, rows: &BareRows) -> Result<()> {
        let key = Key::from(organization);
        match (&self.backend, &rows.0) {
            (Backend::Postgres(pool), Rows::Postgres(rows)) => {
                let rows = Arc::clone(rows);
                let insert = move |conn: &mut _| {
                    let mut rows = rows.lock().unwrap_or_else(PoisonError::into_inner);
                    pg::ops::baseline::insert(conn, key, &mut rows)
                };
                pool.write(key, insert).await
            }
            (Backend::Sqlite(pool), Rows::Sqlite(rows)) => {
                let rows = Arc::clone(rows);
                let insert = move |conn: &mut _| {
                    let mut rows = rows.lock().unwrap_or_else(PoisonError::into_inner);
                    sqlite::ops::baseline::insert(conn, key, &mut rows)
                };
                pool.write(key, insert).await
            }
            _ => Err(StoreError::corrupt("rows")(&"they are of another database")),
        }
    }

    /// What is stored of a unit's fields, by its key.
    pub async fn bare_read(&self, organization: OrganizationId, unit: UnitId) -> Result<Option<String>> {
        let (key, unit) = (Key::from(organization), Key::from(unit));
        match &self.backend {
            Backend::Postgres(pool) => {
                pool.read(key, move |conn| pg::ops::baseline::registers(conn, key, unit)).await
            }
            Backend::Sqlite(pool) => {
                pool.read(key, move |conn| sqlite::ops::baseline::registers(conn, key, unit)).await
            }
        }
    }

    /// The bodies of the rows of a log after the number `after`, in order, `most` of them at most.
    pub async fn bare_bodies(
        &self,
        organization: OrganizationId,
        after: i64,
        most: i64,
    ) -> Result<Vec<String>> {
        let key = Key::from(organization);
        match &self.backend {
            Backend::Postgres(pool) => {
                pool.read(key, move |conn| pg::ops::baseline::bodies(conn, key, after, most)).await
            }
            Backend::Sqlite(pool) => {
                pool.read(key, move |conn| sqlite::ops::baseline::bodies(conn, key, after, most)).await
            }
        }
    }
}

impl BareRows {
    /// Gives every row an edit id of its own.
    pub fn renew(&mut self, mut fresh: impl FnMut() -> EditId) {
        match &self.0 {
            Rows::Postgres(rows) => {
                let mut rows = rows.lock().unwrap_or_else(PoisonError::into_inner);
                rows.iter_mut().for_each(|row| row.edit_id = Key::from(fresh()));
            }
            Rows::Sqlite(rows) => {
                let mut rows = rows.lock().unwrap_or_else(PoisonError::into_inner);
                rows.iter_mut().for_each(|row| row.edit_id = Key::from(fresh()));
            }
        }
    }
}
