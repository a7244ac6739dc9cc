//! The sums of a site, each fuel by itself.

use interval::Grade;
use model::{Hours, Litres, UnitId, unit::Fuel};

use super::{FuelToStage, SharedLasts, SitePlan, UnitAnswer, UnitSet, shared::Draws, stores::Stores};
use crate::{
    amount::Volume,
    asked::Asked,
    burn::Burn,
    outage::{
        Filling, Outage, OutageError, Set, course::Course, planned, prepare, prepare::Prepared, tell::up,
    },
};

/// What the sets of a site need.
pub(super) struct Sums {
    fuels: Vec<OfFuel>,
    run: Hours,
    cans: i64,
    bottles: i64,
    oil_complete: bool,
    unknown: usize,
    grade: Grade,
}

/// What they need of one fuel.
struct OfFuel {
    fuel: Option<Fuel>,
    burned: Volume,
    least: Volume,
    grade: Grade,
    draws: Draws,
}

impl Default for Sums {
    fn default() -> Self {
        Self {
            fuels: Vec::new(),
            run: Hours::ZERO,
            cans: 0,
            bottles: 0,
            oil_complete: true,
            unknown: 0,
            grade: Grade::A,
        }
    }
}

impl Sums {
    pub(super) fn answer(&mut self, outage: &Outage, one: &UnitSet, stores: &Stores) -> UnitAnswer {
        let unit_id = one.unit;
        let added = self.add(outage, unit_id, &one.set, stores);
        let answer = added.unwrap_or_else(|error| UnitAnswer::Refused {
            unit_id,
            code: error.code(),
            pointer: error.pointer().to_owned(),
            detail: error.to_string(),
        });
        if !matches!(answer, UnitAnswer::Planned { .. }) {
            // A sum without one of its sets is not known.
            self.not_known();
            self.unknown += 1;
        }
        answer
    }

    const fn not_known(&mut self) {
        (self.grade, self.oil_complete) = (Grade::D, false);
    }

    fn add(
        &mut self,
        outage: &Outage,
        unit_id: UnitId,
        set: &Set,
        stores: &Stores,
    ) -> Result<UnitAnswer, OutageError> {
        stores.check(set)?;
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
            self.grade = self.grade.max(plan.fuel_grade);
            self.of_fuel(set.burn.fuel, |of_fuel| {
                of_fuel.grade = of_fuel.grade.max(plan.fuel_grade);
                of_fuel.draw(set, plan.stage.fuel_litres, &ready, &course);
            });
        }
        Ok(UnitAnswer::Planned { unit_id, plan: Box::new(plan) })
    }

    fn of_fuel(&mut self, fuel: Option<Fuel>, add: impl FnOnce(&mut OfFuel)) {
        // Two of which it is not known may burn two fuels.
        if let Some(there) = self.fuels.iter_mut().find(|of| of.fuel == fuel && fuel.is_some()) {
            return add(there);
        }
        let (draws, none) = (Draws::default(), Volume::ZERO);
        let mut first = OfFuel { fuel, burned: none, least: none, grade: Grade::A, draws };
        add(&mut first);
        self.fuels.push(first);
    }

    pub(super) fn plan(mut self, outage: &Outage, units: Vec<UnitAnswer>, stores: &Stores) -> SitePlan {
        let mut missing: Vec<Asked> = stores.missing().collect();
        if units.is_empty() {
            missing.push(Asked::at("/units", "a set that stands at the site and may run"));
            self.not_known();
        }
        let fuels: Vec<FuelToStage> = self.fuels.iter().map(|of| self.to_stage(of, stores)).collect();
        let sum = |of: fn(&FuelToStage) -> Litres| {
            fuels.iter().map(|fuel| Volume::from(of(fuel))).fold(Volume::ZERO, |a, b| a + b).litres()
        };
        let pooled = stores.can_size().map(|_| fuels.iter().filter_map(|fuel| fuel.cans).sum());
        let tank = stores.tank();
        SitePlan {
            unknown: self.unknown,
            fuel_burned_litres: sum(|fuel| fuel.burned_litres),
            fuel_to_stage_litres: sum(|fuel| fuel.to_stage_litres),
            fuel_to_fill_up_litres: sum(|fuel| fuel.to_fill_up_litres),
            fuel_grade: self.grade,
            cans: tank.is_none().then(|| pooled.unwrap_or(self.cans)),
            oil_bottles: self.bottles,
            oil_complete: self.oil_complete,
            run_hours: self.run,
            shared: tank.map(|(_, fuel)| self.shared(outage, fuel, stores)),
            policy: outage.policy.name,
            units,
            fuels,
            missing,
        }
    }

    fn to_stage(&self, of: &OfFuel, stores: &Stores) -> FuelToStage {
        let there = stores.there(of.fuel);
        let (drawn, _) = of.draws.against(there.litres - there.reserve);
        let to_stage = |needed: Volume| (needed + there.reserve - there.litres).litres();
        let least = to_stage(of.least);
        let has_tank = stores.tank().is_some_and(|(_, fuel)| fuel == of.fuel);
        FuelToStage {
            fuel: of.fuel,
            burned_litres: of.burned.litres(),
            to_stage_litres: least,
            to_fill_up_litres: to_stage(drawn),
            cans: stores.can_size().filter(|_| !has_tank).map(|size| up(least, size)),
            // A set that is left out may burn any of them.
            grade: if self.unknown > 0 { Grade::D } else { of.grade },
        }
    }

    /// How far the tank of the site goes, without what stands beside it.
    fn shared(&self, outage: &Outage, fuel: Option<Fuel>, stores: &Stores) -> SharedLasts {
        let there = stores.in_tank();
        let of_fuel = self.fuels.iter().find(|of| of.fuel == fuel);
        let drawn = of_fuel.map(|of| of.draws.against(there.litres - there.reserve));
        let (drawn, down) = drawn.unwrap_or((Volume::ZERO, None));
        // A tank that begins below its reserve is down to it already.
        let down = if there.litres < there.reserve { Some(0) } else { down };
        SharedLasts {
            drawn_litres: drawn.litres(),
            suffices: down.is_none(),
            down_to_reserve_at: down.map(|offset| outage.start.plus_seconds(offset)),
            grade: self.grade,
        }
    }
}

impl OfFuel {
    fn draw(&mut self, set: &Set, least: Option<Litres>, ready: &prepare::Ready, course: &Course) {
        self.burned += course.burned;
        if let Some(least) = least {
            self.least += least.into();
            self.draws.filling(&course.stops, set.on_site.litres.into());
        } else {
            self.least += course.burned;
            self.draws.running(&ready.rates, &course.legs);
        }
    }
}
