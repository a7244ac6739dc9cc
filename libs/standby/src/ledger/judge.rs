//! The ledger: sums of each year, against its limits and its meter.

use std::collections::{BTreeMap, BTreeSet};

use interval::Grade;
use model::{Hours, Instant};

use super::{
    Asked, Ledger, LedgerError, LedgerPolicy, LedgerTrace, MeterYear, Reconciled, RunClass, ToEnter, Used,
    YearLedger, YearVerdict,
    classes::{Classed, classed},
    sweep::{Lasted, Piece, pieces},
};
use crate::asked;

/// The hours of an engine by calendar year, whatever order its runs came in.
///
/// # Errors
///
/// Where something is given twice, or a word is about a run that is not given.
pub fn ledger(asked: &Asked, policy: &LedgerPolicy) -> Result<Ledger, LedgerError> {
    let mut trace = Vec::new();
    let runs = classed(asked, &mut trace)?;
    let meters = meters(asked)?;
    let pieces = pieces(&runs, &meters, asked.zone, policy.overlap, &mut trace);
    trace.extend(runs.iter().map(|run| run_used(run)));
    trace.extend(pieces.iter().filter(|piece| piece.runs.len() > 1).map(|piece| overlap(piece, &runs)));
    trace.extend(meters.values().map(meter_used));
    let years: BTreeSet<i16> = pieces.iter().map(|piece| piece.year).chain(meters.keys().copied()).collect();
    let missing = if years.is_empty() { nothing_known() } else { Vec::new() };
    let years = years
        .into_iter()
        .map(|year| {
            let of_year: Vec<&Piece> = pieces.iter().filter(|piece| piece.year == year).collect();
            year_ledger(year, &of_year, meters.get(&year).map(|meter| meter.moved), &runs, policy)
        })
        .collect();
    Ok(Ledger {
        years,
        policy: policy.name.clone(),
        edition: policy.edition.clone(),
        source: policy.source.clone(),
        overlap_rule: policy.overlap,
        zone: asked.zone.name().to_owned(),
        missing,
        trace,
    })
}

fn nothing_known() -> Vec<asked::Asked> {
    let runs = "The runs, each with what it was for.";
    let meter = "What the meter shows now, and what it showed at the turn of the years.";
    vec![asked::Asked::at("/runs", runs), asked::Asked::at("/meter_hours", meter)]
}

fn meter_used(meter: &MeterYear) -> LedgerTrace {
    let told = |second: i64| Instant::FIRST.plus_seconds(second);
    let span = meter.read.map(|read| read.most);
    LedgerTrace::MeterUsed {
        year: meter.year,
        hours: meter.moved,
        from: span.map(|span| told(span.0)),
        until: span.map(|span| told(span.1)),
    }
}

fn meters(asked: &Asked) -> Result<BTreeMap<i16, MeterYear>, LedgerError> {
    let mut meters = BTreeMap::new();
    for (at, meter) in asked.meter.iter().enumerate() {
        if meters.insert(meter.year, *meter).is_some() {
            return Err(LedgerError::YearTwice(at));
        }
    }
    Ok(meters)
}

fn run_used(run: &Classed) -> LedgerTrace {
    LedgerTrace::RunUsed {
        run: run.run.id.clone(),
        class: run.class,
        incident: run.run.incident.clone(),
        hours: Hours::from_seconds(run.run.until - run.run.from),
    }
}

fn names(piece: &Piece, runs: &[Classed]) -> Vec<String> {
    piece.runs.iter().filter_map(|at| runs.get(*at)).map(|run| run.run.id.clone()).collect()
}

fn overlap(piece: &Piece, runs: &[Classed]) -> LedgerTrace {
    let hours = Hours::from_seconds(piece.lasted.seconds);
    LedgerTrace::Overlap { runs: names(piece, runs), class: piece.class, year: piece.year, hours }
}

fn year_ledger(
    year: i16,
    pieces: &[&Piece],
    meter: Option<Hours>,
    runs: &[Classed],
    policy: &LedgerPolicy,
) -> YearLedger {
    let of = |class| sum(pieces.iter().filter(|piece| piece.class == class));
    let (maintenance_test, non_emergency) = (of(RunClass::MaintenanceTest), of(RunClass::NonEmergency));
    let logged = sum(pieces.iter());
    let metered = Metered::of(meter, pieces);
    let unlogged = meter.map(|meter| (meter - metered.most).max(Hours::ZERO));
    let known = used(maintenance_test, non_emergency, policy);
    // Each open hour as non-emergency: that uses both limits, so nothing hurts more.
    let not_told = meter.map_or(Hours::ZERO, |meter| (meter - metered.least).max(Hours::ZERO));
    let open = sum(pieces.iter().filter(|piece| piece.open)) + not_told;
    let sure = pieces.iter().filter(|piece| piece.class == RunClass::MaintenanceTest && !piece.open);
    let worst = used(sum(sure), non_emergency + open, policy);
    let reconciled = metered.reconcile(policy);
    let all_read = meter.is_some() && metered.most == logged;
    let verdict = verdict(&known, &worst, reconciled, all_read);
    let by_rule = pieces.iter().any(|piece| piece.disputed);
    YearLedger {
        year,
        emergency: of(RunClass::Emergency),
        maintenance_test,
        non_emergency,
        unclassified: of(RunClass::Unclassified),
        logged,
        logged_between_readings: (meter.is_some() && !all_read).then_some(metered.most),
        meter,
        unlogged,
        reconciled,
        known,
        worst,
        worst_class: RunClass::NonEmergency,
        verdict,
        grade: if reconciled == Reconciled::Agrees && all_read && !by_rule { Grade::A } else { Grade::C },
        to_enter: to_enter(pieces, runs, metered.asks(reconciled, verdict, all_read)),
    }
}

