//! Every second that the engine ran, once, with its year and class.

use std::collections::{BTreeMap, BTreeSet};

use model::{Instant, LocalDate, Zone};

use super::{LedgerTrace, MeterYear, OverlapRule, Read, Run, RunClass, classes::Classed, whole_second};

/// A time in one year that the same runs cover.
#[derive(Debug)]
pub(super) struct Piece {
    pub(super) year: i16,
    /// Positions of the runs, in order.
    pub(super) runs: Vec<usize>,
    pub(super) class: RunClass,
    pub(super) lasted: Lasted,
    /// Whether the runs name different classes.
    pub(super) disputed: bool,
    /// Whether it may yet count as a more limited class: nobody has said what one of the runs was for, or which of them is right.
    pub(super) open: bool,
}

/// How many seconds something lasted, and how many of them lie between the readings of the meter in its year.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Lasted {
    pub(super) seconds: i64,
    /// Those that lie there whatever the hour was of what is known by its day only.
    pub(super) read_least: i64,
    /// Those that may.
    pub(super) read_most: i64,
}

impl Lasted {
    pub(super) fn and(self, other: Self) -> Self {
        Self {
            seconds: self.seconds + other.seconds,
            read_least: self.read_least + other.read_least,
            read_most: self.read_most + other.read_most,
        }
    }
}

/// The times that the runs cover, cut where a run begins or ends, where a year begins and where the meter was read, and joined
/// again where year and runs are the same. A run known by its day only is a time of its own.
pub(super) fn pieces(
    runs: &[Classed],
    meters: &BTreeMap<i16, MeterYear>,
    zone: &Zone,
    rule: OverlapRule,
    trace: &mut Vec<LedgerTrace>,
) -> Vec<Piece> {
    let read_in = |year: i16| meters.get(&year).and_then(|meter| meter.read);
    let mut lasted: BTreeMap<(i16, Vec<usize>), Lasted> = BTreeMap::new();
    let mut changes: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for (at, Classed { run, .. }) in runs.iter().enumerate() {
        let midnights = new_years(run.from, run.until, zone);
        trace.extend(midnights.iter().map(|midnight| LedgerTrace::SplitAtNewYear {
            run: run.id.clone(),
            at: Instant::FIRST.plus_seconds(*midnight),
        }));
        if run.by_day {
            trace.push(LedgerTrace::CountedByItself { run: run.id.clone() });
            let begins = std::iter::once(run.from).chain(midnights.iter().copied());
            for (from, until) in begins.zip(midnights.iter().copied().chain([run.until])) {
                let year = year_of(from, zone);
                lasted.insert((year, vec![at]), of_day(run, until - from, read_in(year), zone));
            }
            continue;
        }
        changes.entry(run.from).or_default().push(at);
        changes.entry(run.until).or_default().push(at);
        for midnight in midnights {
            changes.entry(midnight).or_default();
        }
    }
    for Read { least, most } in meters.values().filter_map(|meter| meter.read) {
        for reading in [least.0, least.1, most.0, most.1] {
            changes.entry(reading).or_default();
        }
    }
    let mut running: BTreeSet<usize> = BTreeSet::new();
    let mut since = 0;
    for (second, toggled) in changes {
        if !running.is_empty() {
            let year = year_of(since, zone);
            let key = (year, running.iter().copied().collect());
            let time = lasted.entry(key).or_default();
            *time = time.and(cut(since, second, read_in(year)));
        }
        for at in toggled {
            if !running.remove(&at) {
                running.insert(at);
            }
        }
        since = second;
    }
    lasted.into_iter().map(|((year, covering), lasted)| piece(year, covering, lasted, runs, rule)).collect()
}

/// A time of known begin and end.
fn cut(from: i64, until: i64, read: Option<Read>) -> Lasted {
    let seconds = until - from;
    let within = |span| shared(from, until, span);
    let (read_least, read_most) =
        read.map_or((seconds, seconds), |read| (within(read.least), within(read.most)));
    Lasted { seconds, read_least, read_most }
}

/// So much of a run that began at some second of its day: how much of it lies between the readings grows, stays and falls with
/// that second, so that the least is found at an end of the day, and the most where the run begins or ends with a reading.
fn of_day(run: &Run, seconds: i64, read: Option<Read>, zone: &Zone) -> Lasted {
    let Some(read) = read else { return Lasted { seconds, read_least: seconds, read_most: seconds } };
    let next = zone.date(Instant::FIRST.plus_seconds(run.from)).plus_days(1);
    let last = (whole_second(zone.midnight(next)) - 1).max(run.from);
    let length = run.until - run.from;
    let from = |begin: i64, span| shared(begin, begin + length, span);
    let least = from(run.from, read.least).min(from(last, read.least));
    let begins = [read.most.0, read.most.1 - length].map(|begin| begin.clamp(run.from, last));
    let most = begins.into_iter().map(|begin| from(begin, read.most)).max().unwrap_or(0);
    Lasted { seconds, read_least: least.min(seconds), read_most: most.min(seconds) }
}

/// The seconds that two times share.
fn shared(from: i64, until: i64, span: (i64, i64)) -> i64 {
    (until.min(span.1) - from.max(span.0)).max(0)
}

fn piece(year: i16, covering: Vec<usize>, lasted: Lasted, runs: &[Classed], rule: OverlapRule) -> Piece {
    let mut named: BTreeSet<RunClass> =
        covering.iter().filter_map(|at| runs.get(*at)).map(|run| run.class).collect();
    let unsaid = named.remove(&RunClass::Unclassified);
    let disputed = named.len() > 1;
    // The order of the classes is from the least to the most limited.
    let most_limited = named.last().copied().unwrap_or(RunClass::Unclassified);
    let class = match rule {
        OverlapRule::UnclassifiedUntilSettled if disputed => RunClass::Unclassified,
        OverlapRule::MostLimitedClass | OverlapRule::UnclassifiedUntilSettled => most_limited,
    };
    let open = class == RunClass::Unclassified || unsaid && class != RunClass::NonEmergency;
    Piece { year, runs: covering, class, lasted, disputed, open }
}

/// The local midnights of 1 January strictly within a time.
fn new_years(from: i64, until: i64, zone: &Zone) -> Vec<i64> {
    (year_of(from, zone).saturating_add(1)..=year_of(until, zone))
        .filter_map(|year| LocalDate::parse(&format!("{year}-01-01")).ok())
        .map(|date| whole_second(zone.midnight(date)))
        .filter(|second| *second < until)
        .collect()
}

fn year_of(second: i64, zone: &Zone) -> i16 {
    zone.date(Instant::FIRST.plus_seconds(second)).year()
}
