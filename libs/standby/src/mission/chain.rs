//! The states that can be reached, hour by hour: how many sets of each kind run, and what is in the battery.

use std::collections::BTreeMap;

use super::{Mission, MissionError, Probability, Sets};

/// More states than this are not kept.
const MOST_STATES: usize = 20_000;
/// More ways from one state to another than this are not followed, so that no question takes for ever.
const MOST_WAYS: usize = 2_000_000;

/// Sets running of each kind, and hundredths of a kWh that can be drawn from the battery.
type State = (Vec<u16>, i64);
/// How likely each state is; together less than 1 by what failed.
type States = BTreeMap<State, f64>;

pub(super) fn by_hour(mission: &Mission) -> Result<Vec<Probability>, MissionError> {
    let mut ways = 0;
    let mut states = begin(mission, &mut ways)?;
    let mut survival = Vec::with_capacity(mission.load.len());
    for load in &mission.load {
        let failed = after_failures(mission, &states, &mut ways)?;
        states = carried(mission, load.hundredths(), failed);
        // The sum of nothing would be -0.
        let alive = states.values().fold(0.0, |sum, likely| sum + likely);
        // What rounding adds is less than the last place that is told.
        survival.push(Probability(alive.clamp(0.0, 1.0)));
    }
    Ok(survival)
}

/// Who starts.
fn begin(mission: &Mission, ways: &mut usize) -> Result<States, MissionError> {
    let charged = mission.battery.charged.hundredths();
    let all = mission.sets.iter().map(|sets| sets.count).collect();
    let starts =
        |sets: &Sets| sets.reliability.available.number() * (1.0 - sets.reliability.fails_to_start.number());
    spread(mission, &BTreeMap::from([((all, charged), 1.0)]), ways, starts)
}

/// Who still runs after the failures at the start of an hour.
fn after_failures(mission: &Mission, states: &States, ways: &mut usize) -> Result<States, MissionError> {
    let lasts = |sets: &Sets| 1.0 - 3600.0 / sets.reliability.mean_to_failure.seconds() as f64;
    spread(mission, states, ways, lasts)
}

/// Each set of each state stays with a probability of its kind.
fn spread(
    mission: &Mission,
    states: &States,
    ways: &mut usize,
    stays: impl Fn(&Sets) -> f64,
) -> Result<States, MissionError> {
    let mut states = states.clone();
    for (kind, sets) in mission.sets.iter().enumerate() {
        let stays = stays(sets);
        let mut next = States::new();
        for ((running, charged), likely) in states {
            let before = running.get(kind).copied().unwrap_or(0);
            *ways += usize::from(before) + 1;
            for (left, share) in binomial(before, stays) {
                let mut running = running.clone();
                if let Some(count) = running.get_mut(kind) {
                    *count = left;
                }
                *next.entry((running, charged)).or_default() += likely * share;
            }
        }
        if next.len() > MOST_STATES || *ways > MOST_WAYS {
            return Err(MissionError::TooManyStates);
        }
        states = next;
    }
    Ok(states)
}

/// How likely how many of some stay, without those that cannot happen.
fn binomial(count: u16, stays: f64) -> Vec<(u16, f64)> {
    let mut ways = 1.0;
    let mut found = Vec::with_capacity(usize::from(count) + 1);
    for left in 0..=count {
        let likely = ways * stays.powi(i32::from(left)) * (1.0 - stays).powi(i32::from(count - left));
        if likely > 0.0 {
            found.push((left, likely));
        }
        ways *= f64::from(count - left) / f64::from(left + 1);
    }
    found
}

/// The states in which the load of the hour is carried.
fn carried(mission: &Mission, load: i64, states: States) -> States {
    let mut next = States::new();
    for ((running, charged), likely) in states {
        let kinds = running.iter().zip(&mission.sets);
        let given: i64 = kinds
            .map(|(count, sets)| i64::from(*count).saturating_mul(sets.rated.hundredths()))
            .fold(0, i64::saturating_add);
        if let Some(charged) = after_hour(mission, given - load, charged) {
            *next.entry((running, charged)).or_default() += likely;
        }
    }
    next
}

/// What is in the battery after an hour with so much to spare or lacking; nothing where it cannot give what is lacking.
fn after_hour(mission: &Mission, spare: i64, charged: i64) -> Option<i64> {
    let power = mission.battery.power.hundredths();
    if spare >= 0 {
        return Some(charged.saturating_add(spare.min(power)).min(mission.battery.usable.hundredths()));
    }
    (-spare <= power && -spare <= charged).then_some(charged + spare)
}