fn sum<'a>(pieces: impl Iterator<Item = &'a &'a Piece>) -> Hours {
    Hours::from_seconds(pieces.map(|piece| piece.lasted.seconds).sum())
}

/// What the meter moved, beside the logged hours between its readings: least and most of them, where of a run or a reading only
/// the day is known.
#[derive(Clone, Copy)]
struct Metered {
    moved: Option<Hours>,
    least: Hours,
    most: Hours,
}

fn used(maintenance_test: Hours, non_emergency: Hours, policy: &LedgerPolicy) -> Used {
    let left = |most: Hours, used: Hours| (most - used).max(Hours::ZERO);
    let (most_counted, most_non_emergency) = (policy.most_counted, policy.most_non_emergency);
    let counted = maintenance_test + non_emergency;
    let headroom = left(most_counted, counted);
    Used {
        counted,
        most_counted,
        headroom,
        over: left(counted, most_counted),
        non_emergency,
        most_non_emergency,
        non_emergency_headroom: left(most_non_emergency, non_emergency).min(headroom),
        non_emergency_over: left(non_emergency, most_non_emergency),
    }
}

/// The limits themselves are still within.
fn verdict(known: &Used, worst: &Used, reconciled: Reconciled, all_read: bool) -> YearVerdict {
    let over = |used: &Used| used.over > Hours::ZERO || used.non_emergency_over > Hours::ZERO;
    if over(known) {
        YearVerdict::Over
    } else if over(worst) {
        YearVerdict::OverIfUnclassified
    } else if !all_read || reconciled == Reconciled::RunsShowMore {
        YearVerdict::WithinAsLogged
    } else {
        YearVerdict::Within
    }
}

fn to_enter(
    pieces: &[&Piece],
    runs: &[Classed],
    meter_asks: impl IntoIterator<Item = ToEnter>,
) -> Vec<ToEnter> {
    let unsaid = |at: &&usize| runs.get(**at).is_some_and(|run| run.class == RunClass::Unclassified);
    let mut unclassified: BTreeMap<usize, i64> = BTreeMap::new();
    for piece in pieces.iter().filter(|piece| piece.open) {
        // Time that several unclassified runs cover is asked for once, at the first of them.
        if let Some(first) = piece.runs.iter().find(unsaid) {
            *unclassified.entry(*first).or_default() += piece.lasted.seconds;
        }
    }
    let mut asked: Vec<ToEnter> = unclassified
        .into_iter()
        .filter_map(|(at, seconds)| Some((runs.get(at)?, Hours::from_seconds(seconds))))
        .map(|(run, hours)| ToEnter::ClassifyRun { run: run.run.id.clone(), hours })
        .collect();
    asked.extend(pieces.iter().filter(|piece| piece.disputed).map(|piece| ToEnter::SettleOverlap {
        runs: names(piece, runs),
        hours: Hours::from_seconds(piece.lasted.seconds),
    }));
    let in_year: BTreeSet<usize> = pieces.iter().flat_map(|piece| piece.runs.iter().copied()).collect();
    let needs_reason =
        |run: &&Classed| !run.has_reason && matches!(run.class, RunClass::Emergency | RunClass::NonEmergency);
    asked.extend(
        in_year
            .into_iter()
            .filter_map(|at| runs.get(at))
            .filter(needs_reason)
            .map(|run| ToEnter::GiveReason { run: run.run.id.clone() }),
    );
    asked.extend(meter_asks);
    asked
}

impl Metered {
    fn of(moved: Option<Hours>, pieces: &[&Piece]) -> Self {
        let read = pieces.iter().fold(Lasted::default(), |sum, piece| sum.and(piece.lasted));
        let (least, most) = (Hours::from_seconds(read.read_least), Hours::from_seconds(read.read_most));
        Self { moved, least, most }
    }

    fn reconcile(self, policy: &LedgerPolicy) -> Reconciled {
        match self.moved {
            None => Reconciled::NoMeter,
            Some(moved) if moved - self.most > policy.reconciles_within => Reconciled::MeterShowsMore,
            Some(moved) if self.least - moved > policy.reconciles_within => Reconciled::RunsShowMore,
            Some(_) => Reconciled::Agrees,
        }
    }

    /// What the meter gives cause to ask; a difference that it takes for none is asked for only where the verdict hangs on it.
    fn asks(self, reconciled: Reconciled, verdict: YearVerdict, all_read: bool) -> Vec<ToEnter> {
        let Some(moved) = self.moved else { return vec![ToEnter::ReadMeter] };
        let hangs = verdict == YearVerdict::OverIfUnclassified;
        let differs = match reconciled {
            Reconciled::MeterShowsMore => Some(ToEnter::LogRuns { hours: moved - self.most }),
            Reconciled::RunsShowMore => Some(ToEnter::CheckRuns { hours: self.least - moved }),
            Reconciled::Agrees if hangs && moved > self.most => {
                Some(ToEnter::LogRuns { hours: moved - self.most })
            }
            Reconciled::Agrees | Reconciled::NoMeter => None,
        };
        // Hours that may lie outside of the readings count as hours of no run where that is the worst.
        let read = !all_read || hangs && self.least < self.most;
        differs.into_iter().chain(read.then_some(ToEnter::ReadMeter)).collect()
    }
}
