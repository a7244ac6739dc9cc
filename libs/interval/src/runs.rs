//! When the engine ran, by the record of its runs.
//!
//! Runs that overlap are one: two devices may log the same. A run that was started and never stopped goes on until
//! another begins, a reading shows that it did not, or the tank is empty.

mod spans;

use std::collections::BTreeMap;

use model::{EventId, Hours, Instant, event::RunReason};

pub(crate) use self::spans::Spans;
use crate::hours::Point;

const MICROS: i64 = 1_000_000;

/// What one event says of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Phase {
    /// It ran until then; with this much doubt, either way, how long.
    Whole {
        end: Instant,
        give_or_take: Hours,
        /// Whether the end itself was told, rather than how long it took.
        timed: bool,
    },
    /// It was started.
    Start,
    /// What was started by this event was stopped.
    Stop { of: EventId },
}

/// A phase of a run with its time.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Entry {
    pub(crate) event: EventId,
    pub(crate) at: Instant,
    /// Whether of its start only the day is known.
    pub(crate) by_day: bool,
    pub(crate) phase: Phase,
    pub(crate) reason: Option<RunReason>,
}

/// A run with its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Run {
    /// The event that tells of it, or of its start.
    pub(crate) event: EventId,
    pub(crate) start: Instant,
    /// [`Instant::LAST`] while it goes on.
    pub(crate) end: Instant,
    pub(crate) ended: Ended,
    pub(crate) give_or_take: Hours,
    /// What it was for.
    pub(crate) reason: Option<RunReason>,
    /// Until when it counts; readings may tell better.
    counts_until: Instant,
    /// Whether it is only known how long it ran that day.
    pub(crate) is_loose: bool,
}

/// By what a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ended {
    /// It was recorded.
    Stopped,
    /// Nothing yet.
    Open,
    /// The stop is missing and another run began.
    NextStart,
    /// The stop is missing and the meter showed that it had stopped.
    Reading,
    /// The stop is missing and the tank cannot have lasted longer.
    Tank,
}

/// A run of which it is not certain how long it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Doubtful {
    /// Since when it is in doubt whether it went on.
    pub(crate) from: Instant,
    /// Whether it counts while it goes on, and not at once when it is over.
    pub(crate) grows: bool,
    /// How much of it is in doubt.
    pub(crate) give_or_take: Hours,
}

impl Run {
    fn doubtful(&self) -> Doubtful {
        let from = match self.ended {
            Ended::Stopped if self.is_loose => self.end,
            Ended::Stopped => self.start.max(self.end.plus_seconds(-self.give_or_take.seconds())),
            _ => self.start,
        };
        Doubtful { from, grows: !self.is_loose, give_or_take: self.give_or_take }
    }
}

/// All runs of a unit.
#[derive(Clone, Debug, Default)]
pub(crate) struct Runs {
    /// In order of their start.
    all: Vec<Run>,
    /// When the engine ran, as far as is known.
    ran: Spans,
    /// When it ran for certain, unless a run's own doubt says less.
    surely: Spans,
    /// When it ran by records that have an end and no doubt.
    logged: Spans,
    /// When it ran, or stood since its tank was empty.
    spoken_for: Spans,
    /// Runs of which only the day and the length are known.
    loose: Vec<(Instant, Instant)>,
    /// When it ran by all other runs.
    timed: Spans,
    /// The same as far as it is certain.
    surely_timed: Spans,
    /// Of the runs with doubt, their ends and the doubt so far.
    doubts: Vec<(Instant, Hours)>,
    emergencies: Vec<(Instant, Instant)>,
}

/// What else tells how long an open run went on.
#[derive(Clone, Copy)]
pub(crate) struct Evidence<'a> {
    /// What is known of engine hours, in order of time.
    pub(crate) points: &'a [Point],
    pub(crate) tick: Hours,
    /// The longest that it runs on one tank.
    pub(crate) run_most: Option<Hours>,
}

