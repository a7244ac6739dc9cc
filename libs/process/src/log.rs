//! What a process logs, and how.

use std::io;

use anyhow::{Context, Result, anyhow};
use clap::{Args, ValueEnum};

/// What to log.
#[derive(Args, Clone, Debug)]
pub struct Log {
    /// What to log, such as info, or api=debug,store=debug.
    #[arg(long, env = "KEEPSTART_LOG", default_value = "info,actix_server=warn,actix_http=off")]
    log: String,
    /// How to write the log.
    #[arg(long, env = "KEEPSTART_LOG_FORMAT", default_value = "json")]
    log_format: LogFormat,
}

/// How a log is written.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum LogFormat {
    /// One JSON object a line.
    Json,
    /// Lines for people.
    Text,
}

impl Log {
    /// Begins the log, on standard error.
    pub fn start(&self) -> Result<()> {
        let filter = tracing_subscriber::EnvFilter::try_new(&self.log).context("log filter")?;
        let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(io::stderr);
        let started = match self.log_format {
            LogFormat::Json => log.json().flatten_event(true).try_init(),
            LogFormat::Text => log.try_init(),
        };
        started.map_err(|error| anyhow!("{error}"))
    }
}
