//! What a site has beside the tanks of its sets, and of which fuel.

use model::unit::Fuel;

use super::{SiteTank, UnitSet};
use crate::{
    amount::Volume,
    asked::Asked,
    outage::{OnSite, OutageError, Set, Supply},
};

/// Stock and tank of a site.
pub(super) struct Stores {
    tank: Option<SiteTank>,
    stock: OnSite,
    /// The fuels of the sets that have tanks or draw on one; a set of which that is not known counts as one of its own kind.
    fuels: Vec<Option<Fuel>>,
    /// Those of the sets that draw on the tank of the site.
    fed: Vec<Option<Fuel>>,
}

/// What is there of one fuel.
#[derive(Clone, Copy, Default)]
pub(super) struct There {
    pub litres: Volume,
    pub reserve: Volume,
}

impl Stores {
    pub(super) fn of(sets: &[UnitSet], tank: Option<SiteTank>, stock: OnSite) -> Self {
        let liquid = || sets.iter().map(|one| &one.set).filter(|set| set.burn.fuel != Some(Fuel::NaturalGas));
        let fed = liquid().filter(|set| set.supply == Supply::SiteTank);
        Self { tank, stock, fuels: each_once(liquid()), fed: each_once(fed) }
    }

    /// Whether a set may run on what it draws on.
    pub(super) fn check(&self, set: &Set) -> Result<(), OutageError> {
        let pointer = || "/supply".to_owned();
        if set.supply != Supply::SiteTank || set.burn.fuel == Some(Fuel::NaturalGas) {
            Ok(())
        } else if self.tank.is_none() {
            Err(OutageError::NoSiteTank { pointer: pointer() })
        } else if self.fed.len() > 1 {
            Err(OutageError::SiteTankOfOneFuel { pointer: pointer() })
        } else {
            Ok(())
        }
    }

    /// The tank, if it is known of which fuel it is.
    pub(super) fn tank(&self) -> Option<(SiteTank, Option<Fuel>)> {
        let of = match (self.fed.as_slice(), self.fuels.as_slice()) {
            ([fed], _) => Some(*fed),
            ([], []) => Some(None),
            ([], [fuel]) => Some(*fuel),
            _ => None,
        };
        self.tank.zip(of)
    }

    /// What is there of a fuel.
    pub(super) fn there(&self, fuel: Option<Fuel>) -> There {
        let tank = self.tank().filter(|(_, of)| *of == fuel).map_or_else(There::default, |_| self.in_tank());
        let stock = one(&self.fuels).filter(|of| *of == fuel).map(|_| self.stock.litres);
        There { litres: tank.litres + stock.map_or(Volume::ZERO, Volume::from), reserve: tank.reserve }
    }

    /// What is in the tank.
    pub(super) fn in_tank(&self) -> There {
        self.tank.map_or_else(There::default, |tank| There {
            litres: tank.litres.map_or(Volume::ZERO, Volume::from),
            reserve: tank.reserve.into(),
        })
    }

    pub(super) const fn can_size(&self) -> Option<model::Litres> {
        self.stock.can_size
    }

    /// What to enter: of which fuel something is that is left out since that is not known, and what of the tank is missing or wrong.
    pub(super) fn missing(&self) -> impl Iterator<Item = Asked> {
        let several = self.fuels.len() > 1;
        let stock = (several && self.stock.litres.hundredths() > 0).then(|| {
            Asked::at(
                "/on_site/litres",
                "of which fuel the stock is: the sets burn several, so it was left out",
            )
        });
        let tank = (self.tank.is_some() && several && self.tank().is_none()).then(|| {
            Asked::at(
                "/site_tank",
                "of which fuel the tank of the site is: the sets burn several, so it was left out",
            )
        });
        let level = self.tank.is_some_and(|tank| tank.litres.is_none());
        let level = level
            .then(|| Asked::at("/site_tank/litres", "what is in the tank of the site: it counts as empty"));
        let is_full_of_reserve = |tank: SiteTank| tank.capacity.is_some_and(|holds| tank.reserve >= holds);
        let reserve = self.tank.is_some_and(is_full_of_reserve).then(|| {
            Asked::at("/site_tank/reserve_litres", "a reserve that is less than the tank of the site holds")
        });
        [stock, tank, level, reserve].into_iter().flatten()
    }
}

fn each_once<'a>(sets: impl Iterator<Item = &'a Set>) -> Vec<Option<Fuel>> {
    let mut fuels = Vec::new();
    for set in sets {
        if set.burn.fuel.is_none() || !fuels.contains(&set.burn.fuel) {
            fuels.push(set.burn.fuel);
        }
    }
    fuels
}

/// The only one.
fn one(fuels: &[Option<Fuel>]) -> Option<Option<Fuel>> {
    if let [fuel] = fuels { Some(*fuel) } else { None }
}