impl Runs {
    /// The runs that entries in canonical order tell of.
    pub(crate) fn of(entries: &[Entry], evidence: &Evidence<'_>) -> Self {
        if entries.is_empty() {
            return Self::default();
        }
        let mut all = ended(entries, evidence);
        all.sort_unstable_by_key(|run| (run.start, run.event));
        let counted = |run: &Run| (run.start, run.counts_until);
        let among = |keeps: fn(&Run) -> bool| Spans::united(all.iter().filter(|run| keeps(run)).map(counted));
        let newest_start = all.last().map(|run| run.start);
        let is_sure = |run: &&Run| match run.ended {
            Ended::Stopped | Ended::Open | Ended::Reading => true,
            Ended::NextStart => false,
            // While it went on it counted as running, and hours never fall.
            Ended::Tank => newest_start == Some(run.start),
        };
        let stood = all.iter().filter(|run| run.ended == Ended::Tank);
        let stood: Vec<_> = stood.map(|run| (run.end, stood_until(run, &all, evidence))).collect();
        let emergencies =
            all.iter().filter(|run| run.reason == Some(RunReason::Emergency)).map(|run| (run.start, run.end));
        Self {
            ran: among(|_| true),
            surely: Spans::united(all.iter().filter(is_sure).map(counted)),
            surely_timed: Spans::united(all.iter().filter(is_sure).filter(|run| !run.is_loose).map(counted)),
            logged: among(|run| run.ended == Ended::Stopped && run.give_or_take == Hours::ZERO),
            spoken_for: Spans::united(all.iter().map(counted).chain(stood)),
            loose: all.iter().filter(|run| run.is_loose).map(counted).collect(),
            timed: among(|run| !run.is_loose),
            doubts: doubts(&all),
            emergencies: Spans::united(emergencies).iter().collect(),
            all,
        }
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    /// In order of their start.
    pub(crate) fn iter(&self) -> impl Iterator<Item = &Run> {
        self.all.iter()
    }

    /// How long the engine ran from `from` to `to`, in full seconds.
    pub(crate) fn seconds(&self, from: Instant, to: Instant) -> i64 {
        self.ran.seconds(from, to)
    }

    /// The same, where runs of which only the day is known count once they are over.
    pub(crate) fn seconds_over(&self, from: Instant, to: Instant) -> i64 {
        let pending = self.pending(&self.timed, from, to, |end| to < end);
        (self.ran.micros(from, to) - pending).max(0) / MICROS
    }

    /// As [`seconds`](Self::seconds), as far as it is certain, doubts apart.
    pub(crate) fn sure_seconds(&self, from: Instant, to: Instant) -> i64 {
        self.surely.seconds(from, to)
    }

    /// As [`seconds_over`](Self::seconds_over), as far as it is certain, doubts apart.
    pub(crate) fn sure_seconds_over(&self, from: Instant, to: Instant) -> i64 {
        let pending = self.pending(&self.surely_timed, from, to, |end| to < end);
        (self.surely.micros(from, to) - pending).max(0) / MICROS
    }

    /// The same without what counts at once at `to`.
    pub(crate) fn sure_seconds_before(&self, from: Instant, to: Instant) -> i64 {
        let pending = self.pending(&self.surely_timed, from, to, |end| to <= end);
        (self.surely.micros(from, to) - pending).max(0) / MICROS
    }

    /// How long the run of which only the day is known that `is_pending` by its end, and no other, went on.
    fn pending(
        &self,
        others: &Spans,
        from: Instant,
        to: Instant,
        is_pending: impl Fn(Instant) -> bool,
    ) -> i64 {
        let begun = self.loose.partition_point(|(start, _)| *start < to);
        // One lies after the other, so the last is the one that is not over.
        let last = begun.checked_sub(1).and_then(|last| self.loose.get(last));
        last.filter(|(_, end)| is_pending(*end)).map_or(0, |(start, _)| {
            let start = (*start).max(from);
            (to.micros() - start.micros()).max(0) - others.micros(start, to)
        })
    }

    /// How long no run nor an empty tank speaks for, in full seconds.
    pub(crate) fn idle_seconds(&self, from: Instant, to: Instant) -> i64 {
        let elapsed = (to.micros() - from.micros()).max(0);
        (elapsed - self.spoken_for.micros(from, to)) / MICROS
    }

    /// The doubt of the runs that ended after `from` and by `to`.
    pub(crate) fn doubt(&self, from: Instant, to: Instant) -> Hours {
        let so_far = |at: Instant| {
            let ended = self.doubts.partition_point(|(end, _)| *end <= at);
            ended.checked_sub(1).and_then(|last| self.doubts.get(last)).map_or(Hours::ZERO, |(_, sum)| *sum)
        };
        (so_far(to) - so_far(from)).max(Hours::ZERO)
    }

    /// Runs that end after `from` and have a doubt, in order of the time since when, which is `from` at the earliest.
    pub(crate) fn doubtful(&self, from: Instant) -> Vec<Doubtful> {
        let of = self.all.iter().filter(|run| run.give_or_take > Hours::ZERO && run.end > from);
        let since = |doubtful: Doubtful| Doubtful { from: doubtful.from.max(from), ..doubtful };
        let mut doubtful: Vec<Doubtful> = of.map(|run| since(run.doubtful())).collect();
        doubtful.sort_unstable();
        doubtful
    }

    /// Whether from `from` to `to` the engine ran all the time by records that have an end and no doubt.
    pub(crate) fn is_logged(&self, from: Instant, to: Instant) -> bool {
        self.logged.micros(from, to) == to.micros() - from.micros()
    }

    /// The last instant at which of no run that ended after `from` it is in doubt whether it went on.
    pub(crate) fn vague_from(&self, from: Instant) -> Option<Instant> {
        let vague = |run: &&Run| run.ended != Ended::Stopped || run.give_or_take > Hours::ZERO;
        let since = |doubtful: Doubtful| {
            let at_once = i64::from(!doubtful.grows);
            Instant::from_micros(doubtful.from.micros() - at_once)
        };
        self.all.iter().filter(|run| run.end > from).filter(vague).map(|run| since(run.doubtful())).min()
    }

    /// The run that goes on at `at` without a recorded end.
    pub(crate) fn open_at(&self, at: Instant) -> Option<&Run> {
        let is_open = |run: &&Run| matches!(run.ended, Ended::Open | Ended::Tank) && at < run.end;
        self.all.iter().take_while(|run| run.start <= at).filter(is_open).last()
    }

    /// When the last run ended; [`Instant::LAST`] while one goes on.
    pub(crate) fn last_end(&self) -> Option<Instant> {
        self.all.iter().map(|run| run.end).max()
    }

    /// The same, of those that go on their start.
    pub(crate) fn last_known_end(&self) -> Instant {
        let known = |run: &Run| if run.end < Instant::LAST { run.end } else { run.start };
        self.all.iter().map(known).max().unwrap_or(Instant::FIRST)
    }

    /// When the first run began.
    pub(crate) fn first_start(&self) -> Option<Instant> {
        self.all.first().map(|run| run.start)
    }

    /// When the first run after `at` began.
    pub(crate) fn first_start_after(&self, at: Instant) -> Option<Instant> {
        self.all.get(self.all.partition_point(|run| run.start <= at)).map(|run| run.start)
    }

    /// When it ran in emergencies, in order of time.
    pub(crate) fn emergencies(&self) -> &[(Instant, Instant)] {
        &self.emergencies
    }

    /// The instants after `from` at which a run begins or ends, or a tank was empty.
    pub(crate) fn breaks(&self, from: Instant) -> impl Iterator<Item = Instant> {
        let spans = self.spoken_for.iter().flat_map(|(start, end)| [start, end]);
        let runs = self.all.iter().flat_map(|run| [run.start, run.end]);
        spans.chain(runs).filter(move |at| *at > from && *at < Instant::LAST)
    }
}

/// Each run with its end; runs of which only the day is known lie one after the other.
fn ended(entries: &[Entry], evidence: &Evidence<'_>) -> Vec<Run> {
    let mut stops: BTreeMap<EventId, Vec<Instant>> = BTreeMap::new();
    for entry in entries {
        if let Phase::Stop { of } = entry.phase {
            stops.entry(of).or_default().push(entry.at);
        }
    }
    let starts: Vec<Instant> = {
        let begins = entries.iter().filter(|entry| !matches!(entry.phase, Phase::Stop { .. }));
        begins.map(|entry| entry.at).collect()
    };
    let mut laid_until = Instant::FIRST;
    let run = |entry: &Entry| {
        let (mut start, mut is_loose) = (entry.at, false);
        let (end, ended, give_or_take, counts_until) = match entry.phase {
            Phase::Stop { .. } => return None,
            Phase::Whole { mut end, give_or_take, timed } => {
                is_loose = entry.by_day && !timed;
                if is_loose {
                    start = start.max(laid_until);
                    end = start.plus_seconds(end.seconds_since(entry.at));
                    laid_until = end;
                }
                (end, Ended::Stopped, give_or_take, end)
            }
            Phase::Start => {
                let stop = stops.get(&entry.event).and_then(|all| all.iter().find(|stop| **stop >= start));
                match stop {
                    Some(stop) => (*stop, Ended::Stopped, Hours::ZERO, *stop),
                    None => {
                        let next = starts.get(starts.partition_point(|next| *next <= start)).copied();
                        let (end, ended, counts_until) = open(start, next, evidence);
                        (end, ended, Hours::ZERO, counts_until)
                    }
                }
            }
        };
        let (event, reason) = (entry.event, entry.reason);
        Some(Run { event, start, end, ended, give_or_take, reason, counts_until, is_loose })
    };
    entries.iter().filter_map(run).collect()
}

/// How a run without a stop ended, and until when it counts.
fn open(start: Instant, next: Option<Instant>, evidence: &Evidence<'_>) -> (Instant, Ended, Instant) {
    let dry = evidence.run_most.map(|most| start.plus_seconds(most.seconds()));
    let (end, ended) = match (next, dry) {
        (Some(next), Some(dry)) if dry < next => (dry, Ended::Tank),
        (Some(next), _) => (next, Ended::NextStart),
        (None, Some(dry)) => (dry, Ended::Tank),
        (None, None) => (Instant::LAST, Ended::Open),
    };
    let since = evidence.points.partition_point(|point| point.instant <= start);
    let before = since.checked_sub(1).and_then(|last| evidence.points.get(last));
    // Hours less the clock stand still while it runs, and only fall where it stood.
    let lead = |hours: Hours, at: Instant| hours.seconds().saturating_mul(MICROS).saturating_sub(at.micros());
    let mut greatest = lead(before.map_or(Hours::ZERO, |before| before.hours), start);
    let mut agreed = start;
    for point in evidence.points.iter().skip(since).filter(|point| point.read) {
        let at = point.instant.min(end);
        if lead(point.hours + evidence.tick, at) < greatest {
            return if point.instant <= end {
                (point.instant, Ended::Reading, agreed)
            } else {
                (end, ended, agreed)
            };
        }
        greatest = greatest.max(lead(point.hours, at));
        agreed = at;
        if point.instant >= end {
            break;
        }
    }
    (end, ended, end)
}

/// Until when a unit stands whose tank was empty: until the next that is known of it.
fn stood_until(run: &Run, all: &[Run], evidence: &Evidence<'_>) -> Instant {
    let next = all.get(all.partition_point(|next| next.start <= run.end)).map(|next| next.start);
    let read = evidence.points.get(evidence.points.partition_point(|point| point.instant <= run.end));
    let read = read.map(|point| point.instant);
    next.into_iter().chain(read).min().unwrap_or(Instant::LAST)
}

fn doubts(all: &[Run]) -> Vec<(Instant, Hours)> {
    let of = all.iter().filter(|run| run.give_or_take > Hours::ZERO);
    let mut doubts: Vec<(Instant, Hours)> = of.map(|run| (run.end, run.give_or_take)).collect();
    doubts.sort_unstable();
    let mut sum = Hours::ZERO;
    for (_, doubt) in &mut doubts {
        sum = sum + *doubt;
        *doubt = sum;
    }
    doubts
}

#[cfg(test)]
mod tests;
