//! Whether a battery passes a load test, by its temperature.

use interval::{Fraction, Grade};
use model::{
    quantity::{AmpereHours, Amperes, Celsius, Volts},
    unit::Chemistry,
};
use serde::Serialize;
use utoipa::ToSchema;

use super::{BatteryError, BatteryTrace, CAUTIONS, Nominal, asked_chemistry, policy::BatteryPolicy, sane};
use crate::{asked::Asked, caution::Caution};

/// A load test: the voltage at the end of it, and the rest as far as it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LoadTest {
    /// The voltage at the end, under load.
    pub volts: Volts,
    /// Of one battery or two in series.
    pub nominal: Nominal,
    /// How it is made.
    pub chemistry: Option<Chemistry>,
    /// Its temperature.
    pub celsius: Option<Celsius>,
    /// Its charge before the test.
    pub charge: Option<Fraction>,
    /// The load that was put on.
    pub load: Option<Amperes>,
    /// How many seconds it was put on.
    pub seconds: Option<u32>,
    /// What the battery is rated to give at 0 °F.
    pub cold_cranking: Option<Amperes>,
    /// Its capacity.
    pub capacity: Option<AmpereHours>,
}

/// What a load test comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum LoadOutcome {
    /// It held the least voltage.
    Pass,
    /// It did not: replace it.
    Fail,
    /// The test does not count: charge the battery first.
    ChargeFirst {
        /// Its charge.
        #[schema(value_type = f64, example = 0.6)]
        charge: Fraction,
        /// The least charge to be tested at.
        #[schema(value_type = f64, example = 0.75)]
        least_charge: Fraction,
    },
    /// The test does not count: the load was too small.
    LoadTooSmall {
        /// The load put on.
        #[schema(value_type = f64)]
        amperes: Amperes,
        /// Needed at least.
        #[schema(value_type = f64)]
        needed_amperes: Amperes,
    },
    /// The test does not count: the load was put on too short a time.
    TooShort {
        /// Seconds that it was put on.
        seconds: u32,
        /// Seconds needed.
        needed_seconds: u32,
    },
    /// Colder than the table goes: warm the battery and test again.
    TooCold {
        /// Its temperature.
        #[schema(value_type = f64)]
        celsius: Celsius,
        /// The lowest of the table.
        #[schema(value_type = f64)]
        lowest_celsius: Celsius,
    },
    /// It cannot be told; see what to enter.
    Unknown,
}

/// What a load test comes to, and by which limit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LoadTestAnswer {
    /// What it comes to.
    #[serde(flatten)]
    pub result: LoadOutcome,
    /// The voltage under load.
    #[schema(value_type = f64, example = 9.2)]
    pub volts: Volts,
    /// The least voltage at this temperature.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 9.14)]
    pub least_volts: Option<Volts>,
    /// How well it is known.
    pub grade: Grade,
    /// What to enter.
    pub missing: Vec<Asked>,
    /// What the answer rests on.
    pub trace: Vec<BatteryTrace>,
    /// What to heed.
    pub cautions: Vec<Caution>,
}

/// Whether a battery passes.
///
/// # Errors
///
/// Where voltage, temperature or charge cannot be.
pub fn load_test(test: &LoadTest, policy: &BatteryPolicy) -> Result<LoadTestAnswer, BatteryError> {
    test.nominal.fits(test.volts)?;
    sane(test.celsius)?;
    if test.charge.is_some_and(|charge| !(0..=10_000).contains(&charge.ten_thousandths())) {
        return Err(BatteryError::ChargeOutOfRange);
    }
    let limit = test.celsius.and_then(|celsius| limit(celsius, test.nominal, policy));
    let least_volts = limit.as_ref().map(|(volts, _)| *volts);
    let mut trace = trace(test, policy);
    trace.extend(limit.map(|(_, point)| point));
    let missing = missing(test);
    let result = result(test, least_volts, missing.is_empty(), policy);
    let checked = needed_load(test).is_some() && test.load.is_some() && test.seconds.is_some();
    let grade = match result {
        LoadOutcome::Unknown => Grade::D,
        LoadOutcome::Pass | LoadOutcome::Fail if !checked => Grade::C,
        _ => Grade::B,
    };
    let cautions = CAUTIONS.to_vec();
    Ok(LoadTestAnswer { result, volts: test.volts, least_volts, grade, missing, trace, cautions })
}

