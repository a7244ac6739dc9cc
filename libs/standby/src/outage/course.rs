//! One set through one outage, from stop to stop: whole seconds and whole microlitres, so that sums are exact.

use super::rates::Rates;
use crate::amount::Volume;

/// More stops than this make no plan, and a wrong entry would have us count for ever.
const MOST_STOPS: usize = 20_000;

/// Where the fuel comes from.
#[derive(Clone, Copy, Debug)]
pub(super) enum Supply {
    /// The set's own tank.
    Tank { capacity: Volume, start: Volume, reserve: Volume },
    /// A tank of the site or a gas main: the set itself never stops for fuel.
    Fed,
}

/// What tanks are filled from.
#[derive(Clone, Copy, Debug)]
pub(super) enum Stock {
    /// As much as it takes: what that is will be staged.
    Staged,
    /// What is there, and no more.
    OnSite(Volume),
}

/// When some work is due, counted from the start of the outage.
#[derive(Clone, Copy, Debug)]
pub(super) struct Work {
    /// After how many seconds of running; negative where it is due already.
    pub due_run: Option<i64>,
    /// Seconds of running from one time to the next.
    pub interval: i64,
    /// Seconds of running that it may be late.
    pub tolerance: i64,
    /// The first instant at which its date is past, in seconds after the start.
    pub due_offset: Option<i64>,
    /// How long a stop lasts at which it is done.
    pub stop: i64,
}

/// What a set is run with.
pub(super) struct Set<'a> {
    pub duration: i64,
    pub rates: &'a Rates,
    pub supply: Supply,
    pub stock: Stock,
    pub check_every: i64,
    pub since_check: i64,
    pub plain_stop: i64,
    pub work: Vec<Work>,
}

/// What a leg ends with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    Check,
    Reserve,
    Task,
    End,
}

/// A stop.
#[derive(Clone, Debug)]
pub(super) struct Stop {
    pub offset: i64,
    pub run: i64,
    pub seconds: i64,
    pub added: Volume,
    pub work: Vec<usize>,
    pub cause: Cause,
}

/// How it went.
#[derive(Clone, Debug, Default)]
pub(super) struct Course {
    pub stops: Vec<Stop>,
    pub run: i64,
    pub down: i64,
    pub burned: Volume,
    pub added: Volume,
    pub end: Volume,
    /// Seconds after the start at which it stopped for want of fuel.
    pub ran_dry: Option<i64>,
    /// What is due after, as [`Set::work`].
    pub work: Vec<Work>,
    /// When it ran: offset and seconds of each leg.
    pub legs: Vec<(i64, i64)>,
}

/// There would be more stops than make a plan; what most of them are for.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct TooManyStops(pub Cause);

/// Where the set is on its course.
struct State<'a> {
    set: Set<'a>,
    course: Course,
    offset: i64,
    since_check: i64,
    stock: Stock,
}

/// Runs the set through.
pub(super) fn course(set: Set<'_>) -> Result<Course, TooManyStops> {
    let end = if let Supply::Tank { start, .. } = set.supply { start } else { Volume::ZERO };
    let work = set.work.clone();
    let (since_check, stock) = (set.since_check, set.stock);
    let mut state =
        State { set, course: Course { end, work, ..Course::default() }, offset: 0, since_check, stock };
    while state.offset < state.set.duration {
        let (seconds, cause) = state.next_leg();
        state.run(seconds);
        if cause == Cause::End {
            break;
        }
        if state.is_dry(cause) {
            state.course.ran_dry = Some(state.offset);
            break;
        }
        if state.course.stops.len() >= MOST_STOPS {
            return Err(TooManyStops(state.mostly()));
        }
        state.stop(cause);
    }
    Ok(state.course)
}

