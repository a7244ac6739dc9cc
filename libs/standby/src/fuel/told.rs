//! How the age of fuel is told, from the parcels of a tank.

use interval::{Fraction, Grade};
use model::LocalDate;

use super::{
    Batch, Ethanol, Tank, TankFuel,
    answer::{FuelAge, FuelTrace, FuelVerdict, ParcelAge, ShareStep},
    ledger::{Ledger, TankNote},
    life::{Life, Part, credited},
    limits::AgePolicy,
    remedy::{replacement, top_up},
};
use crate::{
    amount::Volume,
    asked::Asked,
    caution::{Caution, ENGINE_OFF_FOR_FUEL, WASTE_FUEL},
    convert::Days,
};

const CAUTIONS: [Caution; 2] = [ENGINE_OFF_FOR_FUEL, WASTE_FUEL];

/// How old the fuel is on a day.
#[must_use]
pub fn fuel_age(tank: &Tank, at: LocalDate, policy: &AgePolicy) -> FuelAge {
    let told: Vec<Told<'_>> =
        tank.parcels().map(|(batch, volume)| Told::of(*batch, volume, tank.fuel(), policy)).collect();
    let held = tank.volume();
    let past = sum(told.iter().filter(|parcel| parcel.past_from.is_some_and(|from| from <= at)));
    let known = tank.fuel() == TankFuel::Propane || told.iter().all(|parcel| parcel.past_from.is_some());
    let not_known = if tank.fuel() == TankFuel::Propane {
        Volume::ZERO
    } else {
        sum(told.iter().filter(|parcel| parcel.past_from.is_none()))
    };
    let verdict = verdict(tank, past, past + not_known, policy);
    let stale = verdict == FuelVerdict::Stale;
    // Fuel of no known day is told to be drained, too.
    let drains = told.iter().any(|parcel| matches!(parcel.life, Life::NotDated));
    FuelAge {
        on: at,
        verdict,
        litres: held.litres(),
        mean_age_days: mean_age(&told, at),
        oldest_days: told.iter().filter_map(|parcel| parcel.age(at)).max(),
        past_share: (known && held > Volume::ZERO).then(|| share(past, held)),
        past_share_at_least: if held > Volume::ZERO { share(past, held) } else { Fraction::of(0, 1) },
        past_share_at_most: if held > Volume::ZERO {
            share(past + not_known, held)
        } else {
            Fraction::of(0, 1)
        },
        notes: Vec::new(),
        stale_share: policy.stale_share,
        stale_from: stale_from(&told, held, policy),
        steps: steps(&told, held),
        replace: (stale && known).then(|| replacement(&past_or_not(&told, at), policy.stale_share)).flatten(),
        top_up: (stale && known).then(|| top_up(held, past, policy.stale_share, tank.capacity())).flatten(),
        grade: grade(&told, known || verdict == FuelVerdict::Fresh, known, held),
        missing: told.iter().enumerate().filter_map(|(place, parcel)| parcel.asked(place)).collect(),
        trace: trace(&told, tank.fuel(), policy),
        cautions: if drains || stale { CAUTIONS.to_vec() } else { Vec::new() },
        parcels: told.iter().map(|parcel| parcel.answer(at)).collect(),
    }
}

/// How old the fuel of a record is at its end: what did not add up in it lowers the grade, and a tank that more was taken from
/// than it held is not told as empty.
#[must_use]
pub fn fuel_age_of(ledger: &Ledger, at: LocalDate, policy: &AgePolicy) -> FuelAge {
    let mut age = fuel_age(&ledger.tank, at, policy);
    if ledger.notes.iter().any(|note| !matches!(note, TankNote::LeftOutLater { .. })) {
        age.grade = age.grade.max(Grade::C);
    }
    if ledger.overdrawn && age.verdict == FuelVerdict::Empty {
        (age.verdict, age.grade) = (FuelVerdict::Unknown, Grade::D);
        let enter = "How much is in the tank: more was taken from it than was written down as filled in.";
        age.missing.push(Asked::at("/movements", enter));
    }
    age.notes.clone_from(&ledger.notes);
    age
}

/// A parcel with what is known of its life.
struct Told<'p> {
    batch: Batch,
    volume: Volume,
    life: Life<'p>,
    past_from: Option<LocalDate>,
}

impl<'p> Told<'p> {
    fn of(batch: Batch, volume: Volume, fuel: TankFuel, policy: &'p AgePolicy) -> Self {
        let life = Life::of(&batch, fuel, policy);
        Self { past_from: life.past_from(), batch, volume, life }
    }

    fn age(&self, at: LocalDate) -> Option<i32> {
        self.batch.bought_on().map(|bought| at.days_since(bought).max(0))
    }

    fn asked(&self, place: usize) -> Option<Asked> {
        match self.life {
            Life::NotDated => Some(Asked::at(
                format!("/parcels/{place}/bought_on"),
                "The day this fuel was bought, or drain it and enter fresh fuel.",
            )),
            Life::NoRule => Some(Asked::at(
                "/policy/rules",
                "How long this fuel keeps: no figure is published, ask who sells it.",
            )),
            Life::Endless | Life::Parts(_) => None,
        }
    }

