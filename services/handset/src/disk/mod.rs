//! The one file of a handset. Every change of state is one transaction, so a stop at any moment loses nothing and doubles
//! nothing; what a transaction has said is on the disk when it returns (WAL, synchronous FULL).

pub(crate) mod device;
pub(crate) mod edits;
pub(crate) mod key;
pub(crate) mod photos;
pub(crate) mod records;
mod schema;

use std::path::{Path, PathBuf};

use diesel::{
    Connection, QueryResult, SqliteConnection, connection::SimpleConnection, migration::MigrationSource,
    result::Error as DieselError, sqlite::Sqlite,
};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

pub use self::{
    device::{At, Device, Enrolment},
    edits::{State, StoredEdit},
    photos::{PhotoState, StoredPhoto},
    records::StoredRecord,
};
use crate::error::{Error, Result};

const MIGRATIONS: EmbeddedMigrations = embed_migrations!("migrations");

/// How often it is tried to have the file back, two seconds each: by then who has it is done with it.
const RETURNS: u32 = 30;

/// A connection to the file.
pub(crate) type Conn = SqliteConnection;

/// The file of a handset, open. One program has it at a time: two would count on from the same number.
pub struct Disk {
    file: PathBuf,
    /// Nothing while it is left to other programs, and after it failed.
    conn: Option<Conn>,
}

impl Disk {
    /// Opens a file, and makes it if it is not there.
    pub fn open(file: &Path) -> Result<Self> {
        Ok(Self { file: file.to_owned(), conn: Some(connect(file)?) })
    }

    /// Leaves the file to other programs, while something takes long and needs nothing of it.
    pub(crate) fn leave(&mut self) {
        self.conn = None;
    }

    /// Has it back, if it does not have it.
    pub(crate) fn come_back(&mut self) -> Result<()> {
        self.conn()?;
        Ok(())
    }

    fn conn(&mut self) -> Result<&mut Conn> {
        let conn = match self.conn.take() {
            Some(conn) => conn,
            None => connect_again(&self.file)?,
        };
        Ok(self.conn.insert(conn))
    }

    /// Changes something, all of it or nothing.
    pub(crate) fn change<T>(&mut self, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
        let mut why = None;
        let ended = self.conn()?.immediate_transaction(|conn| f(conn).map_err(back(&mut why)));
        self.ended(ended, why)
    }

    /// Looks at one moment.
    pub(crate) fn look<T>(&mut self, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
        let mut why = None;
        let ended = self.conn()?.transaction(|conn| f(conn).map_err(back(&mut why)));
        self.ended(ended, why)
    }

    /// What a transaction came to. SQLite takes one back by itself where the disk is full; that it is over is not known to the
    /// connection, which is of no use any more: whoever needs the file next opens it anew.
    fn ended<T>(&mut self, ended: QueryResult<T>, why: Option<Error>) -> Result<T> {
        ended.map_err(|last| {
            if last != DieselError::RollbackTransaction {
                self.conn = None;
            }
            why.unwrap_or_else(|| last.into())
        })
    }
}

/// Keeps why a transaction is taken back: that is told, and not what went wrong after it.
fn back(why: &mut Option<Error>) -> impl FnOnce(Error) -> DieselError {
    |error| {
        *why = Some(error);
        DieselError::RollbackTransaction
    }
}

/// Opens the file when whoever has it meanwhile is done.
fn connect_again(file: &Path) -> Result<Conn> {
    for _ in 1..RETURNS {
        match connect(file) {
            Err(Error::Taken) => {}
            came => return came,
        }
    }
    connect(file)
}

fn connect(file: &Path) -> Result<Conn> {
    let file = file.to_str().ok_or_else(|| Error::Open("its name is no text".to_owned()))?;
    let mut conn = Conn::establish(file).map_err(|e| Error::opening(&e))?;
    // Exclusive: the lock is taken by the first transaction, and kept until the file is closed.
    conn.batch_execute(
        "PRAGMA busy_timeout = 2000; PRAGMA locking_mode = EXCLUSIVE; PRAGMA journal_mode = WAL; \
         PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON; BEGIN IMMEDIATE; COMMIT;",
    )
    .map_err(|e| Error::opening(&e))?;
    let known = MigrationSource::<Sqlite>::migrations(&MIGRATIONS).map_err(|e| Error::opening(&e))?;
    let applied = conn.applied_migrations().map_err(|e| Error::opening(&e))?;
    if applied.len() > known.len() {
        return Err(Error::Newer);
    }
    conn.run_pending_migrations(MIGRATIONS).map_err(|e| Error::opening(&e))?;
    Ok(conn)
}
