//! What a laboratory's figures say about oil: 40 CFR 63.6625(i) for compression ignition and (j) for spark ignition.

use model::{event::Analysis, quantity::Quantity, unit::Ignition};

/// Whether the oil must be changed.
///
/// Of compression ignition: a base number under 30 % of the new oil's. Of spark ignition: an acid number more than
/// 3.0 mg KOH/g over it. Of both: viscosity off by more than 20 %, or more than 0.5 % of water by volume. Where it is not
/// known how the engine is lit, either rule condemns. Figures that are absent condemn nothing.
pub fn condemned(analysis: &Analysis, ignition: Option<Ignition>) -> bool {
    let by_base = || {
        pair(analysis.base_number_new, analysis.base_number_used)
            .is_some_and(|(new, used)| 100 * used < 30 * new)
    };
    let by_acid = || {
        pair(analysis.acid_number_new, analysis.acid_number_used).is_some_and(|(new, used)| used - new > 300)
    };
    let by_ignition = match ignition {
        Some(Ignition::Compression) => by_base(),
        Some(Ignition::Spark) => by_acid(),
        None => by_base() || by_acid(),
    };
    let by_viscosity = pair(analysis.viscosity_new, analysis.viscosity_used)
        .is_some_and(|(new, used)| 100 * (used - new).abs() > 20 * new);
    let by_water = analysis.water_percent.is_some_and(|water| water.hundredths() > 50);
    by_ignition || by_viscosity || by_water
}

/// Both figures in hundredths, where both are known.
fn pair(new: Option<Quantity>, used: Option<Quantity>) -> Option<(i64, i64)> {
    Some((new?.hundredths(), used?.hundredths()))
}

#[cfg(test)]
mod tests {
    use model::LocalDate;

    use super::*;

    type Figures = Vec<(&'static str, i64)>;

    fn analysis(figures: &Figures) -> Analysis {
        let figure = |name: &str| {
            figures.iter().find(|(found, _)| *found == name).map(|(_, n)| Quantity::from_hundredths(*n))
        };
        Analysis {
            results_on: LocalDate::parse("2026-03-06").unwrap(),
            running: true,
            base_number_new: figure("base_new"),
            base_number_used: figure("base_used"),
            acid_number_new: figure("acid_new"),
            acid_number_used: figure("acid_used"),
            viscosity_new: figure("viscosity_new"),
            viscosity_used: figure("viscosity_used"),
            water_percent: figure("water"),
        }
    }

    #[test]
    fn at_its_limits_oil_passes_and_beyond_them_it_does_not() {
        // 40 CFR 63.6625(i), (j), 2015 edition.
        let (ci, si) = (Some(Ignition::Compression), Some(Ignition::Spark));
        let base = |used| [("base_new", 1000), ("base_used", used)];
        let acid = |used| [("acid_new", 150), ("acid_used", used)];
        let viscosity = |used| [("viscosity_new", 10_000), ("viscosity_used", used)];
        let cases: Vec<(Figures, Option<Ignition>, bool)> = vec![
            (base(300).into(), ci, false),
            (base(290).into(), ci, true),
            (base(299).into(), ci, true),
            (base(100).into(), si, false),
            (base(100).into(), None, true),
            (acid(450).into(), si, false),
            (acid(451).into(), si, true),
            (acid(900).into(), ci, false),
            (acid(451).into(), None, true),
            (viscosity(12_000).into(), ci, false),
            (viscosity(12_010).into(), ci, true),
            (viscosity(8_000).into(), si, false),
            (viscosity(7_990).into(), si, true),
            (vec![("water", 50)], ci, false),
            (vec![("water", 51)], si, true),
            (vec![("base_used", 1)], ci, false),
            (vec![], None, false),
        ];
        for (figures, ignition, expected) in cases {
            assert_eq!(condemned(&analysis(&figures), ignition), expected, "{figures:?} {ignition:?}");
        }
    }
}
