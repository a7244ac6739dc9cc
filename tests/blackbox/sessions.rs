//! Two sessions and more at once: no edit is lost, nobody is stuck, and who reads forward misses nothing.

mod ahead;
mod bystanders;
mod counter;
mod order;
mod reader;
mod updates;

use std::{sync::Barrier, thread};

/// Does the same `crew` times at the same moment; gives what each came to.
fn together<T: Send>(crew: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let start = Barrier::new(crew);
    thread::scope(|scope| {
        let (start, work) = (&start, &work);
        let begin = |one| {
            scope.spawn(move || {
                start.wait();
                work(one)
            })
        };
        let all: Vec<_> = (0..crew).map(begin).collect();
        all.into_iter().map(|one| one.join().unwrap()).collect()
    })
}
