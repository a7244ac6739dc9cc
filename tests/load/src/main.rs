//! Measures speed and memory, as ratios against bare statements that go through the same doors in the same run, and
//! prints one table. `tests/load/run` builds, starts and stops all that it needs.

mod bare;
mod batch;
mod digest;
mod field;
mod fleet;
mod handset;
mod http;
mod imports;
mod judge;
mod library;
mod log;
mod long;
mod memory;
mod night;
mod options;
mod outage;
mod profile;
mod push;
mod reads;
mod ready;
mod standing;
mod stats;
mod storm;
mod sync;
mod table;
mod town;
mod unit;

use std::io::Write;

use anyhow::Result;
use blackbox::Database;
use clap::{Parser, Subcommand};
use store::Store;

use crate::{
    options::{On, Options, Row, progress},
    push::Pushes,
    table::Line,
};

/// Organizations that the row `towns` pushes to.
const TOWNS: usize = 32;
/// What pushes are held to on each database.
const POSTGRES_BAR: (f64, &str) = (1.0 / 3.0, "at least 0.33, aiming at 0.5");
const SQLITE_BAR: (f64, &str) = (0.25, "at least 0.25, aiming at 0.33");

#[derive(Parser)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Measure.
    Run(Options),
    /// Serve bare reads, to measure against.
    #[command(hide = true)]
    Bare(bare::Bare),
}

fn main() -> Result<()> {
    match Cli::parse().command {
        Command::Bare(bare) => bare.run(),
        Command::Run(options) => {
            let runtime =
                tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
            runtime.block_on(run(&options))
        }
    }
}

async fn run(options: &Options) -> Result<()> {
    let mut lines = Vec::new();
    for on in &options.databases {
        if options.wants(Row::Push) {
            lines.extend(push(*on, options).await?);
        }
        if options.wants(Row::Towns) {
            lines.push(towns(*on, options).await?);
        }
        lines.extend(sync::lines(*on, options).await?);
        if options.wants(Row::Storm) {
            lines.extend(storm::lines(*on, options).await?);
        }
        if options.wants(Row::Log) && *on == On::Postgres {
            lines.extend(log::lines(options).await?);
        }
        if [Row::Get, Row::List, Row::Memory].into_iter().any(|row| options.wants(row)) {
            lines.extend(reads::lines(*on, options).await?);
        }
        if options.wants(Row::Readiness) {
            lines.extend(ready::lines(*on, options).await?);
        }
        if options.wants(Row::Outage) {
            lines.push(outage::line(*on, options).await?);
        }
        if options.wants(Row::Digest) {
            lines.extend(digest::lines(*on, options).await?);
        }
        if options.wants(Row::Import) {
            lines.extend(imports::lines(*on, options).await?);
        }
        if options.wants(Row::Field) {
            lines.extend(field::lines(*on, options).await?);
        }
    }
    if options.wants(Row::Library) {
        lines.extend(library::lines(options)?);
        lines.extend(long::lines(options)?);
    }
    if options.wants(Row::Judge) {
        lines.extend(judge::lines(options)?);
    }
    let mut out = std::io::stdout();
    if !lines.is_empty() {
        writeln!(out, "{}", table::markdown(&lines))?;
    }
    if options.wants(Row::Profile) {
        for on in &options.databases {
            for events in [20, 200] {
                writeln!(out, "{}", profile::tables(*on, events).await?)?;
            }
        }
    }
    Ok(())
}

/// How many events each unit of a fleet has that is pushed to, and how many units there are.
fn fleets(options: &Options) -> [(usize, usize); 2] {
    [(20, (options.fleet() / 50).clamp(200, 2000)), (200, (options.fleet() / 250).clamp(100, 400))]
}

/// Pushes to one organization, by how many events its units have and how many clients there are.
async fn push(on: On, options: &Options) -> Result<Vec<Line>> {
    let mut lines = Vec::new();
    for (events, units) in fleets(options) {
        let (database, store) = fresh_store(on)?;
        let mut pushes = Pushes::build(&store, 1, units, events).await?;
        reads::settle(&database);
        for clients in &options.clients {
            let what = format!("push of 100 edits, units with {events} earlier events, {clients} clients");
            lines.push(compared(on, what, &mut pushes, *clients, options).await?);
        }
    }
    Ok(lines)
}

/// Pushes to many organizations at once.
async fn towns(on: On, options: &Options) -> Result<Line> {
    let (database, store) = fresh_store(on)?;
    let mut pushes = Pushes::build(&store, TOWNS, 40, 20).await?;
    reads::settle(&database);
    let clients = options.clients.iter().copied().max().unwrap_or(8);
    let what = format!("the same over {TOWNS} organizations, {clients} clients");
    compared(on, what, &mut pushes, clients, options).await
}

async fn compared(
    on: On,
    what: String,
    pushes: &mut Pushes,
    clients: usize,
    options: &Options,
) -> Result<Line> {
    let rounds = pushes.compare(clients, options).await?;
    let bar = push_bar(on);
    let line = Line::of_rates(what, on.name(), &rounds, stats::count(batch::EDITS), "rows/s", bar);
    progress(&format!("{}: {}: {} of {}: {}", line.on, line.what, line.ours, line.bare, line.ratio));
    Ok(line)
}

/// What pushes are held to.
fn push_bar(on: On) -> (f64, &'static str) {
    if on == On::Postgres { POSTGRES_BAR } else { SQLITE_BAR }
}

/// An empty database, and a store with as many connections as the service takes.
fn fresh_store(on: On) -> Result<(Database, Store)> {
    let database = Database::new(on.backend());
    store::migrate(&database.address())?;
    let store = Store::open(&database.address(), 8)?;
    Ok((database, store))
}
