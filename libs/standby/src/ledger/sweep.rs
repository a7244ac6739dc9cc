//! Every second that the engine ran, once, with its year and class.

use std::collections::{BTreeMap, BTreeSet};

use model::{Instant, LocalDate, Zone};

use super::{LedgerTrace, OverlapRule, RunClass, classes::Classed};

/// A time in one year that the same runs cover.
#[derive(Debug)]
pub(super) struct Piece {
    pub(super) year: i16,
    /// Positions of the runs, in order.
    pub(super) runs: Vec<usize>,
    pub(super) class: RunClass,
    pub(super) seconds: i64,
    /// Whether the runs name different classes.
    pub(super) disputed: bool,
    /// Whether it may yet count as a more limited class: nobody has said what one of the runs was for, or which of them is right.
    pub(super) open: bool,
}

/// The times that the runs cover, cut where a run begins or ends and where a year begins, and joined again where year and runs
/// are the same.
pub(super) fn pieces(
    runs: &[Classed],
    zone: &Zone,
    rule: OverlapRule,
    trace: &mut Vec<LedgerTrace>,
) -> Vec<Piece> {
    let mut changes: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for (at, Classed { run, .. }) in runs.iter().enumerate() {
        changes.entry(run.from).or_default().push(at);
        changes.entry(run.until).or_default().push(at);
        for midnight in new_years(run.from, run.until, zone) {
            changes.entry(midnight).or_default();
            let at = Instant::FIRST.plus_seconds(midnight);
            trace.push(LedgerTrace::SplitAtNewYear { run: run.id.clone(), at });
        }
    }
    let mut running: BTreeSet<usize> = BTreeSet::new();
    let mut since = 0;
    let mut lasted: BTreeMap<(i16, Vec<usize>), i64> = BTreeMap::new();
    for (second, toggled) in changes {
        if !running.is_empty() {
            let key = (year_of(since, zone), running.iter().copied().collect());
            *lasted.entry(key).or_default() += second - since;
        }
        for at in toggled {
            if !running.remove(&at) {
                running.insert(at);
            }
        }
        since = second;
    }
    lasted.into_iter().map(|((year, covering), seconds)| piece(year, covering, seconds, runs, rule)).collect()
}

fn piece(year: i16, covering: Vec<usize>, seconds: i64, runs: &[Classed], rule: OverlapRule) -> Piece {
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
    Piece { year, runs: covering, class, seconds, disputed, open }
}

/// The local midnights of 1 January strictly within a time.
fn new_years(from: i64, until: i64, zone: &Zone) -> Vec<i64> {
    (year_of(from, zone).saturating_add(1)..=year_of(until, zone))
        .filter_map(|year| LocalDate::parse(&format!("{year}-01-01")).ok())
        .map(|date| zone.midnight(date).seconds_since(Instant::FIRST))
        .filter(|second| *second < until)
        .collect()
}

fn year_of(second: i64, zone: &Zone) -> i16 {
    zone.date(Instant::FIRST.plus_seconds(second)).year()
}
