//! Twenty thousand worlds come out right, and a service with a fault is found out in a few.

use std::{
    sync::atomic::{AtomicU64, Ordering},
    thread,
};

use simulation::fault::Fault;

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

/// A fault in the service is found within so many worlds, in the way that it does harm.
fn found(fault: Fault, within: u64, by: &str) {
    let finds = |seed: &u64| simulation::play(*seed, Some(fault)).is_err_and(|wrong| wrong.contains(by));
    let seed = (0..within).find(finds);
    assert!(seed.is_some(), "{fault:?} is not found in {within} worlds");
}

#[test]
fn a_base_that_is_not_looked_at() {
    found(Fault::SkipBase, 50, "is gone, which nobody had seen");
}

#[test]
fn ties_that_are_not_broken() {
    found(Fault::DropTieBreak, 50, "counts");
}

#[test]
fn numbers_taken_before_commit() {
    found(Fault::SequenceBeforeCommit, 500, "ought to have");
}

#[test]
fn repeats_that_are_not_recognised() {
    found(Fault::SkipRepeat, 10, "there twice");
}

#[test]
fn a_lost_line_by_which_a_site_loses_a_unit() {
    found(Fault::LoseLeave, 100, "ought to have");
}

#[test]
fn stamps_from_the_future_that_are_not_cut() {
    found(Fault::CutNoStamp, 10, "ahead");
}

#[test]
fn copies_of_a_handset_taken_for_one() {
    found(Fault::TakeCopiesForOne, 50, "is gone, which nobody had seen");
}

#[test]
fn cursors_that_do_not_know_of_their_own_push() {
    found(Fault::CursorWithoutMark, 50, "is missing");
}

#[test]
fn units_in_use_again_that_do_not_enter() {
    found(Fault::RevivedIsAChange, 10, "ought to have");
}
