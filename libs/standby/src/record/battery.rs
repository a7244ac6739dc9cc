//! The starting battery: when it was checked, how it stood since, and what was measured.

use std::collections::BTreeSet;

use interval::Fraction;
use model::{
    EventId, LocalDate,
    event::{BatteryCheck, Details},
    quantity::Volts,
    unit::Chemistry,
};

use super::Record;
use crate::{
    asked::Asked,
    battery::{
        BatteryError, BatteryPolicy, Charge, CheckFound, LoadTest, LoadTestAnswer, Nominal, OpenCircuit,
        PassedBy, Stand, Standing, judge_checks, load_test, standing, state_of_charge,
    },
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
    /// Whether it is fit by the last check that says so; none where none does. What was measured counts before what was said.
    pub passed: Option<bool>,
    /// By what it is.
    pub passed_by: Option<PassedBy>,
    /// What to do, to enter or to correct: a voltage that says nothing, or that contradicts what was said.
    pub missing: Vec<Asked>,
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
        let measured: Vec<Measured> =
            of_it.iter().map(|(_, _, check)| self.measured(check, policy)).collect();
        let found: Vec<CheckFound<'_>> = of_it
            .iter()
            .zip(&measured)
            .map(|((_, _, check), measured)| self.found(check, measured))
            .collect();
        let verdict = judge_checks(&found, policy);
        let unread = measured.iter().rev().find_map(Measured::unread).unwrap_or_default();
        let last = || of_it.iter().map(|(on, ..)| *on).zip(&measured).rev();
        let checked_on = of_it.iter().rev().find(|(_, _, check)| check.is_check()).map(|(on, ..)| *on);
        Some(BatteryRecord {
            checked_on,
            standing: standing(checked_on, &stands, self.today(), policy),
            charge: last().find_map(|(on, measured)| Some((on, measured.charge()?.clone()))),
            load_test: last().find_map(|(on, measured)| Some((on, measured.load_test()?.clone()))),
            passed: verdict.passed,
            passed_by: verdict.by,
            missing: verdict.missing.into_iter().chain(unread).collect(),
            evidence: of_it.iter().map(|(_, id, _)| *id).collect(),
        })
    }

    fn found<'m>(&self, check: &BatteryCheck, measured: &'m Measured) -> CheckFound<'m> {
        CheckFound {
            said: check.result,
            charge: measured.charge(),
            nominal: self.nominal().ok(),
            load: measured.load_test().map(|test| test.result),
            below_limit: self.below_limit(measured),
            replaced: check.replaced,
        }
    }

    /// By the table of wet batteries: the maker's data decide of others.
    fn below_limit(&self, measured: &Measured) -> bool {
        let below = |test: &LoadTestAnswer| test.least_volts.is_some_and(|least| test.volts < least);
        let is_wet = self.fields.battery_chemistry.is_none_or(|chemistry| chemistry == Chemistry::Wet);
        is_wet && measured.load_test().is_some_and(below)
    }

    /// The nominal voltage; an error says why what was measured tells nothing.
    fn nominal(&self) -> Result<Nominal, Unread> {
        let volts = self.fields.battery_volts.ok_or(Unread::NominalMissing)?;
        Nominal::of(volts).map_err(Unread::Wrong)
    }

    fn measured(&self, check: &BatteryCheck, policy: &BatteryPolicy) -> Measured {
        let charge = check.volts.map(|volts| self.charge(volts, check, policy));
        let told = charge.as_ref().and_then(|charge| charge.as_ref().ok()).and_then(|charge| charge.charge);
        Measured { load_test: self.under_load(check, told, policy), charge }
    }

    fn charge(&self, volts: Volts, check: &BatteryCheck, policy: &BatteryPolicy) -> Result<Charge, Unread> {
        let (nominal, chemistry) = (self.nominal()?, self.fields.battery_chemistry);
        let measured = OpenCircuit::new(volts, nominal, chemistry, check.celsius, check.rested_hours);
        measured.map(|measured| state_of_charge(&measured, policy)).map_err(Unread::Wrong)
    }

    fn under_load(
        &self,
        check: &BatteryCheck,
        charge: Option<Fraction>,
        policy: &BatteryPolicy,
    ) -> Option<Result<LoadTestAnswer, Unread>> {
        let test = check.load_test.as_ref()?;
        let answer = self.nominal().and_then(|nominal| {
            let test = LoadTest {
                volts: test.volts,
                nominal,
                chemistry: self.fields.battery_chemistry,
                celsius: check.celsius,
                charge,
                load: test.amperes,
                seconds: test.seconds.and_then(|seconds| u32::try_from(seconds).ok()),
                cold_cranking: self.fields.battery_cold_cranking_amperes,
                capacity: self.fields.battery_ampere_hours,
            };
            load_test(&test, policy).map_err(Unread::Wrong)
        });
        Some(answer)
    }
}

/// What was measured in a check.
struct Measured {
    charge: Option<Result<Charge, Unread>>,
    load_test: Option<Result<LoadTestAnswer, Unread>>,
}

/// Why what was measured tells nothing.
#[derive(Clone, Copy)]
enum Unread {
    NominalMissing,
    Wrong(BatteryError),
}

impl Measured {
    fn charge(&self) -> Option<&Charge> {
        self.charge.as_ref().and_then(|charge| charge.as_ref().ok())
    }

    fn load_test(&self) -> Option<&LoadTestAnswer> {
        self.load_test.as_ref().and_then(|test| test.as_ref().ok())
    }

    /// What to enter or to correct so that it tells something; none where nothing was measured.
    fn unread(&self) -> Option<Vec<Asked>> {
        let charge = self.charge.as_ref().map(|charge| charge.as_ref().err());
        let load = self.load_test.as_ref().map(|test| test.as_ref().err());
        (charge.is_some() || load.is_some()).then(|| {
            let asked = |(at, why): (&'static str, &Unread)| why.asked(at);
            let wrong = [("/volts", charge.flatten()), ("/load_test/volts", load.flatten())];
            let all: BTreeSet<Asked> =
                wrong.into_iter().filter_map(|(at, why)| Some((at, why?))).map(asked).collect();
            all.into_iter().collect()
        })
    }
}

impl Unread {
    fn asked(self, at: &'static str) -> Asked {
        match self {
            Self::NominalMissing | Self::Wrong(BatteryError::NominalNotKnown) => Asked::at(
                "/battery_volts",
                "The nominal voltage of the unit's battery, 12 or 24 V: the tables are for those.",
            ),
            Self::Wrong(BatteryError::VoltsDoNotFit) => Asked::at(
                at,
                "More than a battery of this nominal voltage can have: correct the volts, or the unit's battery_volts.",
            ),
            Self::Wrong(error) => Asked::at(error.pointer(), "What was measured cannot be: correct it."),
        }
    }
}

fn check(details: &Details) -> Option<&BatteryCheck> {
    if let Details::Battery(check) = details { Some(check) } else { None }
}
