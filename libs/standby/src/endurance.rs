//! How long each set of a fleet lasts on what it has, and by when a truck has to leave for it.
//!
//! What is in the tank and beside it, over what is burned at the expected load. The shortest comes first. A set of which something
//! is not known is listed apart, with what to enter: never last, as if it lasted longest.

mod answer;
mod error;

use model::{Hours, Instant, Litres, UnitId};

pub use self::{
    answer::{Endurance, EnduranceTrace, NotKnown, NotLimited, Refused, Triage},
    error::EnduranceError,
};
use crate::{
    amount::Volume,
    asked::Asked,
    burn::{Burn, BurnBasis, BurnFacts},
    caution::{GAS_MAIN_MAY_FAIL, OVERLOAD},
    load::{Load, Profile, Share, Timeline, Window},
};

/// A set and what it has.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stocked {
    /// The set.
    pub unit: UnitId,
    /// How it burns fuel.
    pub burn: BurnFacts,
    /// The load that is expected; not needed where one rate of its own is all that is known.
    pub load: Option<Load>,
    /// What its tank holds.
    pub capacity: Option<Litres>,
    /// What is in its tank.
    pub tank: Option<Litres>,
    /// What is beside it, in cans; nothing has to be stated where there are none.
    pub cans: Litres,
    /// What is never to be burned.
    pub reserve: Litres,
    /// How long a truck takes to get there.
    pub travel: Option<Hours>,
}

/// How endurance is reckoned.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Question {
    /// From when on the sets run.
    pub from: Instant,
    /// Whether the reserve is left alone.
    pub keep_reserve: bool,
    /// By how much a truck should be early.
    pub margin: Hours,
}

/// Sorts a fleet by how long it lasts.
///
/// A set of which what is recorded cannot be is listed apart, and the others are sorted all the same.
///
/// # Errors
/// Where the margin is below nothing.
pub fn triage(question: &Question, sets: &[Stocked]) -> Result<Triage, EnduranceError> {
    if question.margin < Hours::ZERO {
        return Err(EnduranceError::BelowNothing { pointer: "/margin_hours" });
    }
    let mut triage = Triage::default();
    for set in sets {
        if let Err(error) = judge(question, set, &mut triage) {
            triage.refused.push(Refused {
                unit_id: set.unit,
                code: error.code(),
                pointer: error.pointer().to_owned(),
                detail: error.to_string(),
            });
        }
    }
    triage.lasting.sort_by_key(|lasts| (lasts.hours, lasts.unit_id));
    Ok(triage)
}

fn judge(question: &Question, set: &Stocked, triage: &mut Triage) -> Result<(), EnduranceError> {
    check(set)?;
    let mut missing = Vec::new();
    let burn = Burn::of(&set.burn).map_err(|field| missing.push(field)).ok();
    if burn == Some(Burn::Piped) {
        triage.not_limited.push(NotLimited { unit_id: set.unit, why: GAS_MAIN_MAY_FAIL.text });
        return Ok(());
    }
    let load = load(question, set, burn.as_ref(), &mut missing)?;
    if set.tank.is_none() {
        missing.push(Asked::at("/tank_litres", "how much is in the tank"));
    }
    match (burn, set.tank) {
        (Some(burn), Some(tank)) if missing.is_empty() => {
            triage.lasting.extend(lasts(question, set, &burn, load, tank));
        }
        _ => triage.unknown.push(NotKnown { unit_id: set.unit, missing }),
    }
    Ok(())
}

fn check(set: &Stocked) -> Result<(), EnduranceError> {
    let amounts = [
        (set.tank.map_or(0, Litres::hundredths), "/tank_litres"),
        (set.cans.hundredths(), "/cans_litres"),
        (set.reserve.hundredths(), "/reserve_litres"),
        (set.travel.map_or(0, Hours::seconds), "/travel_hours"),
    ];
    match amounts.iter().find(|(amount, _)| *amount < 0) {
        Some((_, pointer)) => Err(EnduranceError::BelowNothing { pointer }),
        None if set.capacity.is_some_and(|holds| set.reserve >= holds) => {
            Err(EnduranceError::ReserveFillsTheTank)
        }
        None => Ok(()),
    }
}

/// What to enter where the load is not known.
const WHAT_IT_CARRIES: &str = "what the set has to carry: what its site needs, and its rated output";

/// The share of its rating that a set carries; none where that is not known, which is missing unless one rate counts for all.
fn load(
    question: &Question,
    set: &Stocked,
    burn: Option<&Burn>,
    missing: &mut Vec<Asked>,
) -> Result<Option<Share>, EnduranceError> {
    let one_rate = matches!(burn, Some(Burn::Tank { basis: BurnBasis::UsualRate, .. }));
    let Some(load) = set.load else {
        if !one_rate {
            missing.push(Asked::at("/load", WHAT_IT_CARRIES));
        }
        return Ok(None);
    };
    let utc = model::Zone::utc();
    let window = Window { start: question.from, seconds: 1, zone: &utc };
    let timeline = Timeline::of(&Profile::Constant(load), set.burn.rated_kw, &window)?;
    Ok(timeline.steps().first().map(|(_, share)| *share))
}

fn lasts(
    question: &Question,
    set: &Stocked,
    burn: &Burn,
    load_share: Option<Share>,
    tank: Litres,
) -> Option<Endurance> {
    let Burn::Tank { basis, .. } = burn else { return None };
    // One rate counts for every load.
    let load = load_share.unwrap_or(Share::FULL);
    let at = burn.rate(load);
    let there = Volume::from(tank) + Volume::from(set.cans);
    let burnable = if question.keep_reserve { there - Volume::from(set.reserve) } else { there };
    // No longer than there are instants.
    let seconds = burnable.lasts_seconds(at.rate)?.min(Instant::LAST.seconds_since(question.from));
    let runs_out_at = question.from.plus_seconds(seconds);
    let reserve = if question.keep_reserve {
        EnduranceTrace::ReserveKept { litres: set.reserve }
    } else {
        EnduranceTrace::ReserveBurned
    };
    let beyond = at.beyond.map(|side| EnduranceTrace::BeyondCurve { side });
    let early = set.travel.map(|_| EnduranceTrace::Margin { hours: question.margin });
    let trace = [Some(EnduranceTrace::BurnUsed { basis: *basis }), beyond, Some(reserve), early];
    Some(Endurance {
        unit_id: set.unit,
        load_share,
        hours: Hours::from_seconds(seconds),
        runs_out_at,
        litres: burnable.litres(),
        litres_per_hour: at.rate.litres_per_hour(),
        leave_by: set.travel.map(|travel| runs_out_at.plus_seconds(-(travel + question.margin).seconds())),
        grade: burn.grade(load),
        trace: trace.into_iter().flatten().collect(),
        cautions: (load > Share::FULL).then_some(OVERLOAD).into_iter().collect(),
    })
}

/// The fuel that a main tank holds, all of it, as a share of that of its class, in hundredths: 133 % (NFPA 110, 5.5.3).
const CLASS_TANK_PERCENT: i64 = 133;

/// Hours of fuel that the main tank holds for a set of some class: 133 % of the class (NFPA 110, 5.5.3).
#[must_use]
pub const fn class_tank(class: Hours) -> Hours {
    Hours::from_seconds(class.seconds().saturating_mul(CLASS_TANK_PERCENT) / 100)
}