fn missing(test: &LoadTest) -> Vec<Asked> {
    let charge = || Asked::at("/charge", "The state of charge before the test: let it rest and measure it.");
    let celsius = || Asked::at("/celsius", "The temperature of the battery: the limit depends on it.");
    asked_chemistry(test.chemistry)
        .into_iter()
        .chain(test.charge.is_none().then(charge))
        .chain(test.celsius.is_none().then(celsius))
        .collect()
}

/// What makes the test not count comes first, since nothing else is told by it then.
fn result(test: &LoadTest, least: Option<Volts>, complete: bool, policy: &BatteryPolicy) -> LoadOutcome {
    if let Some(charge) = test.charge.filter(|charge| *charge < policy.least_charge) {
        return LoadOutcome::ChargeFirst { charge, least_charge: policy.least_charge };
    }
    if let (Some(amperes), Some(needed_amperes)) = (test.load, needed_load(test))
        && amperes < needed_amperes
    {
        return LoadOutcome::LoadTooSmall { amperes, needed_amperes };
    }
    if let Some(seconds) = test.seconds.filter(|seconds| *seconds < policy.load_seconds) {
        return LoadOutcome::TooShort { seconds, needed_seconds: policy.load_seconds };
    }
    if !complete {
        return LoadOutcome::Unknown;
    }
    match (least, test.celsius, policy.load_table.first()) {
        (Some(least), ..) if test.volts >= least => LoadOutcome::Pass,
        (Some(_), ..) => LoadOutcome::Fail,
        (None, Some(celsius), Some((lowest_celsius, _))) => {
            LoadOutcome::TooCold { celsius, lowest_celsius: *lowest_celsius }
        }
        (None, ..) => LoadOutcome::Unknown,
    }
}

/// Half the cold cranking amperes, rounded up, or three times the ampere-hours.
fn needed_load(test: &LoadTest) -> Option<Amperes> {
    let half = |rated: Amperes| (rated.hundredths() + 199) / 200 * 100;
    let triple = |capacity: AmpereHours| capacity.hundredths().saturating_mul(3);
    test.cold_cranking.map(half).or(test.capacity.map(triple)).map(Amperes::from_hundredths)
}

/// The least voltage at a temperature, and between which points it lies; none below the table.
fn limit(celsius: Celsius, nominal: Nominal, policy: &BatteryPolicy) -> Option<(Volts, BatteryTrace)> {
    let times = |hundredths: i64| Volts::from_hundredths(hundredths * nominal.batteries());
    let warmest = policy.load_table.last().filter(|(warmest, _)| celsius > *warmest);
    if let Some((_, volts)) = warmest {
        return Some((times(volts.hundredths()), BatteryTrace::BeyondTable));
    }
    policy.load_table.windows(2).find_map(|pair| match pair {
        [(lower, low), (upper, high)] if (*lower..=*upper).contains(&celsius) => {
            let span = (upper.hundredths() - lower.hundredths()).max(1);
            let rise = (high.hundredths() - low.hundredths()) * (celsius.hundredths() - lower.hundredths());
            // Rounded up: a limit that is told is one that holds.
            let volts = times(low.hundredths() + (rise + span - 1) / span);
            let (lower_celsius, upper_celsius) = (*lower, *upper);
            let step_volts = times(low.hundredths());
            Some((
                volts,
                BatteryTrace::LinearBetweenTemperatures { lower_celsius, upper_celsius, step_volts },
            ))
        }
        _ => None,
    })
}

fn trace(test: &LoadTest, policy: &BatteryPolicy) -> Vec<BatteryTrace> {
    let (policy, edition, source) = (policy.policy, policy.edition, policy.load_source);
    let load = match (test.load, needed_load(test)) {
        (Some(_), Some(needed_amperes)) => BatteryTrace::LoadChecked { needed_amperes },
        _ => BatteryTrace::LoadNotChecked,
    };
    let duration = test.seconds.is_none().then_some(BatteryTrace::DurationNotChecked);
    let temperature = test.celsius.is_none().then_some(BatteryTrace::TemperatureNotKnown);
    [BatteryTrace::PolicyUsed { policy, edition, source }, load]
        .into_iter()
        .chain(duration)
        .chain(temperature)
        .collect()
}