impl State<'_> {
    /// What most stops are for.
    fn mostly(&self) -> Cause {
        let of = |cause: &Cause| self.course.stops.iter().filter(|stop| stop.cause == *cause).count();
        [Cause::Task, Cause::Check, Cause::Reserve].into_iter().max_by_key(of).unwrap_or(Cause::Reserve)
    }

    /// How long it would run from `offset` on, were there only checks and fuel to stop for.
    fn plain_leg(&self, offset: i64, since_check: i64) -> (i64, Cause) {
        let left = (self.set.duration - offset).max(0);
        let check = self.set.check_every.saturating_sub(since_check).max(0);
        let fuel = match self.set.supply {
            Supply::Tank { reserve, .. } => {
                self.set.rates.lasts(offset, self.course.end - reserve, check.min(left) + 1)
            }
            Supply::Fed => i64::MAX,
        };
        match (check, fuel) {
            _ if check.min(fuel) >= left => (left, Cause::End),
            _ if fuel <= check => (fuel, Cause::Reserve),
            _ => (check, Cause::Check),
        }
    }

    /// How long it runs from here, and why it stops: work that cannot wait for the next stop has one of its own.
    fn next_leg(&self) -> (i64, Cause) {
        let (leg, cause) = self.plain_leg(self.offset, self.since_check);
        let cannot_wait = |work: &Work| {
            let falls_due = work.due_run?.saturating_sub(self.course.run);
            (falls_due.saturating_add(work.tolerance) < leg).then_some(falls_due.max(0))
        };
        match self.course.work.iter().filter_map(cannot_wait).min() {
            Some(earlier) => (earlier, Cause::Task),
            None => (leg, cause),
        }
    }

    fn run(&mut self, seconds: i64) {
        let burned = self.set.rates.burned(self.offset, seconds);
        self.course.burned += burned;
        if let Supply::Tank { .. } = self.set.supply {
            self.course.end -= burned;
        }
        if seconds > 0 {
            self.course.legs.push((self.offset, seconds));
        }
        self.course.run += seconds;
        self.offset += seconds;
        self.since_check = self.since_check.saturating_add(seconds);
    }

    /// Whether the tank is at its reserve and nothing is there to raise it.
    fn is_dry(&self, cause: Cause) -> bool {
        let Supply::Tank { capacity, reserve, .. } = self.set.supply else { return false };
        let filled = match self.stock {
            Stock::Staged => capacity,
            Stock::OnSite(stock) => (self.course.end + stock).or_less(capacity),
        };
        cause == Cause::Reserve && self.set.rates.lasts(self.offset, filled - reserve, 1) == 0
    }

    fn fill(&mut self) -> Volume {
        let Supply::Tank { capacity, .. } = self.set.supply else { return Volume::ZERO };
        let room = capacity - self.course.end;
        let added = match &mut self.stock {
            Stock::Staged => room,
            Stock::OnSite(stock) => {
                let added = room.or_less(*stock);
                *stock -= added;
                added
            }
        };
        self.course.end += added;
        self.course.added += added;
        added
    }

    fn stop(&mut self, cause: Cause) {
        let added = self.fill();
        self.since_check = 0;
        let done = self.work_before_next(cause);
        let longest =
            done.iter().filter_map(|place| self.course.work.get(*place)).map(|work| work.stop).max();
        let lasts = longest.unwrap_or(self.set.plain_stop);
        let seconds = lasts.min(self.set.duration - self.offset);
        let run = self.course.run;
        for place in &done {
            let Some(work) = self.course.work.get_mut(*place) else { continue };
            work.due_run = work.due_run.map(|_| run.saturating_add(work.interval));
            work.due_offset = None;
        }
        self.course.stops.push(Stop { offset: self.offset, run, seconds, added, work: done, cause });
        self.course.down += seconds;
        self.offset += seconds;
    }

    /// Which work would fall due before the next stop, or before the end where none comes; and what the stop was made for.
    fn work_before_next(&self, cause: Cause) -> Vec<usize> {
        let on_again = self.offset.saturating_add(self.set.plain_stop).min(self.set.duration);
        let (leg, _) = self.plain_leg(on_again, 0);
        let due = |work: &Work| {
            let by_hours = work.due_run.is_some_and(|due| {
                due < self.course.run.saturating_add(leg) || (cause == Cause::Task && due <= self.course.run)
            });
            by_hours || work.due_offset.is_some_and(|due| due <= on_again.saturating_add(leg))
        };
        (0..self.course.work.len()).filter(|place| self.course.work.get(*place).is_some_and(due)).collect()
    }
}
