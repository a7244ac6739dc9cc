//! What a run may be told.

use std::{io::Write, time::Duration};

use blackbox::Backend;
use clap::{Args, ValueEnum};

/// Measures speed and memory, and prints a table.
#[derive(Args, Clone)]
pub(crate) struct Options {
    /// Which rows of the table.
    #[arg(long, value_delimiter = ',', default_values = ["push", "towns", "sync", "fill", "pull", "storm", "get", "list", "library", "judge", "memory", "readiness", "outage", "digest", "import", "field"])]
    pub(crate) rows: Vec<Row>,
    /// On which databases.
    #[arg(long, value_delimiter = ',', default_values = ["postgres", "sqlite"])]
    pub(crate) databases: Vec<On>,
    /// Units of the large fleet.
    #[arg(long, default_value_t = 100_000, value_parser = clap::value_parser!(u32).range(1000..=1_000_000))]
    pub(crate) units: u32,
    /// Seconds that one measurement takes, about.
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u64).range(1..=600))]
    pub(crate) seconds: u64,
    /// How often the two sides of a comparison are measured in turn.
    #[arg(long, default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=99))]
    pub(crate) rounds: u32,
    /// Clients that push at a time.
    #[arg(long, value_delimiter = ',', default_values = ["4", "8"])]
    pub(crate) clients: Vec<usize>,
    /// Rows of the feed out of which new changes are pulled, for the row `pull`.
    #[arg(long, default_value_t = 1_000_000)]
    pub(crate) feed_rows: u32,
    /// Handsets that come back within a minute, for the row `storm`.
    #[arg(long, default_value_t = 500, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub(crate) handsets: u32,
    /// Rows of the long change log, for the row `log`.
    #[arg(long, default_value_t = 10_000_000)]
    pub(crate) log_rows: u32,
}

/// A row of the table, or several that are alike.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Row {
    /// Pushes to one organization.
    Push,
    /// Pushes to 32 organizations.
    Towns,
    /// Pushes of handsets over HTTP.
    Sync,
    /// First fill of a handset.
    Fill,
    /// What changed, out of a million rows.
    Pull,
    /// 500 handsets that come back within a minute.
    Storm,
    /// GET one unit.
    Get,
    /// List what is overdue.
    List,
    /// Due state in the pure library.
    Library,
    /// Readiness in the pure library.
    Judge,
    /// List what is not ready.
    Readiness,
    /// Run many units through an outage.
    Outage,
    /// Memory of the service.
    Memory,
    /// The digest of a town of 1,000 sites.
    Digest,
    /// Units that come in as a file.
    Import,
    /// The handset's program: its first fill, a day's sync, what is due.
    Field,
    /// Pushes and pulls with a long change log; takes long.
    Log,
    /// Where a push spends its time: a table of its own.
    Profile,
}

/// A database as it is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum On {
    /// A cluster of our own.
    Postgres,
    /// A file.
    Sqlite,
}

impl Options {
    pub(crate) fn wants(&self, row: Row) -> bool {
        self.rows.contains(&row)
    }

    pub(crate) fn time(&self) -> Duration {
        Duration::from_secs(self.seconds)
    }

    /// Units of the large fleet as a count.
    pub(crate) fn fleet(&self) -> usize {
        usize::try_from(self.units).unwrap_or(usize::MAX)
    }
}

impl On {
    pub(crate) fn backend(self) -> Backend {
        match self {
            Self::Postgres => Backend::Postgres,
            Self::Sqlite => Backend::Sqlite,
        }
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Postgres => "PostgreSQL",
            Self::Sqlite => "SQLite",
        }
    }
}

/// Says how far a run is, beside the table.
pub(crate) fn progress(text: &str) {
    // Nobody may be listening, which is no reason to stop.
    let _ = writeln!(std::io::stderr(), "load: {text}");
}
