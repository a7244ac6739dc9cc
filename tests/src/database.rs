//! Fresh databases, one for each service that a test starts.

use diesel::{Connection, PgConnection, RunQueryDsl, SqliteConnection, sql_query};
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
        #[derive(diesel::QueryableByName)]
        struct Row {
            #[diesel(sql_type = diesel::sql_types::BigInt)]
            n: i64,
        }
        let row: Row = match self.backend {
            Backend::Postgres => {
                sql_query(text).get_result(&mut PgConnection::establish(&self.url).unwrap()).unwrap()
            }
            Backend::Sqlite => {
                let file = self.url.trim_start_matches("sqlite:");
                sql_query(text).get_result(&mut SqliteConnection::establish(file).unwrap()).unwrap()
            }
        };
        row.n
    }

    /// Takes a PostgreSQL database away from under whoever is connected to it.
    pub fn vanish(&self) {
        let name = self.url.rsplit_once('/').unwrap().1;
        let mut conn = PgConnection::establish(&admin_url()).unwrap();
        sql_query(format!("DROP DATABASE {name} WITH (FORCE)")).execute(&mut conn).unwrap();
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
            let _ = sql_query(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).execute(&mut conn);
        }
    }
}

fn admin_url() -> String {
    std::env::var("KEEPSTART_TEST_POSTGRES").expect(
        "KEEPSTART_TEST_POSTGRES is not set: run ./tests/run, which starts a PostgreSQL cluster for the tests, \
         or set it to an administrator's address such as postgres://postgres@127.0.0.1:5432/postgres",
    )
}
