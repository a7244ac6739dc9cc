//! Which readings of one meter are believed.
//!
//! Readings are judged by one pass in canonical order. Two readings agree if the later is not below the earlier and
//! not above it by more than the clock plus one tick. The chain is the largest set of readings, among those not
//! settled yet, that agree with each other and with the last settled one; the earlier where two are as large. Its
//! first is settled once three later ones stand in it, or when more than sixteen readings wait.
//!
//! A meter that goes back to nought at some number is unrolled: a fall agrees if the rise through that number does.

use model::{EventId, Hours, Instant};

/// How many later readings of the chain settle one.
const CONFIRMATIONS: usize = 3;
/// How many readings may wait; bounds the work that one reading can cause.
const WAITING_MOST: usize = 16;

const MICROS: i64 = 1_000_000;

/// What a meter showed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reading {
    pub(crate) event: EventId,
    pub(crate) instant: Instant,
    pub(crate) hours: Hours,
    /// Whether it belongs to the chain whatever the others say: a commissioning, a meter swap, a confirmed one.
    pub(crate) fixed: bool,
    /// Whether somebody said that it is right.
    pub(crate) is_confirmed: bool,
}

/// What a meter showed and when: all that later readings are held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Mark {
    pub(crate) instant: Instant,
    pub(crate) hours: Hours,
}

/// How a meter counts.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Dial {
    /// Its smallest step.
    pub(crate) tick: Hours,
    /// Where it goes back to nought, if it does.
    pub(crate) rollover: Option<Hours>,
}

/// What became of the readings of one meter.
pub(crate) struct Judged {
    /// Of each, whether it belongs to the chain.
    pub(crate) used: Vec<bool>,
    /// The place of the last settled reading, unless it was settled before these.
    pub(crate) settled: Option<usize>,
    /// The place of the last reading from which the pass may be begun anew.
    pub(crate) restart: Option<usize>,
}

/// Judges readings in canonical order that follow `settled`; `end` is when another meter took over.
///
/// To begin anew at `restart` with the readings after it gives the same as this, also when more follow. The pass is
/// told by the last settled reading and those that wait, once a reading is fully dealt with; and nothing is settled
/// sooner with fewer waiting.
pub(crate) fn judge(readings: &[Reading], settled: Option<Mark>, end: Option<Instant>, dial: Dial) -> Judged {
    let mut fold = Fold::over(readings, settled, dial);
    let mut restart = None;
    for (i, reading) in readings.iter().enumerate() {
        if reading.fixed {
            fold.fix(i, reading)
        } else {
            fold.add(i, reading)
        }
        // What shares its instant is dealt with together with it.
        let stands_alone = |at: &usize| {
            let next = readings.get(at + 1).map(|next| next.instant).or(end);
            next.is_none_or(|next| readings.get(*at).is_some_and(|reading| reading.instant < next))
        };
        restart = fold.settled_at.filter(stands_alone).or(restart);
    }
    let settled = fold.settled_at;
    fold.settle_all();
    Judged { used: fold.used, settled, restart }
}

struct Fold<'r> {
    readings: &'r [Reading],
    dial: Dial,
    used: Vec<bool>,
    /// The last settled reading.
    settled: Option<Mark>,
    /// Its place, unless it was settled before.
    settled_at: Option<usize>,
    /// Readings that are not settled, by index.
    waiting: Vec<usize>,
    /// The chain among them, by position in `waiting`, ascending.
    chain: Vec<usize>,
}

impl Reading {
    pub(crate) fn mark(&self) -> Mark {
        Mark { instant: self.instant, hours: self.hours }
    }

    /// Whether this agrees with an earlier reading.
    fn follows(&self, earlier: Mark, dial: Dial) -> bool {
        self.mark().rise_since(earlier, dial).is_some()
    }
}

