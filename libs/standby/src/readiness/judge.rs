//! The verdict on one set.

use interval::next_at;
use model::{Code, Instant, LocalDate, UnitId, Zone, id::EventId};
use serde::Serialize;
use utoipa::ToSchema;

use super::{
    cautions,
    facts::{Fact, Facts, Known},
    policy::{Check, Found, NotKnown, ReadinessPolicy, Rule},
    reason::{Measure, Reason, ReasonCode, Severity, Trace, Verdict},
};
use crate::{asked::Asked, caution::Caution, record::Record};

/// Whether a set is ready, and why.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Readiness {
    /// The set.
    #[schema(value_type = String, format = "uuid")]
    pub unit_id: UnitId,
    /// When it was judged.
    #[schema(value_type = String, format = DateTime)]
    pub at: Instant,
    /// The verdict.
    pub verdict: Verdict,
    /// Every reason, the gravest first.
    pub reasons: Vec<Reason>,
    /// The next instant at which the verdict or its reasons may change if nothing new is recorded; days counted in a reason go
    /// on meanwhile. Absent where time alone changes nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = DateTime)]
    pub until: Option<Instant>,
    /// What it rests on.
    pub trace: Vec<Trace>,
    /// What to heed when reasons are cleared.
    pub cautions: Vec<Caution>,
}

/// Judges a set by a policy at an instant; days are counted in the zone of the site where it stands.
///
/// The order of facts and rules does not matter.
#[must_use]
pub fn judge(policy: &ReadinessPolicy, facts: &Facts, at: Instant, zone: &Zone) -> Readiness {
    let used = Trace::PolicyUsed { policy: policy.policy().clone(), edition: policy.edition().clone() };
    let mut told = Told { reasons: Vec::new(), trace: vec![used], until: None };
    let clock = Clock { at, today: zone.date(at), zone };
    for rule in policy.rules() {
        Judging { policy, facts, rule, clock, told: &mut told }.check();
    }
    let Told { mut reasons, trace, until } = told;
    reasons.sort_by(|a, b| order(a).cmp(&order(b)));
    let verdict = reasons.first().map_or(Verdict::Ready, |gravest| Verdict::by(gravest.severity));
    let cautions = cautions::of(&reasons);
    Readiness { unit_id: facts.unit, at, verdict, reasons, until, trace, cautions }
}

/// Judges a set by what is recorded of it.
#[must_use]
pub fn judge_record(policy: &ReadinessPolicy, record: &Record<'_>) -> Readiness {
    let mut readiness = judge(policy, &record.facts(), record.at, record.zone);
    // What facts do not tell of themselves: an item that begins to be asked for, a tag that is over.
    let items = next_at(&record.state.steps_from(record.at), record.at);
    let ends = record.tags.iter().filter_map(|tag| tag.until);
    let ends = ends.chain((items < Instant::LAST).then_some(items));
    readiness.until = readiness.until.into_iter().chain(ends).min();
    readiness
}

type Order<'r> = (Severity, ReasonCode, &'r str, Option<&'r Code>, &'r [EventId], Option<&'r str>);

/// By what reasons are told one after the other.
fn order(reason: &Reason) -> Order<'_> {
    let enter = reason.enter.as_ref().map(|asked| asked.pointer.as_str());
    (reason.severity, reason.code, &reason.rule, reason.job.as_ref(), &reason.evidence, enter)
}

struct Told {
    reasons: Vec<Reason>,
    trace: Vec<Trace>,
    until: Option<Instant>,
}

#[derive(Clone, Copy)]
pub(super) struct Clock<'z> {
    pub(super) at: Instant,
    pub(super) today: LocalDate,
    zone: &'z Zone,
}

/// One rule being held against the facts.
pub(super) struct Judging<'a> {
    pub(super) policy: &'a ReadinessPolicy,
    pub(super) facts: &'a Facts,
    rule: &'a Rule,
    pub(super) clock: Clock<'a>,
    told: &'a mut Told,
}

/// What a rule found, before it is told.
#[derive(Default)]
pub(super) struct Finding<'f> {
    pub(super) job: Option<&'f Code>,
    pub(super) evidence: &'f [EventId],
    pub(super) value: Option<Measure>,
    pub(super) threshold: Option<Measure>,
    pub(super) since: Option<LocalDate>,
}

