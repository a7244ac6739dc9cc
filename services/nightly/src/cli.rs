//! The command line.

use std::{path::PathBuf, process::ExitCode, sync::Arc, time::Duration};

use anyhow::{Context, Result, anyhow};
use clap::{Args, Parser, Subcommand};
use model::{Instant, LocalDate};
use process::{Clock, Database, Log, ReadinessRules, blobs::BlobPlace, say, say_wrong, stop_signal};
use store::Store;
use tokio::sync::watch;

use crate::{
    health::{self, Health},
    post::Post,
    preview,
    settings::{Mail, Sending},
    worker::Worker,
};

/// Makes and sends the due digests, and keeps what is due up to the present.
#[derive(Parser)]
#[command(name = "keepstart-nightly", version)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Work until told to stop: each list at its time of day, and the advance all the time.
    Run(Run),
    /// Do what is due by now, or by an instant, and end. Exit code 1 if something has failed.
    Once(Once),
    /// Write the mails that would be sent as files to look at; nothing is sent or kept.
    Preview(Preview),
}

#[derive(Args)]
struct Common {
    #[command(flatten)]
    database: Database,
    /// Connections to the database at most.
    #[arg(long, env = "KEEPSTART_CONNECTIONS", default_value_t = 4, value_parser = clap::value_parser!(u32).range(2..=100))]
    connections: u32,
    /// Begin the clock at this instant instead of the machine's; for tests. INSTANT@MACHINE as for `keepstart-api serve`.
    #[arg(long, env = "KEEPSTART_CLOCK")]
    clock: Option<String>,
    #[command(flatten)]
    log: Log,
    #[command(flatten)]
    mail: Mail,
    #[command(flatten)]
    rules: ReadinessRules,
    #[command(flatten)]
    blobs: BlobPlace,
}

#[derive(Args)]
struct Run {
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    sending: Sending,
    /// Address on which to tell whether it lives and what has failed (/livez, /readyz, /metrics); port 0 takes a free one.
    #[arg(long, env = "KEEPSTART_NIGHTLY_LISTEN", default_value = "127.0.0.1:8081")]
    listen: String,
    /// Seconds between two looks at what is to be done.
    #[arg(long, env = "KEEPSTART_NIGHTLY_EVERY", default_value_t = 1, value_parser = clap::value_parser!(u64).range(1..=120))]
    every: u64,
}

#[derive(Args)]
struct Once {
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    sending: Sending,
    /// The date whose digests are wanted, where each list is: everything due by the end of that day is done.
    #[arg(long, value_parser = date, conflicts_with = "at")]
    date: Option<LocalDate>,
    /// Do what is due by this instant.
    #[arg(long, value_parser = instant)]
    at: Option<Instant>,
}

#[derive(Args)]
struct Preview {
    #[command(flatten)]
    common: Common,
    /// The folder for the mails, one `.eml`, `.txt` and `.html` for each.
    #[arg(long)]
    folder: PathBuf,
}

fn date(text: &str) -> Result<LocalDate, String> {
    LocalDate::parse(text).map_err(|flaw| flaw.to_string())
}

fn instant(text: &str) -> Result<Instant, String> {
    Instant::parse(text).map_err(|flaw| flaw.to_string())
}

/// Runs the command line.
pub(crate) fn run() -> ExitCode {
    match carry_out(Cli::parse().command) {
        Ok(code) => code,
        Err(error) => {
            say_wrong(&format!("keepstart-nightly: {error:#}"));
            ExitCode::FAILURE
        }
    }
}

fn carry_out(command: Command) -> Result<ExitCode> {
    match command {
        Command::Run(run) => run.run(),
        Command::Once(once) => once.run(),
        Command::Preview(preview) => preview.run(),
    }
}

impl Common {
    fn open(&self) -> Result<(Store, Clock)> {
        self.log.start()?;
        let clock = match &self.clock {
            None => Clock::machine(),
            Some(text) => Clock::parse(text).map_err(|flaw| anyhow!("clock: {flaw}"))?,
        };
        let store = Store::open(&self.database.address()?, self.connections)?;
        Ok((store, clock))
    }

    async fn worker(&self, store: Store, sending: &Sending) -> Result<Worker> {
        let mail = self.mail.parse(sending.smtp.is_some())?;
        let post = Post::open(sending, &mail)?;
        let blobs = self.blobs.open(&self.database.address()?)?;
        Worker::new(store, mail, post, self.rules.judge()?, blobs).await
    }
}

impl Run {
    fn run(self) -> Result<ExitCode> {
        let (store, clock) = self.common.open()?;
        let listener = std::net::TcpListener::bind(&self.listen)
            .with_context(|| format!("cannot listen on {}", self.listen))?;
        actix_web::rt::System::new().block_on(async {
            let worker = Arc::new(self.common.worker(store.clone(), &self.sending).await?);
            let health = Health::new(store, clock, worker.counts().clone());
            let (stopping, mut stopped) = watch::channel(false);
            let stop = stop_signal()?;
            say(&format!("Keepstart's night shift listens on http://{}", listener.local_addr()?));
            let server = health::serve(listener, health)?;
            let handle = server.handle();
            tokio::spawn(server);
            let told = Arc::clone(&worker);
            tokio::spawn(async move {
                stop.await;
                told.stop();
                let _ = stopping.send(true);
            });
            let mut tick = tokio::time::interval(Duration::from_secs(self.every));
            tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
            loop {
                tokio::select! {
                    _ = tick.tick() => {}
                    _ = stopped.changed() => break,
                }
                worker.watch(&clock).await;
            }
            handle.stop(true).await;
            Ok(ExitCode::SUCCESS)
        })
    }
}

impl Once {
    fn run(self) -> Result<ExitCode> {
        let (store, clock) = self.common.open()?;
        runtime()?.block_on(async {
            let worker = self.common.worker(store, &self.sending).await?;
            let failed = match (self.date, self.at) {
                (Some(date), _) => worker.date(date).await?,
                (None, Some(at)) => worker.round(&Clock::starting_at(at)).await,
                (None, None) => worker.round(&clock).await,
            };
            say(&worker.counts().told());
            Ok(if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE })
        })
    }
}

impl Preview {
    fn run(self) -> Result<ExitCode> {
        let (store, clock) = self.common.open()?;
        runtime()?.block_on(async {
            let mail = self.common.mail.parse(false)?;
            let written = preview::write(&store, &mail, clock.now(), &self.folder).await?;
            say(&format!("Wrote {written} mail(s) to {}.", self.folder.display()));
            Ok(ExitCode::SUCCESS)
        })
    }
}

fn runtime() -> Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_multi_thread().enable_all().worker_threads(2).build()?)
}
