//! What the record of a unit says, as the questions of this library ask it.
//!
//! The modules beside this one take plain facts. Here they are read out of what is recorded of a unit: its fields, its service
//! events as corrections left them, and the fold of its hours and due items. What nobody entered stays not known.

mod battery;
mod burned;
mod facts;
mod fuel;
mod hours;
mod outage;
mod runs;

use interval::{Happened, HungTag, UnitState};
use model::{
    Instant, Kilowatts, LocalDate, UnitId, Zone,
    event::Details,
    site::SiteFields,
    unit::{Fuel, Ignition, UnitFields},
};

pub use self::{
    battery::BatteryRecord,
    fuel::{FuelRecord, Uncounted},
    outage::{OutageAsked, looks_at_oil},
    runs::{Demand, RunEnd, RunTold},
};
use crate::{
    burn::{BurnCurve, BurnFacts},
    exercise,
    load::Share,
    load_check::{DerateRule, Place, Set},
};

/// What is recorded of a unit by an instant.
#[derive(Clone, Copy, Debug)]
pub struct Record<'a> {
    /// The unit.
    pub unit: UnitId,
    /// Its fields.
    pub fields: &'a UnitFields,
    /// The fields of the site where it stands.
    pub site: &'a SiteFields,
    /// What happened to it by the instant, in order of time.
    pub happened: &'a [Happened],
    /// The tags that hang on it.
    pub tags: &'a [HungTag],
    /// Its hours and due items.
    pub state: &'a UnitState,
    /// The zone of the site where it stands.
    pub zone: &'a Zone,
    /// The instant.
    pub at: Instant,
}

impl<'a> Record<'a> {
    /// The day at the site.
    #[must_use]
    pub fn today(&self) -> LocalDate {
        self.zone.date(self.at)
    }

    /// What is known of how it burns fuel. What is entered of a unit comes from its manual or from trial: graded B.
    #[must_use]
    pub fn burn(&self) -> BurnFacts {
        let points = self.fields.burn_curve.iter().flatten().map(|point| {
            let share = Share::from_millionths(point.load_percent.hundredths() * 100);
            (share, point.litres_per_hour.into())
        });
        let curve = self.fields.burn_curve.is_some().then(|| BurnCurve::new(points.collect()).ok()).flatten();
        BurnFacts {
            fuel: self.fields.fuel,
            rated_kw: self.fields.rated_kw,
            curve: curve.map(|curve| (curve, interval::Grade::B)),
            usual: self.fields.burn_litres_per_hour.map(|rate| (rate, interval::Grade::C)),
        }
    }

    /// The set as a load check asks it.
    #[must_use]
    pub fn loaded(&self) -> Set {
        Set { nameplate: self.fields.rated_kw, start: self.fields.start_kw, rule: self.derating() }
    }

    /// Where it runs, as a load check asks it.
    #[must_use]
    pub fn place(&self) -> Place {
        Place { elevation: self.site.elevation_metres, air: None }
    }

    /// What its manual takes off for height and heat, if that was entered.
    #[must_use]
    pub fn derating(&self) -> Option<DerateRule> {
        self.fields.derating.as_ref().and_then(DerateRule::of_model)
    }

    /// What it can carry where it stands: its rating, less what the rule of its model takes off for the height of the site. Not
    /// known where there is a rule but no height; without a rule, its rating. Heat is not known here.
    #[must_use]
    pub fn capacity(&self) -> Option<Kilowatts> {
        let rated = self.fields.rated_kw?;
        let Some(rule) = self.derating() else { return Some(rated) };
        let factor = rule.altitude.at_metres(self.site.elevation_metres?)?;
        let hundredths = i128::from(rated.hundredths()) * i128::from(factor.billionths()) / 1_000_000_000;
        Some(Kilowatts::from_hundredths(i64::try_from(hundredths).unwrap_or(i64::MAX)))
    }

    /// The set as the rules for tests ask it.
    #[must_use]
    pub fn tested(&self) -> exercise::Set {
        let by_fuel = match self.fields.fuel {
            Some(Fuel::Diesel) => Some(Ignition::Compression),
            Some(Fuel::Petrol | Fuel::Propane | Fuel::NaturalGas) => Some(Ignition::Spark),
            Some(Fuel::Dual) | None => None,
        };
        let ignition = self.fields.ignition.or(by_fuel);
        exercise::Set { nameplate: self.fields.rated_kw, ignition, class: None }
    }

    /// What happened, as far as `pick` takes it, each with its event.
    fn picked<T>(
        &self,
        pick: impl Fn(&'a Details) -> Option<T>,
    ) -> impl DoubleEndedIterator<Item = (&'a Happened, T)> {
        self.happened.iter().filter_map(move |event| Some((event, pick(&event.details)?)))
    }
}
