//! The starting battery: when it was checked, how it stood since, and what was measured.

use model::{
    EventId, LocalDate,
    event::{BatteryCheck, BatteryResult, Details},
};

use super::Record;
use crate::battery::{
    BatteryPolicy, Charge, LoadOutcome, LoadTest, LoadTestAnswer, Nominal, OpenCircuit, Stand, Standing,
    load_test, standing, state_of_charge,
};

/// What is recorded of a starting battery.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BatteryRecord {
    /// The day of its last check.
    pub checked_on: Option<LocalDate>,
    /// When the next one is due.
    pub standing: Standing,
    /// How full it was when it was last measured, with the day.
    pub charge: Option<(LocalDate, Charge)>,
    /// How it did in its last load test, with the day.
    pub load_test: Option<(LocalDate, LoadTestAnswer)>,
    /// Whether it is fit by the last check that says so; none where none does.
    pub passed: Option<bool>,
    /// The events that it rests on.
    pub evidence: Vec<EventId>,
}

impl Record<'_> {
    /// The starting battery; none where the unit is known to have none.
    #[must_use]
    pub fn battery(&self, policy: &BatteryPolicy) -> Option<BatteryRecord> {
        if self.fields.electric_start == Some(false) {
            return None;
        }
        let all: Vec<(LocalDate, EventId, &BatteryCheck)> =
            self.picked(check).map(|(event, check)| (event.on, event.id, check)).collect();
        // What was measured of one that was replaced says nothing of the new one.
        let new_since = all.iter().rposition(|(_, _, check)| check.replaced).unwrap_or(0);
        let of_it = all.get(new_since..).unwrap_or_default();
        let stands: Vec<Stand> = all
            .iter()
            .filter_map(|(on, _, check)| {
                check.on_maintainer.map(|on_it| Stand { from: *on, on_maintainer: Some(on_it) })
            })
            .collect();
        let checked_on = of_it.iter().rev().find(|(_, _, check)| check.is_check()).map(|(on, ..)| *on);
        Some(BatteryRecord {
            checked_on,
            standing: standing(checked_on, &stands, self.today(), policy),
            charge: of_it.iter().rev().find_map(|(on, _, check)| Some((*on, self.charge(check, policy)?))),
            load_test: of_it
                .iter()
                .rev()
                .find_map(|(on, _, check)| Some((*on, self.under_load(check, policy)?))),
            passed: of_it.iter().rev().find_map(|(_, _, check)| self.passed(check, policy)),
            evidence: of_it.iter().map(|(_, id, _)| *id).collect(),
        })
    }

    fn nominal(&self) -> Option<Nominal> {
        self.fields.battery_volts.and_then(|volts| Nominal::of(volts).ok())
    }

    fn charge(&self, check: &BatteryCheck, policy: &BatteryPolicy) -> Option<Charge> {
        let chemistry = self.fields.battery_chemistry;
        let measured =
            OpenCircuit::new(check.volts?, self.nominal()?, chemistry, check.celsius, check.rested_hours);
        measured.ok().map(|measured| state_of_charge(&measured, policy))
    }

    fn under_load(&self, check: &BatteryCheck, policy: &BatteryPolicy) -> Option<LoadTestAnswer> {
        let test = check.load_test.as_ref()?;
        let test = LoadTest {
            volts: test.volts,
            nominal: self.nominal()?,
            chemistry: self.fields.battery_chemistry,
            celsius: check.celsius,
            charge: self.charge(check, policy).and_then(|charge| charge.charge),
            load: test.amperes,
            seconds: test.seconds.and_then(|seconds| u32::try_from(seconds).ok()),
            cold_cranking: self.fields.battery_cold_cranking_amperes,
            capacity: self.fields.battery_ampere_hours,
        };
        load_test(&test, policy).ok()
    }

    /// What who checked it found, else what its load test says; a new battery is fit until something else is found.
    fn passed(&self, check: &BatteryCheck, policy: &BatteryPolicy) -> Option<bool> {
        let found = check.result.map(|result| result == BatteryResult::Passed);
        let by_load = || match self.under_load(check, policy)?.result {
            LoadOutcome::Pass => Some(true),
            LoadOutcome::Fail => Some(false),
            _ => None,
        };
        found.or_else(by_load).or(check.replaced.then_some(true))
    }
}

fn check(details: &Details) -> Option<&BatteryCheck> {
    if let Details::Battery(check) = details { Some(check) } else { None }
}
