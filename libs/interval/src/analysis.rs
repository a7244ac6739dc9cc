//! What a laboratory's figures say about oil: 40 CFR 63.6625(i) for compression ignition and (j) for spark ignition.

use model::{event::Analysis, quantity::Quantity, unit::Ignition};

/// Whether the oil must be changed; nothing where no figure is there that tells.
///
/// Of compression ignition: a base number under 30 % of the new oil's. Of spark ignition: an acid number more than
/// 3.0 mg KOH/g over it. Of both: viscosity off by more than 20 %, or more than 0.5 % of water by volume. Where it is not
/// known how the engine is lit, either rule condemns. Figures that are absent condemn nothing.
pub fn condemned(analysis: &Analysis, ignition: Option<Ignition>) -> Option<bool> {
    let base = pair(analysis.base_number_new, analysis.base_number_used);
    let by_base = base.map(|(new, used)| 100 * used < 30 * new).filter(|_| ignition != Some(Ignition::Spark));
    let acid = pair(analysis.acid_number_new, analysis.acid_number_used);
    let by_acid =
        acid.map(|(new, used)| used - new > 300).filter(|_| ignition != Some(Ignition::Compression));
    let viscosity = pair(analysis.viscosity_new, analysis.viscosity_used);
    let by_viscosity = viscosity.map(|(new, used)| 100 * (used - new).abs() > 20 * new);
    let by_water = analysis.water_percent.map(|water| water.hundredths() > 50);
    [by_base, by_acid, by_viscosity, by_water].into_iter().flatten().reduce(|one, other| one || other)
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
        let cases: Vec<(Figures, Option<Ignition>, Option<bool>)> = vec![
            (base(300).into(), ci, Some(false)),
            (base(290).into(), ci, Some(true)),
            (base(299).into(), ci, Some(true)),
            (base(100).into(), si, None),
            (base(100).into(), None, Some(true)),
            (acid(450).into(), si, Some(false)),
            (acid(451).into(), si, Some(true)),
            (acid(900).into(), ci, None),
            (acid(451).into(), None, Some(true)),
            (viscosity(12_000).into(), ci, Some(false)),
            (viscosity(12_010).into(), ci, Some(true)),
            (viscosity(8_000).into(), si, Some(false)),
            (viscosity(7_990).into(), si, Some(true)),
            (vec![("water", 50)], ci, Some(false)),
            (vec![("water", 51)], si, Some(true)),
            (vec![("base_used", 1)], ci, None),
            (vec![], None, None),
        ];
        for (figures, ignition, expected) in cases {
            assert_eq!(condemned(&analysis(&figures), ignition), expected, "{figures:?} {ignition:?}");
        }
    }
}
