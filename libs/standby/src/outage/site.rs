//! Several sets on one site, each from its own tank or all from the tank of the site.

mod answer;
mod shared;

use interval::Grade;
use model::{Hours, Litres, UnitId};

pub use self::answer::{SharedLasts, SitePlan, UnitAnswer};
use self::shared::Draws;
use super::{Filling, Outage, OutageError, Set, Supply, course::Course, planned, prepare, prepare::Prepared};
use crate::{amount::Volume, burn::Burn};

/// A set and whose it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UnitSet {
    /// The unit.
    pub unit: UnitId,
    /// The set as it goes into the outage.
    pub set: Set,
}

/// A tank or store of the site that fills the tanks of its sets or feeds sets without one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SiteTank {
    /// What is in it at the start.
    pub litres: Litres,
    /// What is never to be burned.
    pub reserve: Litres,
}

/// Runs the sets of a site through an outage; those that do not run are left out by the caller.
///
/// What stands beside each set ([`Set::on_site`]) is its own; the tank of the site comes on top of all of it. A set of which
/// something cannot be is listed with what is wrong, and the others are run all the same.
///
/// # Errors
/// Where the outage or the tank of the site cannot be.
pub fn site(outage: &Outage, sets: &[UnitSet], tank: Option<SiteTank>) -> Result<SitePlan, OutageError> {
    prepare::duration(outage)?;
    if let Some((_, pointer)) = tank.and_then(below_nothing) {
        return Err(OutageError::BelowNothing { pointer: pointer.to_owned() });
    }
    let mut sums = Sums::default();
    let units = sets.iter().map(|one| sums.answer(outage, one, tank.is_some())).collect();
    Ok(sums.plan(outage, units, tank))
}

fn below_nothing(tank: SiteTank) -> Option<(i64, &'static str)> {
    let amounts = [
        (tank.litres.hundredths(), "/site_tank/litres"),
        (tank.reserve.hundredths(), "/site_tank/reserve_litres"),
    ];
    amounts.into_iter().find(|(amount, _)| *amount < 0)
}

struct Sums {
    burned: Volume,
    least: Volume,
    run: Hours,
    cans: i64,
    bottles: i64,
    oil_complete: bool,
    unknown: usize,
    grade: Grade,
    draws: Draws,
}

impl Default for Sums {
    fn default() -> Self {
        Self {
            burned: Volume::ZERO,
            least: Volume::ZERO,
            run: Hours::ZERO,
            cans: 0,
            bottles: 0,
            oil_complete: true,
            unknown: 0,
            grade: Grade::A,
            draws: Draws::default(),
        }
    }
}

impl Sums {
    fn answer(&mut self, outage: &Outage, one: &UnitSet, has_tank: bool) -> UnitAnswer {
        let unit_id = one.unit;
        let added = self.add(outage, unit_id, &one.set, has_tank);
        let answer = added.unwrap_or_else(|error| UnitAnswer::Refused {
            unit_id,
            code: error.code(),
            pointer: error.pointer().to_owned(),
            detail: error.to_string(),
        });
        if !matches!(answer, UnitAnswer::Planned { .. }) {
            // A sum without one of its sets is not known.
            (self.grade, self.oil_complete) = (Grade::D, false);
            self.unknown += 1;
        }
        answer
    }

    fn add(
        &mut self,
        outage: &Outage,
        unit_id: UnitId,
        set: &Set,
        has_tank: bool,
    ) -> Result<UnitAnswer, OutageError> {
        if set.supply == Supply::SiteTank && !has_tank {
            return Err(OutageError::NoSiteTank { pointer: "/supply".to_owned() });
        }
        let ready = match prepare::prepare(outage, set)? {
            Prepared::Ready(ready) => ready,
            Prepared::Missing(missing) => return Ok(UnitAnswer::Unknown { unit_id, missing }),
        };
        let (plan, course) = planned(outage, set, &ready, Filling::Staged)?;
        self.run = self.run + plan.run_hours;
        self.bottles = self.bottles.saturating_add(plan.stage.oil.map_or(0, |oil| oil.bottles_with_spare));
        self.oil_complete &= plan.stage.oil.is_some_and(|oil| oil.complete);
        self.cans = self.cans.saturating_add(plan.stage.cans.map_or(0, |cans| cans.count));
        if ready.burn != Burn::Piped {
            self.burned += course.burned;
            self.grade = self.grade.max(plan.fuel_grade);
            self.draw(set, plan.stage.fuel_litres, &ready, &course);
        }
        Ok(UnitAnswer::Planned { unit_id, plan: Box::new(plan) })
    }

    fn draw(&mut self, set: &Set, least: Option<Litres>, ready: &prepare::Ready, course: &Course) {
        if let Some(least) = least {
            self.least += least.into();
            self.draws.filling(&course.stops, set.on_site.litres.into());
        } else {
            self.least += course.burned;
            self.draws.running(&ready.rates, &course.legs);
        }
    }

    fn plan(self, outage: &Outage, units: Vec<UnitAnswer>, tank: Option<SiteTank>) -> SitePlan {
        let (litres, reserve) = tank
            .map_or_else(Default::default, |tank| (Volume::from(tank.litres), Volume::from(tank.reserve)));
        let (drawn, down) = self.draws.against(litres - reserve);
        // A tank that begins below its reserve is down to it already.
        let down = if litres < reserve { Some(0) } else { down };
        let shared = tank.map(|_| SharedLasts {
            drawn_litres: drawn.litres(),
            suffices: down.is_none(),
            down_to_reserve_at: down.map(|offset| outage.start.plus_seconds(offset)),
            grade: self.grade,
        });
        let to_stage = |needed: Volume| (needed + reserve - litres).litres();
        SitePlan {
            units,
            unknown: self.unknown,
            fuel_burned_litres: self.burned.litres(),
            fuel_to_stage_litres: to_stage(self.least),
            fuel_to_fill_up_litres: to_stage(drawn),
            fuel_grade: self.grade,
            cans: tank.is_none().then_some(self.cans),
            oil_bottles: self.bottles,
            oil_complete: self.oil_complete,
            run_hours: self.run,
            shared,
            policy: outage.policy.name,
        }
    }
}