impl<'a> Judging<'a> {
    fn check(&mut self) {
        let (rule, facts) = (self.rule, self.facts);
        match &rule.check {
            Check::CriticalFindings { open } => self.critical_findings(*open),
            Check::Tags { hung } => self.tags(*hung),
            Check::DueItems { jobs, overdue, due } => self.due_items(jobs, *overdue, *due),
            Check::LastStart { failed } => self.last_start(*failed),
            Check::Battery { failed, due } => self.battery(*failed, *due),
            Check::Recommission { open } => self.recommission(*open),
            Check::Endurance { needed_hours, short, empty_below_hours, empty } => {
                self.endurance(*needed_hours, *short, *empty_below_hours, *empty);
            }
            Check::StaleFuel { most_percent, more } => self.stale_fuel(*most_percent, *more),
            Check::LastTest { most_days, told_from_days, longer } => {
                self.last_test(*most_days, *told_from_days, *longer);
            }
            Check::StartRate { least_percent, bound, less } => self.start_rate(*least_percent, *bound, *less),
            Check::Load { more } => self.load(*more),
            Check::Reading { most_days } => self.reading(*most_days),
            Check::CoAlarm { none } => {
                let ask = ("/co_alarm_works", "Whether an alarm for carbon monoxide is there and works.");
                let Some(works) = self.known(&facts.co_alarm_works, ask) else { return };
                self.met_unless(!works.value, *none, ReasonCode::CoAlarmMissing, Finding::on(works));
            }
            Check::Placement { least_centimetres, nearer } => self.placement(*least_centimetres, *nearer),
        }
    }

    /// What is known of a fact; else it is told that it is not.
    pub(super) fn known<T>(
        &mut self,
        fact: &'a Fact<T>,
        ask: (&'static str, &'static str),
    ) -> Option<&'a Known<T>> {
        match fact {
            Fact::NotKnown => {
                self.not_known(Asked::at(ask.0, ask.1), Finding::default());
                None
            }
            Fact::DoesNotApply => {
                self.told.trace.push(Trace::RuleDoesNotApply { rule: self.rule.rule.clone() });
                None
            }
            Fact::Known(known) if self.holds(known.changes_at) => Some(known),
            Fact::Known(_) => {
                self.not_known(Asked::at(ask.0, ask.1), Finding::default());
                None
            }
        }
    }

    /// Whether something still holds that changes at an instant; if so the verdict may change then, too.
    pub(super) fn holds(&mut self, changes_at: Option<Instant>) -> bool {
        match changes_at {
            Some(until) if until <= self.clock.at => {
                let rule = self.rule.rule.clone();
                self.told.trace.push(Trace::FactOutdated { rule, until });
                false
            }
            Some(until) => {
                self.may_change(until);
                true
            }
            None => true,
        }
    }

    /// The verdict may change at an instant, if that is still to come.
    pub(super) fn may_change(&mut self, when: Instant) {
        if when > self.clock.at {
            self.told.until = Some(self.told.until.map_or(when, |until| until.min(when)));
        }
    }

    /// The verdict may change when a day begins at the site.
    pub(super) fn may_change_on(&mut self, day: LocalDate) {
        if day > self.clock.today {
            let zone = self.clock.zone;
            self.may_change(zone.midnight(day));
        }
    }

    /// Tells of a fact that is not known.
    pub(super) fn not_known(&mut self, enter: Asked, finding: Finding<'_>) {
        match self.rule.not_known {
            NotKnown::Unknown => {
                self.tell(Severity::Unknown, ReasonCode::NotKnown, finding, Some(enter));
            }
            NotKnown::LeaveOut => {
                self.told.trace.push(Trace::RuleLeftOut { rule: self.rule.rule.clone(), enter });
            }
        }
    }

    /// Tells of something found, or that the rule is met.
    pub(super) fn met_unless(&mut self, broken: bool, found: Found, code: ReasonCode, finding: Finding<'_>) {
        if broken {
            self.tell(found.into(), code, finding, None);
        } else {
            self.met(finding.value, finding.threshold);
        }
    }

    pub(super) fn met(&mut self, value: Option<Measure>, threshold: Option<Measure>) {
        let rule = self.rule.rule.clone();
        self.told.trace.push(Trace::RuleMet { rule, value, threshold });
    }

    pub(super) fn note(&mut self, trace: Trace) {
        self.told.trace.push(trace);
    }

    pub(super) fn tell(
        &mut self,
        severity: Severity,
        code: ReasonCode,
        finding: Finding<'_>,
        enter: Option<Asked>,
    ) {
        let mut evidence = finding.evidence.to_vec();
        evidence.sort_unstable();
        self.told.reasons.push(Reason {
            severity,
            code,
            rule: self.rule.rule.clone(),
            job: finding.job.cloned(),
            evidence,
            value: finding.value,
            threshold: finding.threshold,
            since: finding.since,
            clears: code.clears(),
            enter,
            source: self.rule.source.clone(),
        });
    }
}

impl<'f> Finding<'f> {
    /// What rests on the evidence of something known.
    pub(super) fn on<T>(known: &'f Known<T>) -> Self {
        Self { evidence: &known.evidence, ..Self::default() }
    }

    /// The same, held against a threshold.
    pub(super) fn against(self, value: Measure, threshold: Measure) -> Self {
        Self { value: Some(value), threshold: Some(threshold), ..self }
    }
}
