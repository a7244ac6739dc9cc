//! Breaks things, some cycles of each kind: `faults --cycles 25`, and one again: `faults --seed 7 --cycles 1`.

#![allow(clippy::print_stdout, reason = "a program for people")]

use std::{process::ExitCode, time::Instant};

use blackbox::Backend;
use clap::{Parser, ValueEnum};
use faults::{Fault, Ground, Tally};

/// So many cycles share a database; then it is compared with its rebuild.
const OF_ONE_GROUND: u64 = 25;

/// Breaks the service, PostgreSQL and connections under load, and judges what is left.
#[derive(Parser)]
struct Options {
    /// How many cycles of each kind.
    #[arg(long, default_value_t = 25)]
    cycles: u64,
    /// The seed of the first cycle; each of the others has the next. What the machine does meanwhile has none.
    #[arg(long)]
    seed: Option<u64>,
    /// What is broken.
    #[arg(long, value_delimiter = ',', default_values = ["kill", "restart", "cut"])]
    faults: Vec<Fault>,
    /// On which databases; PostgreSQL alone is restarted.
    #[arg(long, value_delimiter = ',', default_values = ["sqlite", "postgres"])]
    databases: Vec<On>,
    /// The folder of the data of a cluster that may be ended: the one at KEEPSTART_TEST_POSTGRES.
    #[arg(long)]
    cluster: Option<String>,
}

#[derive(Clone, Copy, ValueEnum)]
enum On {
    Sqlite,
    Postgres,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let seed = options.seed.unwrap_or_else(|| fastrand::u64(..1_000_000_000));
    println!("seed {seed}");
    let mut clean = true;
    for fault in &options.faults {
        for on in &options.databases {
            clean &= match on {
                On::Sqlite if *fault == Fault::Restart => true,
                On::Sqlite => played(&options, *fault, Backend::Sqlite, seed),
                On::Postgres => played(&options, *fault, Backend::Postgres, seed),
            };
        }
    }
    if clean { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Plays the cycles of one kind on one database, and tells what happened; whether all was right.
fn played(options: &Options, fault: Fault, backend: Backend, first: u64) -> bool {
    let (began, mut all, mut clean) = (Instant::now(), Tally::default(), true);
    let named = format!("{fault:?} on {backend:?}").to_lowercase();
    let mut done = 0;
    while done < options.cycles && clean {
        let mut ground = Ground::new(backend, options.cluster.clone());
        let until = options.cycles.min(done + OF_ONE_GROUND);
        for n in done..until {
            let seed = first.wrapping_add(n);
            match ground.cycle(fault, seed) {
                Ok(tally) => all = all.and(tally),
                Err(wrong) => {
                    clean = false;
                    tell(&format!("{named}, seed {seed}"), &wrong);
                }
            }
        }
        let wrong = ground.verdict();
        clean &= wrong.is_empty();
        tell(&format!("{named}, in the end"), &wrong);
        done = until;
    }
    println!("{named}: {done} cycles in {:.1} s, {all}", began.elapsed().as_secs_f64());
    clean
}

/// Tells what is wrong, or the first of very much.
fn tell(place: &str, wrong: &[String]) {
    wrong.iter().take(10).for_each(|wrong| println!("{place}: {wrong}"));
    if wrong.len() > 10 {
        println!("{place}: and {} more", wrong.len() - 10);
    }
}