impl Mark {
    /// The use since an earlier reading, if this agrees with that.
    pub(crate) fn rise_since(self, earlier: Self, dial: Dial) -> Option<Hours> {
        let rise = dial.rise(earlier.hours, self.hours)?;
        let micros = |hours: Hours| hours.seconds().saturating_mul(MICROS);
        let elapsed = self.instant.micros().saturating_sub(earlier.instant.micros());
        (micros(rise) <= elapsed.saturating_add(micros(dial.tick))).then_some(rise)
    }
}

impl Dial {
    /// How far the meter goes on from one number to another, at most once past where it goes back to nought.
    fn rise(self, from: Hours, to: Hours) -> Option<Hours> {
        let unrolled = if to < from { to + self.rollover? } else { to };
        Some(unrolled - from).filter(|rise| *rise >= Hours::ZERO)
    }
}

impl<'r> Fold<'r> {
    fn over(readings: &'r [Reading], settled: Option<Mark>, dial: Dial) -> Self {
        let used = vec![false; readings.len()];
        Self { readings, dial, used, settled, settled_at: None, waiting: Vec::new(), chain: Vec::new() }
    }

    fn add(&mut self, index: usize, reading: &Reading) {
        let follows = |earlier: Mark| reading.follows(earlier, self.dial);
        let agrees = self.settled.is_none_or(follows) && self.of_chain().all(follows);
        self.waiting.push(index);
        if agrees {
            // Without the new reading the chain was the first of the largest sets, so with it it still is.
            self.chain.push(self.waiting.len() - 1);
        } else {
            self.chain = self.largest(None);
        }
        while self.chain.len() > CONFIRMATIONS || self.waiting.len() > WAITING_MOST {
            self.settle_first();
        }
    }

    fn fix(&mut self, index: usize, reading: &Reading) {
        self.chain = self.largest(Some(reading));
        self.settle_all();
        self.settle(index);
    }

    fn of_chain(&self) -> impl Iterator<Item = Mark> {
        self.chain.iter().filter_map(|at| self.readings.get(*self.waiting.get(*at)?)).map(Reading::mark)
    }

    /// Settles the first of the chain; what waited before it is set aside for good. Without a chain that is the
    /// first that waits.
    fn settle_first(&mut self) {
        let first = self.chain.first().copied();
        if let Some(index) = first.and_then(|at| self.waiting.get(at)) {
            self.settle(*index);
        }
        let gone = first.unwrap_or(0) + 1;
        self.waiting.drain(..gone.min(self.waiting.len()));
        self.chain = self.chain.iter().skip(1).map(|at| at - gone).collect();
        if self.chain.len() < self.waiting.len() {
            // What disagreed with the reading settled before may agree with this one.
            self.chain = self.largest(None);
        }
    }

    fn settle_all(&mut self) {
        for at in std::mem::take(&mut self.chain) {
            if let Some(index) = self.waiting.get(at) {
                self.settle(*index);
            }
        }
        self.waiting.clear();
    }

    fn settle(&mut self, index: usize) {
        self.settled = self.readings.get(index).map(Reading::mark);
        self.settled_at = Some(index);
        if let Some(used) = self.used.get_mut(index) {
            *used = true;
        }
    }

    /// The largest set among the waiting readings that agrees with itself, the last settled reading and `end`, by
    /// position; the first in order among equals.
    fn largest(&self, end: Option<&Reading>) -> Vec<usize> {
        let waiting: Vec<&Reading> = self.waiting.iter().filter_map(|i| self.readings.get(*i)).collect();
        let links: Vec<u32> = waiting
            .iter()
            .map(|earlier| set_of(waiting.iter().map(|later| later.follows(earlier.mark(), self.dial))))
            .collect();
        let open = set_of(waiting.iter().map(|reading| {
            self.settled.is_none_or(|settled| reading.follows(settled, self.dial))
                && end.is_none_or(|end| end.follows(reading.mark(), self.dial))
        }));
        let mut best = 0;
        search(open, 0, &links, &mut best);
        (0..waiting.len()).filter(|at| best & (1 << at) != 0).collect()
    }
}

