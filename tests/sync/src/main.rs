//! Plays seeds of the simulation: `simulation --seeds 1000000 --from 0`, or `simulation --replay 42` to see one.

#![allow(clippy::print_stdout, reason = "a program for people")]

use std::{
    process::ExitCode,
    sync::atomic::{AtomicU64, Ordering},
    thread,
};

use clap::Parser;

/// Plays seeds of the simulation of sync, and prints those that fail.
#[derive(Parser)]
struct Options {
    /// How many seeds to play.
    #[arg(long, default_value_t = 20_000)]
    seeds: u64,
    /// The first of them.
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// Plays this one seed, and tells everything that happens.
    #[arg(long)]
    replay: Option<u64>,
}

fn main() -> ExitCode {
    let options = Options::parse();
    if let Some(seed) = options.replay {
        let (told, verdict) = simulation::replay(seed, None);
        told.iter().for_each(|line| println!("{line}"));
        println!("{verdict:?}");
        return if verdict.is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE };
    }
    let failed = play(options.from, options.seeds);
    println!("{} seeds from {}, {failed} failed", options.seeds, options.from);
    if failed == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn play(from: u64, seeds: u64) -> u64 {
    let (next, failed) = (AtomicU64::new(0), AtomicU64::new(0));
    let workers = thread::available_parallelism().map_or(1, usize::from);
    thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                loop {
                    let done = next.fetch_add(1, Ordering::Relaxed);
                    if done >= seeds || failed.load(Ordering::Relaxed) >= 10 {
                        break;
                    }
                    let seed = from.saturating_add(done);
                    if let Err(wrong) = simulation::play(seed, None) {
                        failed.fetch_add(1, Ordering::Relaxed);
                        println!("seed {seed}: {wrong}\n  to see it: tests/sync/run --replay {seed}");
                    }
                }
            });
        }
    });
    failed.into_inner()
}
