//! Holds loads against what a set can give.

use interval::{Fraction, Grade};

use super::{
    Load, LoadCheckError, Place, Set, Watts,
    answer::{LoadCheck, LoadTrace, LoadVerdict, Over},
    derate::{Factor, RuleOf},
    reckon::{Holds, Told},
};
use crate::caution::{BACK_FEED, CARBON_MONOXIDE, Caution};

/// Checks whether a set runs and starts its loads where it stands.
///
/// Where something is missing the verdict is unknown, unless what is known is enough: more than the nameplate is too much
/// anywhere, and a peak that it can give all the time it can give for a moment.
///
/// # Errors
/// Where a rating, a height or a temperature cannot be.
pub fn load_check(set: &Set, place: &Place, loads: &[Load]) -> Result<LoadCheck, LoadCheckError> {
    check(set, place)?;
    let mut told = Told { missing: Vec::new(), trace: Vec::new() };
    let left = told.left(set, place);
    let limits = told.limits(set, left);
    let sums = told.sums(loads);
    let (order, all_known) = told.order(loads);
    // Of equal ones the first to start.
    let peak = order.iter().rev().max_by_key(|step| step.peak_watts);
    let peak_watts = peak.map_or(Watts::default(), |step| step.peak_watts);
    let running = limits.run.holds(sums.running, sums.running_known);
    let starting = limits.start.holds(peak_watts, all_known);
    told.start_asked(set, starting);
    let mut over = Vec::new();
    if let Holds::Over(threshold) = running {
        over.push(Over::Running { value: sums.running, threshold });
    }
    if let (Holds::Over(threshold), Some(step)) = (starting, peak) {
        over.push(Over::Starting { name: step.name.clone(), value: peak_watts, threshold });
    }
    let verdict = match (running, starting) {
        _ if !over.is_empty() => LoadVerdict::Overloaded,
        (Holds::Within, Holds::Within) => LoadVerdict::Carries,
        _ => LoadVerdict::Unknown,
    };
    if verdict == LoadVerdict::Overloaded && left.sure.is_none() {
        told.trace.extend(limits.run.most.map(|watts| LoadTrace::AtMost { watts }));
    }
    let at_once = limits.start.holds(sums.at_once, all_known);
    let share = |whole: Option<Watts>| {
        whole
            .filter(|_| sums.running_known)
            .map(|whole| Fraction::of(i64::from(sums.running.watts()), i64::from(whole.watts())))
    };
    Ok(LoadCheck {
        verdict,
        over,
        capacity_watts: limits.run.sure,
        start_capacity_watts: limits.start.sure.filter(|_| set.start.is_some()),
        running_watts: sums.running,
        share_of_capacity: share(limits.run.sure.filter(|sure| *sure > Watts::default())),
        share_of_nameplate: share(limits.nameplate),
        order,
        peak_watts,
        worst_order_watts: sums.worst_order,
        all_at_once_watts: sums.at_once,
        may_start_at_once: at_once.known(),
        grade: grade(set, left.sure),
        missing: told.missing,
        trace: told.trace,
        cautions: CAUTIONS.to_vec(),
    })
}

const CAUTIONS: [Caution; 2] = [BACK_FEED, CARBON_MONOXIDE];

fn check(set: &Set, place: &Place) -> Result<(), LoadCheckError> {
    for (rating, pointer) in [(set.nameplate, "/rated_kw"), (set.start, "/start_kw")] {
        if rating.is_some_and(|rating| !(1..=10_000_000).contains(&rating.hundredths())) {
            return Err(LoadCheckError::RatingOutOfRange { pointer });
        }
    }
    if set.start.zip(set.nameplate).is_some_and(|(start, nameplate)| start < nameplate) {
        return Err(LoadCheckError::StartBelowNameplate);
    }
    if place.elevation.is_some_and(|metres| !(-50_000..=900_000).contains(&metres.hundredths())) {
        return Err(LoadCheckError::ElevationOutOfRange);
    }
    if place.air.is_some_and(|air| !(-6_000..=8_000).contains(&air.hundredths())) {
        return Err(LoadCheckError::AirOutOfRange);
    }
    Ok(())
}

fn grade(set: &Set, factor: Option<Factor>) -> Grade {
    match (factor, set.nameplate, &set.rule) {
        (Some(_), Some(_), Some(rule)) if rule.of == RuleOf::Model => Grade::B,
        (Some(_), Some(_), Some(_)) => Grade::C,
        _ => Grade::D,
    }
}
