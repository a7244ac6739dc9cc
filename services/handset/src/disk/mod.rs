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
    Connection, SqliteConnection, connection::SimpleConnection, migration::MigrationSource, sqlite::Sqlite,
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
    /// Nothing while it is left to other programs.
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
        if self.conn.is_some() {
            return Ok(());
        }
        for _ in 1..RETURNS {
            match connect(&self.file) {
                Err(Error::Open(_)) => {}
                came => {
                    self.conn = Some(came?);
                    return Ok(());
                }
            }
        }
        self.conn = Some(connect(&self.file)?);
        Ok(())
    }

    fn conn(&mut self) -> Result<&mut Conn> {
        self.conn.as_mut().ok_or_else(|| Error::Open("another program has it".to_owned()))
    }

    /// Changes something, all of it or nothing.
    pub(crate) fn change<T>(&mut self, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
        self.conn()?.immediate_transaction(f)
    }

    /// Looks at one moment.
    pub(crate) fn look<T>(&mut self, f: impl FnOnce(&mut Conn) -> Result<T>) -> Result<T> {
        self.conn()?.transaction(f)
    }
}

fn connect(file: &Path) -> Result<Conn> {
    let open = |why: &dyn std::fmt::Display| Error::Open(why.to_string());
    let file = file.to_str().ok_or_else(|| Error::Open("its name is no text".to_owned()))?;
    let mut conn = Conn::establish(file).map_err(|e| open(&e))?;
    // Exclusive: the lock is taken by the first transaction, and kept until the file is closed.
    conn.batch_execute(
        "PRAGMA busy_timeout = 2000; PRAGMA locking_mode = EXCLUSIVE; PRAGMA journal_mode = WAL; \
         PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON; BEGIN IMMEDIATE; COMMIT;",
    )
    .map_err(|e| open(&e))?;
    let known = MigrationSource::<Sqlite>::migrations(&MIGRATIONS).map_err(|e| open(&e))?;
    let applied = conn.applied_migrations().map_err(|e| open(&e))?;
    if applied.len() > known.len() {
        return Err(Error::Newer);
    }
    conn.run_pending_migrations(MIGRATIONS).map_err(|e| open(&e))?;
    Ok(conn)
}
