//! What is known of a unit for its readiness.

use std::collections::BTreeSet;

use interval::{DueItem, Fraction};
use model::{
    EventId, Hours, Instant, Kilowatts, LocalDate, Metres,
    event::{Details, FindingAction, FindingSeverity, JobResult, StorageAction},
    unit::Fuel,
};

use super::{FuelRecord, Record, RunEnd, RunTold, runs::tests};
use crate::{
    amount::Volume,
    battery::BatteryPolicy,
    burn::Burn,
    exercise::{self, Load, RunVerdict, TestKind, TestPolicy, judge},
    fuel::{AgePolicy, FuelAge, FuelVerdict, fuel_age_of},
    load::Share,
    readiness::{
        BatteryFact, DueFact, EnduranceFact, Fact, Facts, Known, LoadFact, Recommission, StartOutcome,
        binomial::Trials,
    },
};

/// The job by which an alarm for carbon monoxide is tried.
const CO_ALARM_CHECK: &str = "co_alarm_check";

impl Record<'_> {
    /// All that rules of readiness ask about the unit.
    #[must_use]
    pub fn facts(&self) -> Facts {
        let runs = self.runs();
        let demands = self.demands_of(&runs);
        let fuel = self.fuel_by(&runs);
        let items = self.state.items_at(self.at);
        Facts {
            critical_findings: self.critical_findings(),
            tags: self.tags.iter().map(|tag| tag.event_id).collect(),
            due: self.due(&items),
            last_start: demands.last().map_or(Fact::NotKnown, |demand| {
                Fact::Known(Known { evidence: vec![demand.id], ..Known::lasting(demand.outcome) })
            }),
            starts: trials(&demands).map_or(Fact::NotKnown, |trials| {
                let evidence = demands.iter().map(|demand| demand.id).collect();
                Fact::Known(Known { evidence, ..Known::lasting(trials) })
            }),
            battery: self.battery_fact(),
            recommission: self.recommission(&items),
            endurance: self.endurance(&runs, fuel.as_ref()),
            stale_fuel: self.stale_fuel(fuel.as_ref()),
            last_test: self.last_test(&runs),
            load: self.load(&runs),
            newest_reading: self.newest_reading(),
            co_alarm_works: self.co_alarm(),
            from_openings: self.distance(),
            ..Facts::nothing(self.unit)
        }
    }

    fn critical_findings(&self) -> Vec<EventId> {
        let closed: BTreeSet<EventId> = self
            .picked(|details| match details {
                Details::Finding(finding) => match finding.action {
                    FindingAction::Closed { finding_id } => Some(finding_id),
                    FindingAction::Opened { .. } => None,
                },
                _ => None,
            })
            .map(|(_, id)| id)
            .collect();
        let critical = self.picked(|details| match details {
            Details::Finding(finding) => match finding.action {
                FindingAction::Opened { severity: FindingSeverity::Critical, .. } => Some(()),
                _ => None,
            },
            _ => None,
        });
        critical.map(|(event, ())| event.id).filter(|id| !closed.contains(id)).collect()
    }

    fn due(&self, items: &[DueItem]) -> Fact<Vec<DueFact>> {
        if items.is_empty() {
            return Fact::NotKnown;
        }
        let steps = self.state.steps_from(self.at);
        let changes_at = |item: &DueItem| {
            let of_it = steps
                .iter()
                .find(|steps| steps.key.schedule == item.schedule_id && steps.key.task == item.task)?;
            let now = of_it.steps.iter().find(|step| step.from <= self.at && self.at < step.until)?;
            (now.until < Instant::LAST).then_some(now.until)
        };
        let facts: Vec<DueFact> = items.iter().map(|item| self.due_fact(item, changes_at(item))).collect();
        Fact::Known(Known::lasting(facts))
    }

    fn due_fact(&self, item: &DueItem, changes_at: Option<Instant>) -> DueFact {
        let past_hours = item.hours.map(|hours| -hours.left_hours).filter(|past| *past > Hours::ZERO);
        let past_days = item.calendar.map(|days| -i64::from(days.left_days)).filter(|past| *past > 0);
        let edition = self.state.edition(item.edition_id);
        let task = edition.and_then(|edition| edition.tasks.iter().find(|task| task.task == item.task));
        DueFact {
            job: item.job.clone(),
            state: item.state,
            past_hours,
            past_days,
            tolerance_hours: task.and_then(|task| task.tolerance.hours),
            tolerance_days: task.and_then(|task| task.tolerance.days).map(i64::from),
            evidence: item
                .deferral
                .map(|deferral| deferral.event_id)
                .or(item.failed_event_id)
                .into_iter()
                .collect(),
            changes_at,
        }
    }

    fn battery_fact(&self) -> Fact<BatteryFact> {
        let Some(battery) = self.battery(&BatteryPolicy::standard()) else { return Fact::DoesNotApply };
        if battery.evidence.is_empty() {
            return Fact::NotKnown;
        }
        let value = BatteryFact { passed: battery.passed, check_due_on: battery.standing.due_on };
        Fact::Known(Known { evidence: battery.evidence, ..Known::lasting(value) })
    }

    /// Open while it is stored, and while something that storage asks for was not done.
    fn recommission(&self, items: &[DueItem]) -> Fact<Recommission> {
        let stored = self.picked(|details| match details {
            Details::Storage(storage) => Some(storage.action),
            _ => None,
        });
        let last = stored.map(|(event, action)| (event.id, action)).next_back();
        let gate = items.iter().any(|item| item.recommission_gate);
        let is_stored = last.is_some_and(|(_, action)| action == StorageAction::PutIn);
        let value = if gate || is_stored { Recommission::Open } else { Recommission::Closed };
        Fact::Known(Known { evidence: last.map(|(id, _)| id).into_iter().collect(), ..Known::lasting(value) })
    }

    fn endurance(&self, runs: &[RunTold], fuel: Option<&FuelRecord>) -> Fact<EnduranceFact> {
        if self.fields.fuel == Some(Fuel::NaturalGas) {
            return Fact::DoesNotApply;
        }
        let Some((fuel, level)) = fuel.and_then(|fuel| Some((fuel, fuel.level()?))) else {
            return Fact::NotKnown;
        };
        let Ok(burn) = Burn::of(&self.burn()) else { return Fact::NotKnown };
        // Where it is not known what it has to carry, it carries all that it can: no less lasts.
        let rate = burn.rate(self.expected_share().unwrap_or(Share::FULL)).rate;
        let Some(seconds) = level.lasts_seconds(rate) else { return Fact::NotKnown };
        let needed = self.site.needs_hours;
        let value = EnduranceFact { hours: Hours::from_seconds(seconds), needed };
        let burning = runs.iter().rfind(|run| run.end == RunEnd::GoesOn).map(|run| self.burning(run, &burn));
        let changes_at = burning.map(|burning| {
            let least = next_below(seconds, needed);
            let kept = rate.over(least);
            // A second more, so that it is below by then for certain.
            self.at.plus_seconds((level - kept).lasts_seconds(burning).unwrap_or(0).saturating_add(1))
        });
        Fact::Known(Known { value, evidence: fuel.evidence.clone(), changes_at })
    }

    /// The share of its rating that it is expected to carry: all that the site needs, as far as it can, since others may not start.
    /// Not known without the need of the site or its rating.
    #[must_use]
    pub fn expected_share(&self) -> Option<Share> {
        let (needs, rated) = self.site.needs_kw.zip(self.fields.rated_kw)?;
        Share::of(needs.min(rated), rated)
    }

    /// Where it is not known what was burned, the share is that of the tank whose fuel is the older.
    fn stale_fuel(&self, fuel: Option<&FuelRecord>) -> Fact<Fraction> {
        if matches!(self.fields.fuel, Some(Fuel::NaturalGas | Fuel::Propane)) {
            return Fact::DoesNotApply;
        }
        let is_told =
            |fuel: &&FuelRecord| fuel.told && fuel.adds_up() && fuel.ledger.tank.volume() > Volume::ZERO;
        let Some(fuel) = fuel.filter(is_told) else { return Fact::NotKnown };
        let (today, policy) = (self.today(), AgePolicy::standard());
        let ledgers = std::iter::once(&fuel.ledger).chain(&fuel.oldest);
        let ages: Vec<FuelAge> = ledgers.map(|ledger| fuel_age_of(ledger, today, &policy)).collect();
        let shares: Option<Vec<Fraction>> = ages.iter().map(past_share).collect();
        let Some(value) = shares.and_then(|shares| shares.into_iter().max()) else { return Fact::NotKnown };
        let next = ages.iter().flat_map(|age| &age.steps).map(|step| step.on).filter(|on| *on > today).min();
        let changes_at = next.map(|on| self.zone.midnight(on));
        Fact::Known(Known { value, evidence: fuel.evidence.clone(), changes_at })
    }

    /// The day of the last test that counts is that of the site where it was made.
    fn last_test(&self, runs: &[RunTold]) -> Fact<LocalDate> {
        let (set, policy) = (self.tested(), TestPolicy::twenty_to_forty_days());
        let monthly = || policy.rules.iter().filter(|rule| rule.counts_for.contains(&TestKind::Monthly));
        let counts = |test: &exercise::Run| {
            monthly().any(|rule| matches!(judge(test, &set, rule).verdict, RunVerdict::Qualifies { .. }))
        };
        let last = tests(runs, self.at).into_iter().rfind(|(_, test)| counts(test));
        last.and_then(|(stages, _)| Some((stages, stages.first()?.on))).map_or(
            Fact::NotKnown,
            |(stages, on)| {
                let evidence = stages.iter().flat_map(|run| run.evidence.iter().copied()).collect();
                Fact::Known(Known { evidence, ..Known::lasting(on) })
            },
        )
    }

    /// What it carried in its last run under load that says so, against what it can where it stands.
    fn load(&self, runs: &[RunTold]) -> Fact<LoadFact> {
        let last = runs.iter().rev().find_map(|run| Some((run, self.carried(run)?)));
        match last.zip(self.capacity()) {
            Some(((run, load), capacity)) => Fact::Known(Known {
                evidence: run.evidence.clone(),
                ..Known::lasting(LoadFact { load, capacity })
            }),
            None => Fact::NotKnown,
        }
    }

    /// A run without load says nothing of what the unit has to carry.
    fn carried(&self, run: &RunTold) -> Option<Kilowatts> {
        match run.load() {
            Load::Kilowatts(kilowatts) => Some(kilowatts),
            Load::Share(share) => {
                let rated = i128::from(self.fields.rated_kw?.hundredths());
                let hundredths = rated * i128::from(share.ten_thousandths()) / 10_000;
                i64::try_from(hundredths).ok().map(Kilowatts::from_hundredths)
            }
            Load::Off | Load::NotKnown => None,
        }
    }

    fn newest_reading(&self) -> Fact<Instant> {
        if self.fields.meter_fitted == Some(false) {
            return Fact::DoesNotApply;
        }
        let newest = self.state.readings_until(self.at).next_back();
        newest.map_or(Fact::NotKnown, |reading| {
            Fact::Known(Known { evidence: vec![reading.event_id], ..Known::lasting(reading.read_at) })
        })
    }

    fn co_alarm(&self) -> Fact<bool> {
        let checks = self.picked(|details| match details {
            Details::Service(service) => service
                .jobs
                .iter()
                .find(|done| done.job.as_str() == CO_ALARM_CHECK && done.result != JobResult::Skipped)
                .map(|done| done.result != JobResult::Failed),
            _ => None,
        });
        checks.last().map_or(Fact::NotKnown, |(event, works)| {
            Fact::Known(Known { evidence: vec![event.id], ..Known::lasting(works) })
        })
    }

    fn distance(&self) -> Fact<Metres> {
        let placed = self.picked(|details| match details {
            Details::Placement(placement) => Some(placement.from_openings_metres),
            Details::Commissioning(_) => Some(None),
            _ => None,
        });
        match placed.last() {
            Some((event, Some(metres))) => {
                Fact::Known(Known { evidence: vec![event.id], ..Known::lasting(metres) })
            }
            _ => Fact::NotKnown,
        }
    }
}

/// The share past its limit; where the age of a part is not known and it would do if all of that were past, so much.
fn past_share(age: &FuelAge) -> Option<Fraction> {
    let fresh = (age.verdict == FuelVerdict::Fresh).then_some(age.past_share_at_most);
    age.past_share.or(fresh)
}

/// The next lower number of seconds at which a rule may find another thing: a whole hour, or what the site needs.
fn next_below(seconds: i64, needed: Option<Hours>) -> i64 {
    let whole = seconds - seconds.rem_euclid(3600);
    needed.map(Hours::seconds).filter(|needed| *needed <= seconds).map_or(whole, |needed| needed.max(whole))
}

fn trials(demands: &[super::Demand]) -> Option<Trials> {
    let started = demands.iter().filter(|demand| demand.outcome != StartOutcome::Failed).count();
    Trials::new(u32::try_from(started).ok()?, u32::try_from(demands.len()).ok()?).ok()
}
