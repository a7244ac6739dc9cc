//! How full a battery is by its resting voltage.

use interval::{Fraction, Grade};
use model::{
    Hours,
    quantity::{Celsius, Volts},
    unit::Chemistry,
};
use serde::Serialize;
use utoipa::ToSchema;

use super::{BatteryError, BatteryTrace, CAUTIONS, Nominal, asked_chemistry, policy::BatteryPolicy, sane};
use crate::{
    asked::Asked,
    caution::Caution,
    convert::{Fahrenheit, ratio},
};

const MICROVOLTS_PER_HUNDREDTH: i64 = 10_000;
/// Below this a battery of 12 V is not merely flat.
const FAR_BELOW_FLAT: i64 = 10_500_000;

/// A voltage measured with nothing connected that draws or charges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenCircuit {
    volts: Volts,
    nominal: Nominal,
    chemistry: Option<Chemistry>,
    celsius: Option<Celsius>,
    rested: Option<Hours>,
}

impl OpenCircuit {
    /// Of a battery whose voltage was measured; what is not known of it is none.
    ///
    /// # Errors
    ///
    /// Where voltage, temperature or rest cannot be.
    pub fn new(
        volts: Volts,
        nominal: Nominal,
        chemistry: Option<Chemistry>,
        celsius: Option<Celsius>,
        rested: Option<Hours>,
    ) -> Result<Self, BatteryError> {
        nominal.fits(volts)?;
        sane(celsius)?;
        if rested.is_some_and(|rested| rested < Hours::ZERO) {
            return Err(BatteryError::RestedOutOfRange);
        }
        Ok(Self { volts, nominal, chemistry, celsius, rested })
    }
}

/// How well the charge is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = BatteryChargeState)]
pub enum ChargeState {
    /// As it is.
    Told,
    /// No more than that: it did not rest long enough, or is on a charger, so that it looks fuller than it is.
    AtMost,
    /// Not known; see what to enter.
    Unknown,
}

