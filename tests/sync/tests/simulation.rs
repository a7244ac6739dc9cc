//! Twenty thousand worlds come out right, and a service with a fault is found out in a few.

use simulation::fault::{FAULTS, Fault};
use std::{
    sync::atomic::{AtomicU64, Ordering},
    thread,
};

const SEEDS: u64 = 20_000;

#[test]
fn worlds_come_out_right() {
    let next = AtomicU64::new(0);
    let wrong = thread::scope(|scope| {
        let workers: Vec<_> = (0..thread::available_parallelism().map_or(1, usize::from))
            .map(|_| scope.spawn(|| first_wrong(&next)))
            .collect();
        workers.into_iter().filter_map(|worker| worker.join().unwrap()).min()
    });
    if let Some((seed, wrong)) = wrong {
        panic!("seed {seed}: {wrong}\nto see it: tests/sync/run --replay {seed}");
    }
}

fn first_wrong(next: &AtomicU64) -> Option<(u64, String)> {
    loop {
        let seed = next.fetch_add(1, Ordering::Relaxed);
        if seed >= SEEDS {
            return None;
        }
        if let Err(wrong) = simulation::play(seed, None) {
            // The others stop, too.
            next.store(SEEDS, Ordering::Relaxed);
            return Some((seed, wrong));
        }
    }
}

/// In how many worlds each fault is found at the latest.
fn found_within(fault: Fault) -> u64 {
    match fault {
        Fault::SkipBase => 100,
        Fault::DropTieBreak => 5000,
        Fault::SequenceBeforeCommit => 100,
        Fault::SkipRepeat => 100,
        Fault::LoseLeave => 100,
        Fault::CutNoStamp => 100,
        Fault::TakeCopiesForOne => 5000,
        Fault::CursorWithoutMark => 5000,
        Fault::RevivedIsAChange => 5000,
    }
}

#[test]
fn every_fault_is_found() {
    for fault in FAULTS {
        let most = found_within(fault);
        let found =
            (0..most).find_map(|seed| simulation::play(seed, Some(fault)).err().map(|wrong| (seed, wrong)));
        println!("{fault:?} {found:?}");
        assert!(found.is_some(), "{fault:?} is not found in {most} worlds");
    }
}
