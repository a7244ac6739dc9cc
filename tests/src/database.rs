//! Fresh databases, one for each service that a test starts.

use std::{
    thread,
    time::{Duration, Instant},
};

use diesel::{
    Connection, PgConnection, QueryableByName, RunQueryDsl, SqliteConnection, sql_query,
    sql_types::{BigInt, Text},
};
use model::id::{Id, Kind};
use store::Address;
use tempfile::TempDir;

/// Which database a test runs on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Backend {
    /// A file of its own.
    Sqlite,
    /// A database of its own in the cluster that `tests/run` starts.
    Postgres,
}

/// How long somebody who has to wait may take to begin.
const PATIENCE: Duration = Duration::from_secs(20);

/// A row of one number.
#[derive(QueryableByName)]
pub struct Number {
    /// The number.
    #[diesel(sql_type = BigInt)]
    pub n: i64,
}

/// A row of one text.
#[derive(QueryableByName)]
struct Words {
    #[diesel(sql_type = Text)]
    t: String,
}

/// What was in a database once.
pub struct Backup(String);

/// An empty database.
pub struct Database {
    backend: Backend,
    url: String,
    folder: TempDir,
}

impl Database {
    /// Makes one.
    pub fn new(backend: Backend) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let url = match backend {
            Backend::Sqlite => format!("sqlite:{}", folder.path().join("keepstart.db").display()),
            Backend::Postgres => {
                let name = format!("t{}", uuid::Uuid::new_v4().simple());
                let admin = admin_url();
                let mut conn = PgConnection::establish(&admin).unwrap();
                sql_query(format!("CREATE DATABASE {name}")).execute(&mut conn).unwrap();
                format!("{}/{name}", admin.rsplit_once('/').unwrap().0)
            }
        };
        Self { backend, url, folder }
    }

    /// Which database it is.
    pub fn backend(&self) -> Backend {
        self.backend
    }

    /// Its address, as `DATABASE_URL` takes it.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// Its address, as the store takes it.
    pub fn address(&self) -> Address {
        self.url.parse().unwrap()
    }

    /// A folder that goes with it.
    pub fn folder(&self) -> &std::path::Path {
        self.folder.path()
    }

    /// Runs hand-written SQL behind the service's back; says how many rows it touched.
    pub fn sql(&self, text: &str) -> usize {
        match self.backend {
            Backend::Postgres => {
                sql_query(text).execute(&mut PgConnection::establish(&self.url).unwrap()).unwrap()
            }
            Backend::Sqlite => {
                let file = self.url.trim_start_matches("sqlite:");
                let mut conn = SqliteConnection::establish(file).unwrap();
                sql_query("PRAGMA busy_timeout = 5000").execute(&mut conn).unwrap();
                sql_query(text).execute(&mut conn).unwrap()
            }
        }
    }

    /// The one number that hand-written SQL selects as `n`.
    pub fn number(&self, text: &str) -> i64 {
        let numbers = self.numbers()(text);
        assert_eq!(numbers.len(), 1, "{text}");
        numbers[0]
    }

    /// A session that answers hand-written SQL with the numbers that it selects as `n`.
    pub fn numbers(&self) -> impl FnMut(&str) -> Vec<i64> + Send + use<> {
        let mut conn = match self.backend {
            Backend::Postgres => Err(self.session()),
            Backend::Sqlite => {
                let mut conn = SqliteConnection::establish(self.url.trim_start_matches("sqlite:")).unwrap();
                sql_query("PRAGMA busy_timeout = 5000").execute(&mut conn).unwrap();
                Ok(conn)
            }
        };
        move |text| {
            let rows: Vec<Number> = match &mut conn {
                Ok(sqlite) => sql_query(text).load(sqlite).unwrap(),
                Err(postgres) => sql_query(text).load(postgres).unwrap(),
            };
            rows.into_iter().map(|row| row.n).collect()
        }
    }

    /// The texts that hand-written SQL selects as `t`.
    pub fn texts(&self, text: &str) -> Vec<String> {
        let rows: Vec<Words> = match self.backend {
            Backend::Postgres => sql_query(text).load(&mut self.session()).unwrap(),
            Backend::Sqlite => {
                let file = self.url.trim_start_matches("sqlite:");
                sql_query(text).load(&mut SqliteConnection::establish(file).unwrap()).unwrap()
            }
        };
        rows.into_iter().map(|row| row.t).collect()
    }

    /// An id as hand-written SQL has it.
    pub fn id<K: Kind>(&self, id: Id<K>) -> String {
        match self.backend {
            Backend::Postgres => format!("'{id}'"),
            Backend::Sqlite => format!("x'{}'", id.uuid().simple()),
        }
    }

    /// A session of one's own with a PostgreSQL database, as its owner.
    pub fn session(&self) -> PgConnection {
        PgConnection::establish(&self.url).unwrap()
    }

    /// Waits until so many sessions of a PostgreSQL database wait for a lock that another one holds.
    #[track_caller]
    pub fn wait_for_blocked(&self, sessions: i64) {
        let began = Instant::now();
        let blocked = "SELECT count(*) AS n FROM pg_stat_activity \
                       WHERE datname = current_database() AND wait_event_type = 'Lock'";
        while self.number(blocked) < sessions {
            assert!(began.elapsed() < PATIENCE, "nobody waits: {} of {sessions}", self.number(blocked));
            thread::yield_now();
        }
    }

    /// Takes a PostgreSQL database away from under whoever is connected to it.
    pub fn vanish(&self) {
        let name = self.url.rsplit_once('/').unwrap().1;
        let mut conn = PgConnection::establish(&admin_url()).unwrap();
        sql_query(format!("DROP DATABASE {name} WITH (FORCE)")).execute(&mut conn).unwrap();
    }

    /// Keeps what is in the database, to which nobody may be connected.
    pub fn backup(&self) -> Backup {
        Backup(match self.backend {
            Backend::Sqlite => {
                let kept = self.folder.path().join("backup.db").display().to_string();
                self.sql(&format!("VACUUM INTO '{kept}'"));
                kept
            }
            Backend::Postgres => {
                let kept = format!("{}_backup", self.name());
                copy(self.name(), &kept);
                kept
            }
        })
    }

    /// Puts back what was kept; whoever is connected loses the connection.
    pub fn restore(&self, backup: &Backup) {
        match self.backend {
            Backend::Sqlite => {
                let file = self.url.trim_start_matches("sqlite:");
                for beside in ["-wal", "-shm"] {
                    let _ = std::fs::remove_file(format!("{file}{beside}"));
                }
                std::fs::copy(&backup.0, file).unwrap();
            }
            Backend::Postgres => {
                self.vanish();
                copy(&backup.0, self.name());
            }
        }
    }

    fn name(&self) -> &str {
        self.url.rsplit_once('/').unwrap().1
    }

    /// How many rows the change log has.
    pub fn log_rows(&self) -> i64 {
        self.number("SELECT count(*) AS n FROM change_log")
    }
}

impl Drop for Database {
    fn drop(&mut self) {
        if self.backend == Backend::Postgres
            && let Ok(mut conn) = PgConnection::establish(&admin_url())
        {
            let name = self.url.rsplit_once('/').unwrap().1;
            for name in [name, &format!("{name}_backup")] {
                let _ = sql_query(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).execute(&mut conn);
            }
        }
    }
}

/// Makes a PostgreSQL database as another one is, once those who were connected to that have gone.
fn copy(from: &str, to: &str) {
    let mut conn = PgConnection::establish(&admin_url()).unwrap();
    sql_query(format!("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{from}'"))
        .execute(&mut conn)
        .unwrap();
    let began = Instant::now();
    while let Err(error) = sql_query(format!("CREATE DATABASE {to} TEMPLATE {from}")).execute(&mut conn) {
        assert!(began.elapsed() < PATIENCE, "{error}");
    }
}

pub(crate) fn admin_url() -> String {
    std::env::var("KEEPSTART_TEST_POSTGRES").expect(
        "KEEPSTART_TEST_POSTGRES is not set: run ./tests/run, which starts a PostgreSQL cluster for the tests, \
         or set it to an administrator's address such as postgres://postgres@127.0.0.1:5432/postgres",
    )
}
