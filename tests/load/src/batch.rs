//! The batches of 100 edits that are pushed.

use anyhow::{Context, Result};
use model::{Instant, edit::Channel};
use store::{Command, command::Proposal};

use crate::{
    town::{self, NOW, Town},
    unit::Unit,
};

/// Edits in a batch: 50 readings, 25 services, 25 corrections of fields.
pub(crate) const EDITS: usize = 100;
/// Units that a batch touches.
pub(crate) const UNITS: usize = 20;

/// Seconds between two things that happen to a unit, which runs all the time,
pub(crate) const STEP: i64 = 6 * 60;
/// and what its meter shows more each time, in tenths of an hour.
pub(crate) const MORE: u32 = 1;

/// The next `count` batches; a batch takes the units after those of the one before it, round and round.
pub(crate) fn batches(
    town: &Town,
    units: &mut [Unit],
    next: &mut usize,
    count: usize,
) -> Result<Vec<Command>> {
    (0..count).map(|_| batch(town, units, next)).collect()
}

fn batch(town: &Town, units: &mut [Unit], next: &mut usize) -> Result<Command> {
    let mut edits: Vec<Proposal> = Vec::with_capacity(EDITS);
    for n in 0..EDITS {
        let at = (*next + n % UNITS) % units.len().max(1);
        let unit = units.get_mut(at).context("no units")?;
        // Each of a unit's five edits is of another kind than the one before.
        edits.push(match (n + n / UNITS) % 4 {
            0 | 2 => town::happened(unit.reading(STEP, MORE)?),
            1 => town::happened(unit.service(STEP, MORE)?),
            _ => unit.corrected()?,
        });
    }
    *next += UNITS;
    // Time goes on with the units: what is pushed fast enough would else lie in the future.
    let now = units.iter().map(Unit::last).fold(Instant::parse(NOW)?, Instant::max);
    Ok(town.command(Channel::Sync, now, edits))
}
