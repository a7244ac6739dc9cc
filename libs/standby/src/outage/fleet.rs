//! What a whole fleet needs for an outage: the sums of its sites.

use interval::Grade;
use model::{Hours, Litres, SiteId};
use serde::Serialize;
use utoipa::ToSchema;

use super::{FuelToStage, OnSite, Outage, OutageError, SitePlan, SiteTank, UnitSet, site};
use crate::amount::Volume;

/// A site of a fleet, with its own zone and outage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SiteAsked {
    /// The site.
    pub site: SiteId,
    /// Its outage.
    pub outage: Outage,
    /// Its sets that run.
    pub sets: Vec<UnitSet>,
    /// Its tank, if it has one.
    pub tank: Option<SiteTank>,
    /// What stands there beside the tanks.
    pub stock: OnSite,
}

/// What a fleet needs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OutageFleetStage)]
pub struct FleetStage {
    /// Each site, in the order asked.
    pub sites: Vec<SiteStage>,
    /// Each fuel by itself: the sums below are over all of them.
    pub fuels: Vec<FuelToStage>,
    /// The least fuel to stage.
    #[schema(value_type = f64, example = 1200.5)]
    pub fuel_to_stage_litres: Litres,
    /// Fuel to stage where every stop fills the tank: always enough.
    #[schema(value_type = f64, example = 1400.5)]
    pub fuel_to_fill_up_litres: Litres,
    /// Fuel that is burned, without what comes from a main.
    #[schema(value_type = f64, example = 3120.4)]
    pub fuel_burned_litres: Litres,
    /// How well the fuel is known: the worst of the sites.
    pub fuel_grade: Grade,
    /// Cans to stage at the sites without a tank.
    #[schema(example = 60)]
    pub cans: i64,
    /// Bottles of oil to stage, with the spare ones.
    #[schema(example = 61)]
    pub oil_bottles: i64,
    /// Whether the oil of all units is known; if not the bottles are the least.
    pub oil_complete: bool,
    /// Hours that units run, added up.
    #[schema(value_type = f64, example = 4140.0)]
    pub run_hours: Hours,
    /// Units of which too little is known, or something that cannot be: the sums are without them.
    #[schema(example = 2)]
    pub unknown: usize,
}

/// One site of a fleet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = OutageSiteStage)]
pub struct SiteStage {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// Its plan.
    pub plan: SitePlan,
}

/// Runs every site through its outage.
///
/// # Errors
/// Where an outage or the tank of a site cannot be, with the place of the site.
pub fn fleet(asked: &[SiteAsked]) -> Result<FleetStage, (usize, OutageError)> {
    let mut sites = Vec::with_capacity(asked.len());
    for (place, one) in asked.iter().enumerate() {
        let plan = site(&one.outage, &one.sets, one.tank, one.stock).map_err(|error| (place, error))?;
        sites.push(SiteStage { site_id: one.site, plan });
    }
    let litres = |of: fn(&SitePlan) -> Litres| {
        sites.iter().map(|site| Volume::from(of(&site.plan))).fold(Volume::ZERO, |a, b| a + b).litres()
    };
    let count =
        |of: fn(&SitePlan) -> i64| sites.iter().map(|site| of(&site.plan)).fold(0, i64::saturating_add);
    Ok(FleetStage {
        fuels: fuels(&sites),
        fuel_to_stage_litres: litres(|plan| plan.fuel_to_stage_litres),
        fuel_to_fill_up_litres: litres(|plan| plan.fuel_to_fill_up_litres),
        fuel_burned_litres: litres(|plan| plan.fuel_burned_litres),
        // Of no site nothing is known.
        fuel_grade: sites.iter().map(|site| site.plan.fuel_grade).max().unwrap_or(Grade::D),
        cans: count(|plan| plan.cans.unwrap_or(0)),
        oil_bottles: count(|plan| plan.oil_bottles),
        oil_complete: !sites.is_empty() && sites.iter().all(|site| site.plan.oil_complete),
        run_hours: sites.iter().map(|site| site.plan.run_hours).fold(Hours::ZERO, |a, b| a + b),
        unknown: sites.iter().map(|site| site.plan.unknown).sum(),
        sites,
    })
}

/// The fuels of all sites, each added up.
fn fuels(sites: &[SiteStage]) -> Vec<FuelToStage> {
    let mut sums: Vec<FuelToStage> = Vec::new();
    for of in sites.iter().flat_map(|site| &site.plan.fuels) {
        match sums.iter_mut().find(|sum| sum.fuel == of.fuel) {
            Some(sum) => *sum = sum.and(of),
            None => sums.push(*of),
        }
    }
    sums
}