fn set_of(members: impl Iterator<Item = bool>) -> u32 {
    members.enumerate().fold(0, |set, (at, is_in)| if is_in { set | 1 << at } else { set })
}

/// Takes or leaves the first open one in turn, taking first, so that the first of the largest sets is met first.
fn search(open: u32, taken: u32, links: &[u32], best: &mut u32) {
    if taken.count_ones() + open.count_ones() <= best.count_ones() {
        return;
    }
    if open == 0 {
        *best = taken;
        return;
    }
    let first = 1_u32 << open.trailing_zeros();
    let later = open & !first;
    let agreeing = links.get(first.trailing_zeros() as usize).copied().unwrap_or(0);
    search(later & agreeing, taken | first, links, best);
    search(later, taken, links, best);
}

/// How near to each other in order readings are looked at that speak for another meter.
const NEAR: usize = 16;

/// The first three of readings set aside that agree with each other and lie below the last reading used: what a
/// meter shows that was swapped and nobody said so.
pub(crate) fn other_meter(
    readings: &[Reading],
    judged: &Judged,
    earlier: Option<Mark>,
    dial: Dial,
) -> Option<[Reading; 3]> {
    let used = || readings.iter().zip(&judged.used).rev().find(|(_, used)| **used).map(|(r, _)| r.mark());
    let from = judged.settled.map_or(0, |at| at + 1);
    let aside = readings.iter().zip(&judged.used).skip(from).filter(|(_, used)| !**used);
    aside.clone().nth(2)?;
    let last = used().or(earlier)?;
    let low: Vec<&Reading> = aside.map(|(r, _)| r).filter(|r| r.hours < last.hours).collect();
    let near = |at: usize| low.iter().skip(at + 1).take(NEAR).enumerate().map(move |(n, r)| (at + 1 + n, *r));
    low.iter().enumerate().find_map(|(i, first)| {
        near(i).filter(|(_, second)| second.follows(first.mark(), dial)).find_map(|(j, second)| {
            let agrees = |r: &Reading| [first.mark(), second.mark()].iter().all(|m| r.follows(*m, dial));
            near(j).find(|(_, third)| agrees(third)).map(|(_, third)| [**first, *second, *third])
        })
    })
}

/// What a reading that was set aside probably should have been: a slip of the decimal point that fits between
/// the readings around it.
pub(crate) fn suggest(
    reading: &Reading,
    before: Option<Mark>,
    after: Option<Mark>,
    dial: Dial,
) -> Option<Hours> {
    let clock =
        |from: Mark, to: Mark| Hours::from_seconds(to.instant.seconds_since(from.instant)) + dial.tick;
    let room = match (before, after) {
        (None, None) => return None,
        (Some(before), Some(after)) if before.hours <= after.hours => after.hours - before.hours,
        (Some(before), Some(after)) => after.rise_since(before, dial)?,
        (Some(before), None) => clock(before, reading.mark()),
        (None, Some(after)) => clock(reading.mark(), after),
    };
    let fits = |hours: &Hours| {
        let rise = match (before, after) {
            (Some(before), _) => dial.rise(before.hours, *hours),
            (None, after) => after.and_then(|after| dial.rise(*hours, after.hours)),
        };
        rise.is_some_and(|rise| rise <= room)
    };
    let seconds = reading.hours.seconds();
    let shifted = [
        divided(seconds, 10, dial.tick),
        Hours::from_seconds(seconds.saturating_mul(10)),
        divided(seconds, 100, dial.tick),
    ];
    shifted.into_iter().find(|hours| *hours != reading.hours && fits(hours))
}

/// `seconds` over `by`, to the nearest tick.
fn divided(seconds: i64, by: i64, tick: Hours) -> Hours {
    let tick = tick.seconds().max(1);
    let step = tick.saturating_mul(by);
    Hours::from_seconds((seconds.saturating_add(step / 2) / step).saturating_mul(tick))
}

#[cfg(test)]
mod tests;
