//! What a regulation asks to know of an engine.

use std::{cmp::Ordering, collections::BTreeSet};

use model::{
    Kilowatts,
    pack::EngineConditions,
    unit::{Burn, Fuel, Ignition, Stroke, UnitFields},
};

use super::power::compared;

/// What is known of an engine; an absent member is not known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Engine {
    /// What it burns; all but `dual` say how the mixture is lit where `ignition` does not.
    pub fuel: Option<Fuel>,
    /// How the mixture is lit.
    pub ignition: Option<Ignition>,
    /// Its brake power.
    pub power: Option<Kilowatts>,
    /// Whether it runs only in emergencies and for readiness tests.
    pub emergency_use: Option<bool>,
    /// Whether it only starts another engine.
    pub black_start: Option<bool>,
    /// Strokes of a cycle.
    pub stroke: Option<Stroke>,
    /// How rich the mixture is.
    pub burn: Option<Burn>,
    /// Whether it stands far from people, as the regulation defines it.
    pub remote: Option<bool>,
    /// Whether it runs at most 24 hours a year.
    pub limited_use: Option<bool>,
    /// Whether landfill or digester gas gives a tenth or more of its heat input.
    pub digester_gas: Option<bool>,
}

/// Whether an engine meets conditions.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Fit {
    /// It does.
    Yes,
    /// It does not, whatever else may become known.
    No,
    /// It depends on these fields of the unit.
    Unknown(BTreeSet<&'static str>),
}

impl From<&UnitFields> for Engine {
    fn from(fields: &UnitFields) -> Self {
        Self {
            fuel: fields.fuel,
            ignition: fields.ignition,
            power: fields.engine_kw,
            emergency_use: fields.emergency_use,
            black_start: fields.black_start,
            stroke: fields.stroke,
            burn: fields.burn,
            remote: fields.remote,
            limited_use: fields.limited_use,
            digester_gas: fields.digester_gas,
        }
    }
}

impl Engine {
    /// How the mixture is lit, as far as the fields tell.
    pub(super) fn lit_by(&self) -> Option<Ignition> {
        self.ignition.or_else(|| match self.fuel? {
            Fuel::Petrol | Fuel::Propane | Fuel::NaturalGas => Some(Ignition::Spark),
            Fuel::Diesel => Some(Ignition::Compression),
            Fuel::Dual => None,
        })
    }

    /// Whether it meets all of these conditions.
    pub(super) fn meets(&self, wanted: &EngineConditions) -> Fit {
        let power = |bound: Option<i64>, allowed: fn(Ordering) -> bool| {
            ("engine_kw", bound.map(|bound| self.power.map(|power| allowed(compared(power, bound)))))
        };
        let conditions = [
            ("ignition", same(wanted.ignition, self.lit_by())),
            ("emergency_use", same(wanted.emergency_use, self.emergency_use)),
            ("black_start", same(wanted.black_start, self.black_start)),
            ("stroke", same(wanted.stroke, self.stroke)),
            ("burn", same(wanted.burn, self.burn)),
            ("remote", same(wanted.remote, self.remote)),
            ("limited_use", same(wanted.limited_use, self.limited_use)),
            ("digester_gas", same(wanted.digester_gas, self.digester_gas)),
            power(wanted.over_hp, Ordering::is_gt),
            power(wanted.from_hp, Ordering::is_ge),
            power(wanted.below_hp, Ordering::is_lt),
            power(wanted.up_to_hp, Ordering::is_le),
        ];
        let mut unknown = BTreeSet::new();
        for (field, met) in conditions {
            match met {
                None | Some(Some(true)) => {}
                Some(Some(false)) => return Fit::No,
                Some(None) => drop(unknown.insert(field)),
            }
        }
        if unknown.is_empty() { Fit::Yes } else { Fit::Unknown(unknown) }
    }
}

/// Whether what is wanted, if anything, is so, if that is known.
fn same<T: PartialEq>(wanted: Option<T>, known: Option<T>) -> Option<Option<bool>> {
    wanted.map(|wanted| known.map(|known| known == wanted))
}
