//! Which promises count.

use std::collections::{BTreeMap, BTreeSet};

use model::{Hours, Instant, UnitId};

use super::{
    Bridge, Promise, PromiseError, PromisePolicy, Spare,
    answer::{Counts, Promised, Promises, PromisesTrace, WhyNot},
    fit::{Fits, fit},
};
use crate::{asked::Asked, readiness::Verdict};

/// Judges all promises of a fleet; their order does not matter.
///
/// A promise made before goes before, also where it does not count itself: whoever wants the spare elsewhere takes that promise
/// back. So a promise more never makes another one count.
///
/// # Errors
/// Where what was entered cannot be, with the member.
pub fn promises(
    spares: &[Spare],
    promises: &[Promise],
    policy: &PromisePolicy,
) -> Result<Promises, PromiseError> {
    let known = check(spares, promises, policy)?;
    let mut in_order: Vec<&Promise> = promises.iter().collect();
    in_order.sort_by_key(|promise| (promise.made_at, promise.id));
    let mut told: Vec<Promised> = Vec::with_capacity(promises.len());
    for (place, promise) in in_order.iter().enumerate() {
        let Some(spare) = known.get(&promise.spare) else { continue };
        let mut judged = alone(spare, promise)?;
        for before in in_order.iter().take(place) {
            judged.reasons.extend(elsewhere(before, promise, policy.between));
        }
        judged.goes_before = in_order
            .iter()
            .skip(place + 1)
            .filter(|after| elsewhere(promise, after, policy.between).is_some())
            .map(|after| after.id)
            .collect();
        judged.counts = match (judged.reasons.is_empty(), judged.missing.is_empty()) {
            (false, _) => Counts::DoesNotCount,
            (true, false) => Counts::Unknown,
            (true, true) => Counts::Counts,
        };
        told.push(judged);
    }
    let PromisePolicy { policy, edition, between, source } = *policy;
    let used = PromisesTrace::PolicyUsed { policy, edition, source };
    let trace = vec![used, PromisesTrace::TimeBetween { hours: between }, PromisesTrace::FirstMadeGoesBefore];
    Ok(Promises { promises: told, trace })
}

fn check<'s>(
    spares: &'s [Spare],
    promises: &[Promise],
    policy: &PromisePolicy,
) -> Result<BTreeMap<UnitId, &'s Spare>, PromiseError> {
    let below = |hours: Option<Hours>| hours.is_some_and(|hours| hours < Hours::ZERO);
    if below(Some(policy.between)) {
        return Err(PromiseError::BelowNothing { pointer: "/policy/between_hours".to_owned() });
    }
    let mut known = BTreeMap::new();
    for (place, spare) in spares.iter().enumerate() {
        if known.insert(spare.unit, spare).is_some() {
            return Err(PromiseError::Twice { pointer: format!("/spares/{place}/unit_id") });
        }
        if spare.ratings.capacity.is_some_and(|capacity| capacity.hundredths() < 0) {
            return Err(PromiseError::BelowNothing { pointer: format!("/spares/{place}/capacity_kw") });
        }
    }
    let mut ids = BTreeSet::new();
    for (place, promise) in promises.iter().enumerate() {
        let at = |member: &str| format!("/promises/{place}/{member}");
        if !ids.insert(promise.id) {
            return Err(PromiseError::Twice { pointer: at("id") });
        }
        if !known.contains_key(&promise.spare) {
            return Err(PromiseError::NoSuchSpare { pointer: at("unit_id") });
        }
        if promise.until.is_some_and(|until| until <= promise.from) {
            return Err(PromiseError::EndsBeforeItBegins { pointer: at("until") });
        }
        if promise.need.kw.is_some_and(|kw| kw.hundredths() < 0) {
            return Err(PromiseError::BelowNothing { pointer: at("need/kw") });
        }
        if below(promise.there_after) {
            return Err(PromiseError::BelowNothing { pointer: at("there_after_hours") });
        }
        if matches!(promise.bridge, Bridge::Batteries(lasts) if below(lasts)) {
            return Err(PromiseError::BelowNothing { pointer: at("batteries_hours") });
        }
    }
    Ok(known)
}

/// What comes of a promise apart from all others.
fn alone(spare: &Spare, promise: &Promise) -> Result<Promised, PromiseError> {
    let fit = fit(&spare.ratings, &promise.need)?;
    let mut judged = Promised {
        promise_id: promise.id,
        unit_id: promise.spare,
        site_id: promise.site,
        counts: Counts::Unknown,
        reasons: Vec::new(),
        missing: fit.missing.clone(),
        fit,
        goes_before: Vec::new(),
    };
    if judged.fit.fits == Fits::DoesNotFit {
        judged.reasons.push(WhyNot::DoesNotFit);
    }
    if let Some(site_id) = spare.serves.filter(|site| *site != promise.site) {
        judged.reasons.push(WhyNot::NeededElsewhere { site_id });
    }
    judged.in_time(promise);
    judged.ready(spare.readiness);
    Ok(judged)
}

impl Promised {
    fn in_time(&mut self, promise: &Promise) {
        let Bridge::Batteries(lasts) = promise.bridge else { return };
        if promise.there_after.is_none() {
            let enter = "How long after the power fails the spare is there and connected.";
            self.missing.push(Asked::at("/there_after_hours", enter));
        }
        if lasts.is_none() {
            self.missing.push(Asked::at("/batteries_hours", "How long the site's batteries last."));
        }
        if let Some((value, threshold)) = promise.there_after.zip(lasts) {
            // Before they drain: at the very moment is too late.
            if value >= threshold {
                self.reasons.push(WhyNot::TooLate { value, threshold });
            }
        }
    }

    fn ready(&mut self, verdict: Option<Verdict>) {
        match verdict {
            Some(Verdict::Ready | Verdict::ReadyWithLimits) => {}
            Some(value @ Verdict::NotReady) => self.reasons.push(WhyNot::SpareNotReady { value }),
            Some(Verdict::Unknown) | None => {
                self.missing.push(Asked::at("/readiness", "What makes the readiness of the spare unknown."));
            }
        }
    }
}

/// Whether a promise made before stands against another one: the same spare, another site, an overlapping time.
fn elsewhere(before: &Promise, after: &Promise, between: Hours) -> Option<WhyNot> {
    if before.spare != after.spare || before.site == after.site {
        return None;
    }
    let end = |promise: &Promise| promise.until.unwrap_or(Instant::LAST);
    // From one site to the next it is still on its way.
    let free = |promise: &Promise| {
        promise.until.map_or(Instant::LAST, |until| until.plus_seconds(between.seconds()))
    };
    let (one, next) = if before.from <= after.from { (before, after) } else { (after, before) };
    if free(one) <= next.from {
        return None;
    }
    let until = Some(free(one).min(end(next))).filter(|until| *until < Instant::LAST);
    Some(WhyNot::PromisedElsewhere { promise_id: before.id, site_id: before.site, from: next.from, until })
}
