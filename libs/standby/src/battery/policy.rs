//! The tables and days, as data.

use interval::Fraction;
use model::{
    Hours,
    quantity::{Celsius, Volts},
};

use super::share;

/// Tables of a wet lead-acid battery of 12 V, and how long one may stand between checks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BatteryPolicy {
    /// Its name.
    pub policy: &'static str,
    /// Its edition.
    pub edition: &'static str,
    /// Days between checks on a maintainer.
    pub days_on_maintainer: i64,
    /// Days between checks off a maintainer.
    pub days_off_maintainer: i64,
    /// A check comes due at this share of its days.
    pub coming_due_share: Fraction,
    /// Where the days come from.
    pub standing_source: &'static str,
    /// Resting voltage at 80 °F and state of charge, rising.
    pub charge_table: Vec<(Volts, Fraction)>,
    /// Where that table comes from.
    pub charge_source: &'static str,
    /// Microvolts to correct for each hundredth of a degree Fahrenheit away from 80 °F, taken off when colder.
    pub correction_microvolts: i64,
    /// Where that comes from.
    pub correction_source: &'static str,
    /// Hotter than this it must cool down first.
    pub too_hot: Celsius,
    /// How long it must rest before its voltage tells its charge.
    pub rest: Hours,
    /// Above this, of 12 V, it does not rest: it is on a charger, or was a short time ago.
    pub at_rest_at_most: Volts,
    /// By what share of what it shows a usual meter may be wrong.
    pub meter_tolerance: Fraction,
    /// Least voltage under load by temperature, rising; above the last point that of the last point.
    pub load_table: Vec<(Celsius, Volts)>,
    /// Where that table comes from.
    pub load_source: &'static str,
    /// A battery is load-tested from this charge on.
    pub least_charge: Fraction,
    /// How long the load is put on, in seconds.
    pub load_seconds: u32,
    /// A battery that rested and has less than this does not pass, whatever else was found.
    pub least_to_pass: Fraction,
    /// Where that comes from.
    pub least_to_pass_source: &'static str,
}

impl BatteryPolicy {
    /// The published tables; the days are values of this project.
    #[must_use]
    pub fn standard() -> Self {
        let volts = Volts::from_hundredths;
        let point = |celsius: i64, hundredths| (Celsius::from_hundredths(celsius * 100), volts(hundredths));
        Self {
            policy: "wet_lead_acid",
            edition: "1",
            days_on_maintainer: 90,
            days_off_maintainer: 30,
            coming_due_share: share(9000),
            standing_source: "common practice: after a full charge a battery may stand about 30 days off charge; 90 days on a maintainer",
            charge_table: [(1189, 0), (1206, 2500), (1224, 5000), (1245, 7500), (1265, 10_000)]
                .map(|(hundredths, charge)| (volts(hundredths), share(charge)))
                .to_vec(),
            charge_source: "published table for wet batteries at 80 °F, full at 12.65 V and 1.265 specific gravity",
            // 0.024 V for each 10 °F.
            correction_microvolts: 24,
            correction_source: "0.024 V for each 10 °F away from 80 °F, value from memory (BCI)",
            // 110 °F.
            too_hot: Celsius::from_hundredths(4333),
            rest: Hours::from_hundredths(600),
            // Common practice, value from memory.
            at_rest_at_most: volts(1290),
            meter_tolerance: share(100),
            load_table: vec![
                point(-18, 850),
                point(-12, 870),
                point(-7, 890),
                point(-1, 910),
                point(4, 930),
                point(10, 940),
                point(16, 950),
                point(20, 960),
            ],
            load_source: "published table: least voltage of a 12 V battery under half its cold cranking amperes for 15 s",
            least_charge: share(7500),
            load_seconds: 15,
            least_to_pass: share(5000),
            least_to_pass_source: "common practice: half a charge at the least to be relied on for a start",
        }
    }
}
