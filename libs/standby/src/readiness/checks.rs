//! What each rule looks at.

use interval::Fraction;
use model::{Hours, Instant, Metres};

use super::{
    binomial::{TWO_SIDED_95, Trials},
    facts::{Recommission, StartOutcome},
    judge::{Finding, Judging},
    policy::{Bound, Found, Percent, whole_hours},
    reason::{Measure, ReasonCode, Severity, Trace},
};
use crate::asked::Asked;

const SECONDS_PER_DAY: i64 = 86_400;

impl Judging<'_> {
    pub(super) fn critical_findings(&mut self, open: Found) {
        let findings = &self.facts.critical_findings;
        let finding = Finding { evidence: findings, ..Finding::default() };
        self.met_unless(!findings.is_empty(), open, ReasonCode::CriticalFindingOpen, finding);
    }

    pub(super) fn tags(&mut self, hung: Found) {
        let tags = &self.facts.tags;
        let finding = Finding { evidence: tags, ..Finding::default() };
        self.met_unless(!tags.is_empty(), hung, ReasonCode::TaggedOut, finding);
    }

    pub(super) fn last_start(&mut self, failed: Found) {
        let ask = ("/last_start", "How the last start went; start it once where that is not known.");
        let facts = self.facts;
        let Some(start) = self.known(&facts.last_start, ask) else { return };
        if start.value == StartOutcome::LaterTry {
            let finding = Finding::on(start);
            return self.tell(Severity::Info, ReasonCode::StartedAtLaterTry, finding, None);
        }
        let broken = start.value == StartOutcome::Failed;
        self.met_unless(broken, failed, ReasonCode::LastStartFailed, Finding::on(start));
    }

    pub(super) fn battery(&mut self, failed: Found, due: Found) {
        let ask = ("/battery", "The last check of the starting battery.");
        let facts = self.facts;
        let Some(battery) = self.known(&facts.battery, ask) else { return };
        let broken = battery.value.passed == Some(false);
        if broken {
            self.tell(failed.into(), ReasonCode::BatteryFailed, Finding::on(battery), None);
        }
        let Some(due_on) = battery.value.check_due_on else {
            let enter =
                Asked::at("/battery/check_due_on", "When the battery was checked, and how it stands.");
            return self.not_known(enter, Finding::on(battery));
        };
        self.may_change_on(due_on);
        if self.clock.today >= due_on {
            let value = Some(Measure::Days { value: i64::from(self.clock.today.days_since(due_on)) });
            let finding = Finding { value, since: Some(due_on), ..Finding::on(battery) };
            self.tell(due.into(), ReasonCode::BatteryDue, finding, None);
        } else if battery.value.passed.is_none() {
            let enter = Asked::at("/battery/passed", "Whether it passed its last check, or what tells that.");
            self.not_known(enter, Finding::on(battery));
        } else if !broken {
            self.met(None, None);
        }
    }

    pub(super) fn recommission(&mut self, open: Found) {
        let ask = ("/recommission", "Whether all was done that storage or repair asks for.");
        let facts = self.facts;
        let Some(gate) = self.known(&facts.recommission, ask) else { return };
        let broken = gate.value == Recommission::Open;
        self.met_unless(broken, open, ReasonCode::RecommissionOpen, Finding::on(gate));
    }

    pub(super) fn endurance(&mut self, needed: u16, short: Found, empty_below: u16, empty: Found) {
        let ask = ("/endurance", "What is in the tank, and what the set burns at its load.");
        let facts = self.facts;
        let Some(lasts) = self.known(&facts.endurance, ask) else { return };
        let hours = |value: Hours| Measure::Hours { value };
        let value = lasts.value.hours;
        if value < whole_hours(empty_below) {
            let finding = Finding::on(lasts).against(hours(value), hours(whole_hours(empty_below)));
            return self.tell(empty.into(), ReasonCode::FuelEmpty, finding, None);
        }
        let needed = lasts.value.needed.unwrap_or(whole_hours(needed));
        let finding = Finding::on(lasts).against(hours(value), hours(needed));
        self.met_unless(value < needed, short, ReasonCode::FuelShort, finding);
    }

    pub(super) fn stale_fuel(&mut self, most: Percent, more: Found) {
        let ask = ("/stale_fuel", "When the fuel in the tank was bought, and how much of it.");
        let facts = self.facts;
        let Some(stale) = self.known(&facts.stale_fuel, ask) else { return };
        let (share, most) = (stale.value, share(most));
        let finding =
            Finding::on(stale).against(Measure::Share { value: share }, Measure::Share { value: most });
        self.met_unless(share > most, more, ReasonCode::FuelStale, finding);
    }

    pub(super) fn last_test(&mut self, most_days: u16, told_from_days: u16, longer: Found) {
        let ask = (
            "/last_test",
            "The day of the last test under load that counts; test it once where there is none.",
        );
        let facts = self.facts;
        let Some(test) = self.known(&facts.last_test, ask) else { return };
        self.may_change_on(test.value.plus_days(i32::from(told_from_days)));
        self.may_change_on(test.value.plus_days(i32::from(most_days) + 1));
        let days = i64::from(self.clock.today.days_since(test.value));
        let measure = |value: i64| Measure::Days { value };
        let finding = Finding { since: Some(test.value), ..Finding::on(test) };
        let finding = finding.against(measure(days), measure(i64::from(most_days)));
        if days <= i64::from(most_days) && days >= i64::from(told_from_days) {
            return self.tell(Severity::Info, ReasonCode::TestSoonOld, finding, None);
        }
        self.met_unless(days > i64::from(most_days), longer, ReasonCode::TestOld, finding);
    }

    pub(super) fn start_rate(&mut self, least: Percent, bound: Bound, less: Found) {
        let ask = ("/starts", "How often it was asked to start, and how often it did.");
        let facts = self.facts;
        let Some(starts) = self.known(&facts.starts, ask) else { return };
        let trials = starts.value;
        self.note(Trace::StartsWeighed { started: trials.succeeded(), demands: trials.trials(), bound });
        let lower = lower(trials, bound);
        let broken = lower < f64::from(least.percent()) / 100.0;
        let finding = Finding::on(starts)
            .against(Measure::Share { value: told(lower) }, Measure::Share { value: share(least) });
        self.met_unless(broken, less, ReasonCode::StartRateLow, finding);
    }

    pub(super) fn load(&mut self, more: Found) {
        let ask = ("/load", "What the set has to carry, and what it can carry where it stands.");
        let facts = self.facts;
        let Some(load) = self.known(&facts.load, ask) else { return };
        let (carries, capacity) = (load.value.load, load.value.capacity);
        let finding = Finding::on(load)
            .against(Measure::Kilowatts { value: carries }, Measure::Kilowatts { value: capacity });
        self.met_unless(carries > capacity, more, ReasonCode::Overloaded, finding);
    }

    pub(super) fn reading(&mut self, most_days: u16) {
        let ask = ("/newest_reading", "What the hour meter shows.");
        let facts = self.facts;
        let Some(reading) = self.known(&facts.newest_reading, ask) else { return };
        let last = reading.value.plus_seconds(i64::from(most_days) * SECONDS_PER_DAY);
        // As with due items: at the very end of its days a reading is still good.
        self.may_change(Instant::from_micros(last.micros() + 1));
        let days = self.clock.at.seconds_since(reading.value) / SECONDS_PER_DAY;
        let measure = |value: i64| Measure::Days { value };
        let finding = Finding::on(reading).against(measure(days), measure(i64::from(most_days)));
        if self.clock.at > last {
            let enter = Asked::at(ask.0, ask.1);
            self.tell(Severity::Unknown, ReasonCode::ReadingOld, finding, Some(enter));
        } else {
            self.met(finding.value, finding.threshold);
        }
    }

    pub(super) fn placement(&mut self, least_centimetres: u16, nearer: Found) {
        let ask = ("/from_openings_metres", "How far the set stands from doors, windows and vents.");
        let facts = self.facts;
        let Some(stands) = self.known(&facts.from_openings, ask) else { return };
        let least = Metres::from_hundredths(i64::from(least_centimetres));
        let finding = Finding::on(stands)
            .against(Measure::Metres { value: stands.value }, Measure::Metres { value: least });
        self.met_unless(stands.value < least, nearer, ReasonCode::PlacedTooNear, finding);
    }
}

fn lower(trials: Trials, bound: Bound) -> f64 {
    match bound {
        Bound::ClopperPearson95 => trials.exact_lower(TWO_SIDED_95),
        Bound::Wilson95 => trials.wilson_95().0,
    }
}

fn share(percent: Percent) -> Fraction {
    Fraction::of(i64::from(percent.percent()), 100)
}

/// A bound as it is told, to four places; it is compared as it is.
#[allow(clippy::cast_possible_truncation, reason = "a share of 0 to 1 in ten-thousandths")]
fn told(share: f64) -> Fraction {
    Fraction::of((share * 10_000.0).round() as i64, 10_000)
}