/// The state of charge of a battery.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = BatteryCharge)]
pub struct Charge {
    /// How well it is told.
    pub state: ChargeState,
    /// The share of a full charge.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.8125)]
    pub charge: Option<Fraction>,
    /// The share if the meter shows as much too high as a usual one may.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.6548)]
    pub charge_low: Option<Fraction>,
    /// The share if the meter shows as much too low.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.9688)]
    pub charge_high: Option<Fraction>,
    /// Whether it is full enough for a load test, as far as is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub enough_for_load_test: Option<bool>,
    /// How well it is known.
    pub grade: Grade,
    /// What to enter, or to do first.
    pub missing: Vec<Asked>,
    /// What the answer rests on.
    pub trace: Vec<BatteryTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// How full a battery is.
#[must_use]
pub fn state_of_charge(measured: &OpenCircuit, policy: &BatteryPolicy) -> Charge {
    let mut trace = vec![BatteryTrace::PolicyUsed {
        policy: policy.policy,
        edition: policy.edition,
        source: policy.charge_source,
    }];
    let hot = measured.celsius.is_some_and(|celsius| celsius > policy.too_hot);
    let cool =
        hot.then(|| Asked::at("/celsius", "Let the battery cool to 43 degrees Celsius, then measure."));
    let each = measured.volts.hundredths() * MICROVOLTS_PER_HUNDREDTH / measured.nominal.batteries();
    let charged = each > policy.at_rest_at_most.hundredths() * MICROVOLTS_PER_HUNDREDTH;
    let shorted = each < FAR_BELOW_FLAT;
    trace.extend(charged.then_some(BatteryTrace::AboveRest));
    trace.extend(shorted.then_some(BatteryTrace::FarBelowFlat));
    let measure = "Measure each battery by itself, charge it, and measure again: so little is a bad cell, or one of two.";
    let disconnect = "Disconnect the charger, let the battery rest, then measure again.";
    let mut missing: Vec<Asked> = asked_chemistry(measured.chemistry).into_iter().chain(cool).collect();
    missing.extend(shorted.then(|| Asked::at("/volts", measure)));
    let can_be_told = missing.is_empty();
    missing.extend(charged.then(|| Asked::at("/volts", disconnect)));
    let rested = measured.rested.is_some_and(|rested| rested >= policy.rest);
    if !rested {
        trace.push(BatteryTrace::NotRested { needed_hours: policy.rest });
    }
    let (mut charge, mut low, mut high) = (None, None, None);
    if can_be_told {
        let corrected = corrected(each, measured, policy, &mut trace);
        let wrong = ratio(each, i128::from(policy.meter_tolerance.ten_thousandths()), 10_000);
        trace.push(between(corrected, policy));
        charge = Some(by_table(corrected, policy));
        low = Some(by_table(corrected - wrong, policy));
        high = Some(by_table(corrected + wrong, policy));
    }
    let (state, grade) = match (charge, rested && !charged, measured.celsius) {
        (None, ..) => (ChargeState::Unknown, Grade::D),
        (_, false, _) => (ChargeState::AtMost, Grade::C),
        (_, _, None) => (ChargeState::Told, Grade::C),
        (_, _, Some(_)) => (ChargeState::Told, Grade::B),
    };
    Charge {
        enough_for_load_test: enough(state, charge, measured.celsius, policy),
        state,
        charge,
        charge_low: low,
        charge_high: high,
        grade,
        missing,
        trace,
        cautions: CAUTIONS.to_vec(),
    }
}

/// Too little is too little even if it looks fuller than it is; enough is only what is told as it is, at a temperature.
fn enough(
    state: ChargeState,
    charge: Option<Fraction>,
    celsius: Option<Celsius>,
    policy: &BatteryPolicy,
) -> Option<bool> {
    match charge? >= policy.least_charge {
        true if state == ChargeState::Told && celsius.is_some() => Some(true),
        true => None,
        false => Some(false),
    }
}

/// In microvolts at 80 °F, of one battery of 12 V.
fn corrected(
    microvolts: i64,
    measured: &OpenCircuit,
    policy: &BatteryPolicy,
    trace: &mut Vec<BatteryTrace>,
) -> i64 {
    let Some(celsius) = measured.celsius else {
        trace.push(BatteryTrace::TemperatureNotKnown);
        return microvolts;
    };
    let away = Fahrenheit::from(celsius).hundredths() - 8000;
    let corrected = microvolts + away * policy.correction_microvolts;
    let volts = ratio(corrected * measured.nominal.batteries(), 1, i128::from(MICROVOLTS_PER_HUNDREDTH));
    trace.push(BatteryTrace::Corrected {
        celsius,
        volts: Volts::from_hundredths(volts),
        source: policy.correction_source,
    });
    corrected
}

/// The two points of the table around a voltage.
fn around(microvolts: i64, policy: &BatteryPolicy) -> Option<[(Volts, Fraction); 2]> {
    let at = |point: &(Volts, Fraction)| point.0.hundredths() * MICROVOLTS_PER_HUNDREDTH;
    policy.charge_table.windows(2).find_map(|pair| match pair {
        [lower, upper] if (at(lower)..=at(upper)).contains(&microvolts) => Some([*lower, *upper]),
        _ => None,
    })
}

fn between(microvolts: i64, policy: &BatteryPolicy) -> BatteryTrace {
    around(microvolts, policy).map_or(BatteryTrace::BeyondTable, |[lower, upper]| {
        BatteryTrace::LinearBetween { lower: lower.0, upper: upper.0 }
    })
}

fn by_table(microvolts: i64, policy: &BatteryPolicy) -> Fraction {
    let Some([lower, upper]) = around(microvolts, policy) else {
        let full = policy.charge_table.last();
        let over = full.filter(|(volts, _)| microvolts > volts.hundredths() * MICROVOLTS_PER_HUNDREDTH);
        let end = over.or(policy.charge_table.first());
        return end.map_or(Fraction::of(0, 1), |(_, charge)| *charge);
    };
    let span = (upper.0.hundredths() - lower.0.hundredths()) * MICROVOLTS_PER_HUNDREDTH;
    let rise = upper.1.ten_thousandths() - lower.1.ten_thousandths();
    let above = microvolts - lower.0.hundredths() * MICROVOLTS_PER_HUNDREDTH;
    let risen = ratio(above, i128::from(rise), i128::from(span.max(1)));
    Fraction::of(lower.1.ten_thousandths() + risen, 10_000)
}
