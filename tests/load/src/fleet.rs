//! Many units, made through the one write transaction like any others.

use std::{
    sync::{
        Arc,
        atomic::{AtomicUsize, Ordering},
    },
    time::{Duration, Instant as Ticks},
};

use anyhow::Result;
use model::{Instant, edit::Channel, event::ServiceEvent};
use store::command::Proposal;

use crate::{
    standing,
    town::{self, JOBS, NOW, Town},
    unit::Unit,
};

/// Edits of one transaction, about.
const EDITS: usize = 500;
/// Who builds at a time: as many as an organization may have writers in a pool of eight.
const BUILDERS: usize = 2;
/// Seconds of a day.
const DAY: i64 = 86_400;

/// What the units of a fleet have been through.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Past {
    /// So many readings and services, spread over a year.
    Events(usize),
    /// Two readings and a service since spring; of each `one_in` units one has missed its oil change, and nothing else.
    Recent {
        /// How many units for each that is overdue.
        one_in: usize,
    },
    /// One unit in eight has never been seen to; the others began at different times, run more or less, and have had two
    /// services: of their tasks some are in order, some coming due, due or overdue.
    Mixed,
    /// They stand by at sites of ten, with so many events each, and are ready; of each `one_in` units one has something that
    /// keeps it from running.
    StandBy {
        /// Events of each.
        events: usize,
        /// How many units for each that is not ready.
        one_in: usize,
    },
}

impl Past {
    /// Units of one transaction, which share a site.
    fn group(self) -> usize {
        match self {
            Self::Events(events) => (EDITS / (events + 1)).max(1),
            Self::Recent { .. } => EDITS / 6,
            Self::Mixed => 8,
            Self::StandBy { .. } => standing::AT_A_SITE,
        }
    }
}

/// Units in a town, and how long they took to make.
pub(crate) struct Fleet {
    pub(crate) units: Vec<Unit>,
    pub(crate) took: Duration,
}

impl Fleet {
    /// Makes `count` units.
    pub(crate) async fn build(town: &Town, count: usize, past: Past) -> Result<Self> {
        let began = Ticks::now();
        let group = past.group();
        let next = Arc::new(AtomicUsize::new(0));
        let builders: Vec<_> = (0..BUILDERS)
            .map(|_| {
                let (town, next) = (town.clone(), Arc::clone(&next));
                tokio::spawn(async move { build_groups(&town, count, group, past, &next).await })
            })
            .collect();
        let mut units = Vec::with_capacity(count);
        for builder in builders {
            units.extend(builder.await??);
        }
        Ok(Self { units, took: began.elapsed() })
    }
}

async fn build_groups(
    town: &Town,
    count: usize,
    group: usize,
    past: Past,
    next: &AtomicUsize,
) -> Result<Vec<Unit>> {
    let mut made = Vec::new();
    loop {
        let n = next.fetch_add(1, Ordering::Relaxed);
        let members = n * group..((n + 1) * group).min(count);
        if members.is_empty() {
            return Ok(made);
        }
        let mut edits = Vec::new();
        for member in members {
            let (unit, proposals) = unit(town, n, member, past)?;
            edits.extend(proposals);
            made.push(unit);
        }
        town.write(Channel::Import, Instant::parse(NOW)?, edits).await?;
    }
}

/// A unit with all that it has been through.
fn unit(town: &Town, group: usize, member: usize, past: Past) -> Result<(Unit, Vec<Proposal>)> {
    // What happens to one unit happens to the next a little later, so that they do not all come due at one moment.
    let shift = i64::try_from(member % 10_000)? * 97;
    let mut unit;
    let life = match past {
        Past::Events(events) => {
            unit =
                Unit::new(&town.places, group, Instant::parse("2025-06-01T08:00:00Z")?.plus_seconds(shift));
            unit.lives(events, Instant::parse("2026-06-09T12:00:00Z")?)?
        }
        Past::Recent { one_in } => {
            unit =
                Unit::new(&town.places, group, Instant::parse("2026-04-20T08:00:00Z")?.plus_seconds(shift));
            let mut life = Vec::from(unit.begins()?);
            life.push(unit.reading(20 * 86_400, 300)?);
            let job = if member.is_multiple_of(one_in) { "battery_check" } else { "oil_change" };
            life.push(unit.service_of(job, 10 * 86_400, 300)?);
            life.push(unit.reading(10 * 86_400, 500)?);
            life
        }
        Past::Mixed => {
            let days = 30 + i64::try_from(member * 37 % 1000)?;
            let begun = Instant::parse(NOW)?.plus_seconds(-days * DAY - shift % DAY);
            unit = Unit::new(&town.places, group, begun);
            mixed(&mut unit, member, days)?
        }
        Past::StandBy { events, one_in } => {
            unit = Unit::new(&town.places, group, Instant::parse(standing::BEGIN)?.plus_seconds(shift));
            standing::life(&mut unit, events, !member.is_multiple_of(one_in))?
        }
    };
    let created = match past {
        Past::StandBy { .. } => unit.created_with(standing::fields())?,
        _ => unit.created()?,
    };
    Ok((unit, std::iter::once(created).chain(life.into_iter().map(town::happened)).collect()))
}

/// What has happened to a unit of [`Past::Mixed`] in so many days.
fn mixed(unit: &mut Unit, member: usize, days: i64) -> Result<Vec<ServiceEvent>> {
    let [commissioning, adoption] = unit.begins()?;
    if member.is_multiple_of(8) {
        return Ok(vec![adoption]);
    }
    // From two to ten tenths of an hour a day, in three equal parts of the time.
    let part = days * DAY / 3;
    let tenths = u32::try_from(days * i64::try_from(2 + member % 9)? / 3)?;
    let job = |n: usize| JOBS.get((member + n) % JOBS.len()).map_or("", |(job, ..)| job);
    let first = unit.service_of(job(0), part, tenths)?;
    let second = unit.service_of(job(5), part, tenths)?;
    Ok(vec![commissioning, adoption, first, second, unit.reading(part - DAY, tenths)?])
}
