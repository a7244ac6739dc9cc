//! What is due on a set, as far as readiness asks.

use std::collections::BTreeSet;

use interval::DueState;
use model::Code;

use super::{
    facts::DueFact,
    judge::{Finding, Judging},
    policy::Found,
    reason::{Measure, ReasonCode, Severity},
};
use crate::asked::Asked;

const ADOPT: &str = "Adopt a schedule with this job, or say that the set does not have it.";
const WHEN_DONE: &str = "When the job was done last, or what the hour meter shows.";

impl Judging<'_> {
    /// Looks at the jobs named, or at all that no other rule names.
    pub(super) fn due_items(&mut self, jobs: &BTreeSet<Code>, overdue: Found, due: Found) {
        let ask = ("/due", "Adopt a schedule, so that it is known what is due.");
        let facts = self.facts;
        let Some(items) = self.known(&facts.due, ask) else { return };
        // One of the jobs is enough: schedules name the same work differently.
        let is_asked_for = items.value.iter().any(|item| jobs.contains(&item.job));
        if let Some(job) = jobs.last().filter(|_| !is_asked_for) {
            let finding = Finding { job: Some(job), ..Finding::on(items) };
            self.not_known(Asked::at(format!("/due/{job}"), ADOPT), finding);
        }
        let policy = self.policy;
        let mine = |item: &&DueFact| {
            if jobs.is_empty() { !policy.names(&item.job) } else { jobs.contains(&item.job) }
        };
        let mut items: Vec<&DueFact> = items.value.iter().filter(mine).collect();
        // Two schedules may ask for one job: the order of facts must not show.
        items.sort_unstable();
        let mut told = false;
        for item in items {
            told |= self.due_item(item, overdue, due);
        }
        if !told {
            self.met(None, None);
        }
    }

    /// Whether there was something to tell.
    fn due_item(&mut self, item: &DueFact, overdue: Found, due: Found) -> bool {
        let state = if self.holds(item.changes_at) { item.state } else { DueState::Unknown };
        let (value, threshold) = past(item);
        let finding =
            Finding { job: Some(&item.job), evidence: &item.evidence, value, threshold, since: None };
        let (severity, code) = match state {
            DueState::Ok | DueState::NotApplicable | DueState::Suspended => return false,
            DueState::Unknown => {
                let finding = Finding { value: None, threshold: None, ..finding };
                self.not_known(Asked::at(format!("/due/{}", item.job), WHEN_DONE), finding);
                return true;
            }
            DueState::Overdue => (overdue.into(), ReasonCode::JobOverdue),
            DueState::Due => (due.into(), ReasonCode::JobDue),
            DueState::ComingDue => (Severity::Info, ReasonCode::JobComingDue),
            DueState::Deferred => (Severity::Info, ReasonCode::JobDeferred),
        };
        self.tell(severity, code, finding, None);
        true
    }
}

/// How far a job is past its limit and how far it may be: on the axis where it is beyond that, else in hours, else in days.
fn past(item: &DueFact) -> (Option<Measure>, Option<Measure>) {
    let hours = item.past_hours.map(|value| Measure::Hours { value });
    let hours = (hours, item.tolerance_hours.map(|value| Measure::Hours { value }));
    let days = item.past_days.map(|value| Measure::Days { value });
    let days = (days, item.tolerance_days.map(|value| Measure::Days { value }));
    let beyond = item.past_days.is_some_and(|past| past > item.tolerance_days.unwrap_or(0));
    let by_hours = item.past_hours.is_some_and(|past| past > item.tolerance_hours.unwrap_or_default());
    match hours.0 {
        Some(_) if by_hours || !beyond => hours,
        _ => days,
    }
}
