//! Sync, simulated: handsets, a service and a bad network, all that happens drawn from one seed.
//!
//! The service here is tables in memory and the functions of `merge` and `proof` that the real one calls; the handsets do
//! what the protocol asks of a client. Messages are lost, repeated, reordered and split; handsets lie in drawers for
//! weeks, have clocks that are years off, are copied, revoked and handed on; people gain and lose sites, and units move;
//! the service stops at any step and is restored from backups. In the end the network heals, everybody syncs until
//! nothing changes, and [`judge`](judge::judge) looks whether anything was lost, doubled or kept from anybody.
//!
//! A seed always plays the same, so that one that fails can be played again.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "a model of a service and its clients, which fails by saying so"
)]

pub mod fault;
pub mod handset;
pub mod hub;
pub mod judge;
pub mod wire;
pub mod world;

use fault::Fault;
use world::World;

/// Plays one seed to its end; says what was wrong.
pub fn play(seed: u64, fault: Option<Fault>) -> Result<(), String> {
    run(&mut World::of(seed, fault))
}

/// The same, and everything that happened.
pub fn replay(seed: u64, fault: Option<Fault>) -> (Vec<String>, Result<(), String>) {
    let mut world = World::of(seed, fault);
    world.told = Some(Vec::new());
    let verdict = run(&mut world);
    (world.told.unwrap_or_default(), verdict)
}

fn run(world: &mut World) -> Result<(), String> {
    for _ in 0..world.rng.usize(20..250) {
        world.step()?;
    }
    world.heal()?;
    judge::judge(world)
}
