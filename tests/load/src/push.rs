//! Pushes: batches of 100 edits through the write transaction, against bare inserts of the same rows.

use std::{
    collections::VecDeque,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicUsize, Ordering},
    },
    time::{Duration, Instant as Ticks},
};

use anyhow::{Context, Result, ensure};
use blackbox::world::fresh;
use model::OrganizationId;
use store::{Command, Store, baseline::BareRows};

use crate::{
    batch::{self, batches},
    fleet::{Fleet, Past},
    options::{Options, progress},
    stats::{Measured, Rounds, count},
    town::Town,
    unit::Unit,
};

/// What is pushed to, and what it is held against.
pub(crate) struct Pushes {
    towns: Vec<(Town, Vec<Unit>, usize)>,
    /// An organization for bare rows beside each town.
    bare: Vec<OrganizationId>,
    store: Store,
    turn: usize,
}

impl Pushes {
    /// Makes `towns` organizations with `units` units each, of `events` events each.
    pub(crate) async fn build(store: &Store, towns: usize, units: usize, events: usize) -> Result<Self> {
        let mut pushes = Self { towns: Vec::new(), bare: Vec::new(), store: store.clone(), turn: 0 };
        let began = Ticks::now();
        for _ in 0..towns {
            let town = Town::new(store).await?;
            let fleet = Fleet::build(&town, units, Past::Events(events)).await?;
            pushes.towns.push((town, fleet.units, 0));
            let bare = fresh();
            ensure!(store.create_organization(bare).await?, "an organization that is there already");
            pushes.bare.push(bare);
        }
        progress(&format!(
            "built {towns} × {units} units of {events} events in {:.0} s",
            began.elapsed().as_secs_f64()
        ));
        Ok(pushes)
    }

    /// Pushes by `clients` at a time, in turn with bare inserts by as many.
    pub(crate) async fn compare(&mut self, clients: usize, options: &Options) -> Result<Rounds> {
        // A first go warms up both, and tells how much there is to do in a round; it need not last as long.
        let first = self.push(clients, clients * 2).await?;
        let bare_first = self.bare(clients, clients * 8).await?;
        let of_round = |rate: f64| work_of(rate, options.time(), clients);
        let (work, bare_work) = (of_round(first.rate()), of_round(bare_first.rate()));
        let mut rounds = Rounds::default();
        for _ in 0..options.rounds {
            rounds.candidate.push(self.push(clients, work).await?);
            rounds.baseline.push(self.bare(clients, bare_work).await?);
        }
        Ok(rounds)
    }

    /// Batches for each town in its turn, made before anything is pushed.
    pub(crate) fn prepare(&mut self, work: usize) -> Result<VecDeque<Command>> {
        let mut commands = VecDeque::with_capacity(work);
        let towns = self.towns.len();
        for _ in 0..work {
            let (town, units, next) = self.towns.get_mut(self.turn % towns.max(1)).context("no towns")?;
            self.turn += 1;
            commands.extend(batches(town, units, next, 1)?);
        }
        Ok(commands)
    }

    /// The units of the first town, as they are told of so far.
    pub(crate) fn units(&self) -> Result<Vec<Unit>> {
        self.towns.first().map(|(_, units, _)| units.clone()).context("no towns")
    }

    /// Gives half of the units of the first town away, and pushes about them no more: whoever is told of a unit has to know what
    /// was written of it last.
    pub(crate) fn give_half(&mut self) -> Result<Vec<Unit>> {
        let (_, units, _) = self.towns.first_mut().context("no towns")?;
        Ok(units.split_off(units.len() / 2))
    }

    /// Any of the towns, for what is alike in all.
    pub(crate) fn town(&self) -> Result<&Town> {
        self.towns.first().map(|(town, ..)| town).context("no towns")
    }

    /// Pushes so many batches by `clients` at a time.
    pub(crate) async fn push(&mut self, clients: usize, work: usize) -> Result<Measured> {
        let commands = Arc::new(Mutex::new(self.prepare(work)?));
        let town = self.town()?.clone();
        let began = Ticks::now();
        let pushing: Vec<_> = (0..clients)
            .map(|_| {
                let (commands, town) = (Arc::clone(&commands), town.clone());
                tokio::spawn(async move {
                    let mut each = Vec::new();
                    while let Some(command) = take(&commands) {
                        let asked = Ticks::now();
                        town.push(command).await?;
                        each.push(asked.elapsed());
                    }
                    anyhow::Ok(each)
                })
            })
            .collect();
        finish(pushing, began).await
    }

    /// Inserts the rows of so many batches by `clients` at a time.
    pub(crate) async fn bare(&self, clients: usize, work: usize) -> Result<Measured> {
        let mut rows = Vec::with_capacity(clients);
        let source = self.town()?.organization;
        for _ in 0..clients {
            rows.push(self.store.bare_rows(source, i64::try_from(batch::EDITS)?).await?);
        }
        let done = Arc::new(AtomicUsize::new(0));
        let began = Ticks::now();
        let inserting: Vec<_> = rows
            .into_iter()
            .map(|rows| {
                let (store, bare, done) = (self.store.clone(), self.bare.clone(), Arc::clone(&done));
                tokio::spawn(async move { insert(&store, &bare, rows, &done, work).await })
            })
            .collect();
        finish(inserting, began).await
    }
}

async fn insert(
    store: &Store,
    organizations: &[OrganizationId],
    mut rows: BareRows,
    done: &AtomicUsize,
    work: usize,
) -> Result<Vec<Duration>> {
    let mut each = Vec::new();
    loop {
        let n = done.fetch_add(1, Ordering::Relaxed);
        if n >= work {
            return Ok(each);
        }
        let organization = organizations.get(n % organizations.len().max(1)).context("no organization")?;
        rows.renew(fresh);
        let asked = Ticks::now();
        store.bare_insert(*organization, &rows).await?;
        each.push(asked.elapsed());
    }
}

/// How much of something is done in this time at this rate; a few for each client at least.
pub(crate) fn work_of(rate: f64, time: Duration, clients: usize) -> usize {
    let least = clients * 4;
    // Counted up rather than cast, since a cast of a double hides what does not fit.
    (least..100_000)
        .step_by(clients.max(1))
        .find(|n| count(*n) >= rate * time.as_secs_f64())
        .unwrap_or(100_000)
}

fn take(commands: &Mutex<VecDeque<Command>>) -> Option<Command> {
    commands.lock().unwrap_or_else(PoisonError::into_inner).pop_front()
}

async fn finish(
    clients: Vec<tokio::task::JoinHandle<Result<Vec<Duration>>>>,
    began: Ticks,
) -> Result<Measured> {
    let mut each = Vec::new();
    for client in clients {
        each.extend(client.await??);
    }
    Ok(Measured::new(began.elapsed(), each))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_round_lasts_about_as_long_as_asked_for() {
        let cases = [(10.0, 2, 4, 20), (0.1, 2, 4, 16), (1e9, 1, 4, 100_000), (0.0, 1, 8, 32)];
        for (rate, seconds, clients, is) in cases {
            assert_eq!(work_of(rate, Duration::from_secs(seconds), clients), is, "{rate} by {clients}");
        }
    }
}
