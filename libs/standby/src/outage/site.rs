//! Several sets on one site, each from its own tank or all from the tank of the site.

mod answer;
mod shared;
mod stores;
mod sums;

use model::{Litres, UnitId};

pub use self::answer::{FuelToStage, SharedLasts, SitePlan, UnitAnswer};
use self::{stores::Stores, sums::Sums};
use super::{OnSite, Outage, OutageError, Set, prepare};

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
    /// What it holds.
    pub capacity: Option<Litres>,
    /// What is in it at the start; where that is not known it counts as empty, and is asked for.
    pub litres: Option<Litres>,
    /// What is never to be burned.
    pub reserve: Litres,
}

/// Runs the sets of a site through an outage; those that do not run are left out by the caller.
///
/// What stands beside each set ([`Set::on_site`]) is its own; `stock` and the tank of the site come on top of all of it. Where sets
/// burn several fuels, nobody has said of which the stock is: it is left out, and so is a tank, unless the sets that it feeds burn
/// one. A set of which something cannot be is listed with what is wrong, and the others are run all the same.
///
/// # Errors
/// Where the outage, the stock or the tank of the site cannot be.
pub fn site(
    outage: &Outage,
    sets: &[UnitSet],
    tank: Option<SiteTank>,
    stock: OnSite,
) -> Result<SitePlan, OutageError> {
    prepare::duration(outage)?;
    prepare::on_site(stock)?;
    if let Some(tank) = tank {
        prepare::not_below(tank.litres.map_or(0, Litres::hundredths), "/site_tank/litres")?;
        prepare::not_below(tank.reserve.hundredths(), "/site_tank/reserve_litres")?;
    }
    let stores = Stores::of(sets, tank, stock);
    let mut sums = Sums::default();
    let units = sets.iter().map(|one| sums.answer(outage, one, &stores)).collect();
    Ok(sums.plan(outage, units, &stores))
}