    fn answer(&self, at: LocalDate) -> ParcelAge {
        ParcelAge {
            litres: self.volume.litres(),
            bought_on: self.batch.bought_on(),
            age_days: self.age(at),
            life_used: self.life.used(at),
            life_days: self.life.lasts(),
            past_from: self.past_from,
        }
    }
}

fn past_or_not(told: &[Told<'_>], at: LocalDate) -> Vec<(Volume, bool)> {
    told.iter().map(|parcel| (parcel.volume, parcel.past_from.is_some_and(|from| from <= at))).collect()
}

fn sum<'t, 'p: 't>(parcels: impl Iterator<Item = &'t Told<'p>>) -> Volume {
    parcels.fold(Volume::ZERO, |sum, parcel| sum + parcel.volume)
}

fn share(part: Volume, whole: Volume) -> Fraction {
    Fraction::of(part.microlitres(), whole.microlitres())
}

/// Exactly, not by the rounded shares that are told.
fn is_over(past: Volume, held: Volume, allowed: Fraction) -> bool {
    i128::from(past.microlitres()) * 10_000
        > i128::from(allowed.ten_thousandths()) * i128::from(held.microlitres())
}

fn verdict(tank: &Tank, past: Volume, at_most: Volume, policy: &AgePolicy) -> FuelVerdict {
    let held = tank.volume();
    if held == Volume::ZERO {
        FuelVerdict::Empty
    } else if tank.fuel() == TankFuel::Propane {
        FuelVerdict::DoesNotAge
    } else if is_over(past, held, policy.stale_share) {
        FuelVerdict::Stale
    } else if !is_over(at_most, held, policy.stale_share) {
        FuelVerdict::Fresh
    } else {
        FuelVerdict::Unknown
    }
}

fn mean_age(told: &[Told<'_>], at: LocalDate) -> Option<Days> {
    let mut weighted = 0_i128;
    for parcel in told {
        weighted += i128::from(parcel.age(at)?) * i128::from(parcel.volume.microlitres());
    }
    let held = i128::from(sum(told.iter()).microlitres());
    let hundredths = (weighted * 200 + held).checked_div(2 * held)?;
    i64::try_from(hundredths).ok().map(Days::from_hundredths)
}

/// The days on which parcels pass their limits, each with all that is past by then.
fn passing(told: &[Told<'_>]) -> Vec<(LocalDate, Volume)> {
    let mut days: Vec<LocalDate> = told.iter().filter_map(|parcel| parcel.past_from).collect();
    days.sort_unstable();
    days.dedup();
    let past =
        |on: LocalDate| sum(told.iter().filter(|parcel| parcel.past_from.is_some_and(|from| from <= on)));
    days.into_iter().map(|on| (on, past(on))).collect()
}

fn stale_from(told: &[Told<'_>], held: Volume, policy: &AgePolicy) -> Option<LocalDate> {
    passing(told).into_iter().find(|(_, past)| is_over(*past, held, policy.stale_share)).map(|(on, _)| on)
}

fn steps(told: &[Told<'_>], held: Volume) -> Vec<ShareStep> {
    passing(told).into_iter().map(|(on, past)| ShareStep { on, past_share: share(past, held) }).collect()
}

/// A verdict that holds whatever the age of the rest is rests on no measured age of it: C.
fn grade(told: &[Told<'_>], sure: bool, known: bool, held: Volume) -> Grade {
    let rules = told.iter().flat_map(|parcel| match &parcel.life {
        Life::Parts(parts) => parts.iter().map(|part| part.rule.grade).collect(),
        _ => Vec::new(),
    });
    let least = if known || held == Volume::ZERO { Grade::A } else { Grade::C };
    if sure || held == Volume::ZERO { rules.max().unwrap_or(Grade::A).max(least) } else { Grade::D }
}

fn trace(told: &[Told<'_>], fuel: TankFuel, policy: &AgePolicy) -> Vec<FuelTrace> {
    let mut trace =
        vec![FuelTrace::PolicyUsed { policy: policy.policy, edition: policy.edition, credit: policy.credit }];
    if told.len() > 1 {
        trace.push(FuelTrace::MixedByVolume);
    }
    for (parcel, one) in told.iter().enumerate() {
        let Life::Parts(parts) = &one.life else { continue };
        trace.extend(parts.iter().map(|part| FuelTrace::RuleUsed {
            parcel,
            rule: part.rule.name,
            from: part.from,
            life_days: part.days,
            grade: part.rule.grade,
            source: part.rule.source,
        }));
        let treated = one.batch.treated_on().filter(|_| !credited(&one.batch, fuel, policy));
        trace.extend(treated.map(|treated_on| FuelTrace::TreatmentNotCredited { parcel, treated_on }));
        if fuel == TankFuel::Petrol && one.batch.ethanol() == Ethanol::NotKnown {
            trace.push(FuelTrace::EthanolNotKnown { parcel });
        }
        if one.batch.stored_at_celsius().is_none() {
            let shorter = |part: &Part<'_>| {
                let siblings = policy.rules.iter().filter(|rule| part.rule.is_sibling(rule));
                siblings.into_iter().any(|rule| rule.keeps.days_from(part.from) < part.days)
            };
            let longer_taken = parts.iter().any(shorter);
            trace.push(FuelTrace::TemperatureNotKnown { parcel, longer_taken });
        }
    }
    trace
}
