//! What lets a task wait, whatever its limits say: storage, a deferral, an emergency.

use model::{
    Instant, Zone,
    schedule::{StorageRule, Task},
};

use crate::{
    adoption::Rule,
    calendar,
    conditions::{Deferred, Stored},
    item::DeferralInForce,
    judge::{Decision, Now},
    limit::Plan,
    state::UnitState,
};

/// What of a unit's conditions is asked for at every instant.
#[derive(Clone, Debug)]
pub(crate) struct Lasting {
    pub(crate) storage: Vec<Stored>,
    pub(crate) deferrals: Vec<Deferred>,
}

/// A task that a rule asks for, with its plan.
#[derive(Clone, Copy)]
pub(crate) struct Held<'r> {
    pub(crate) rule: &'r Rule,
    pub(crate) task: &'r Task,
    pub(crate) plan: &'r Plan,
}

impl UnitState {
    /// The state of a task now, which is `by_limits` by its limits alone.
    pub(crate) fn decide(&self, held: &Held<'_>, by_limits: Decision, now: &Now, zone: &Zone) -> Decision {
        if by_limits == Decision::NotApplicable {
            return by_limits;
        }
        let is_stored = || self.lasting.storage.iter().any(|stored| stored.span.holds(now.at));
        if held.task.storage != StorageRule::GoesOn && is_stored() {
            return Decision::InStorage;
        }
        if by_limits.is_reached() {
            if self.deferral(held, now, zone).is_some() {
                return Decision::Deferral;
            }
            if self.waits(held, now.at) {
                return Decision::Emergency;
            }
        }
        by_limits
    }

    /// The deferral of the task that holds now; the last that was decided.
    pub(crate) fn deferral<'s>(&'s self, held: &Held<'s>, now: &Now, zone: &Zone) -> Option<&'s Deferred> {
        let mut of_task = self.deferrals_of(held).rev();
        of_task.find(|deferral| deferral.from <= now.at && deferral.is_open(now, zone))
    }

    /// The deferrals of the task that no work has made void.
    fn deferrals_of<'s>(&'s self, held: &Held<'s>) -> impl DoubleEndedIterator<Item = &'s Deferred> {
        let Held { rule, task, plan } = *held;
        let since = plan.anchor.map_or(Instant::FIRST, |anchor| anchor.instant);
        self.lasting.deferrals.iter().filter(move |deferral| {
            deferral.schedule == rule.schedule && deferral.task == task.task && deferral.decided > since
        })
    }

    /// Whether the task came to be due during an emergency that still keeps the engine running.
    fn waits(&self, held: &Held<'_>, at: Instant) -> bool {
        let emergencies = self.emergencies(held);
        let mut running = emergencies.iter().filter(|(from, until)| *from <= at && at < *until);
        running.any(|(from, _)| !self.is_due_by_limits(held.plan, *from))
    }

    /// Whether the task came to be due during an emergency that is over.
    pub(crate) fn waited(&self, held: &Held<'_>, at: Instant) -> bool {
        let emergencies = self.emergencies(held);
        let mut over = emergencies.iter().filter(|(_, until)| *until <= at);
        over.any(|(from, until)| {
            !self.is_due_by_limits(held.plan, *from) && self.is_due_by_limits(held.plan, *until)
        })
    }

    /// The emergencies in which the task may wait.
    fn emergencies(&self, held: &Held<'_>) -> &[(Instant, Instant)] {
        if held.task.may_wait_in_emergency { self.curve.runs.emergencies() } else { &[] }
    }

    /// Whether the unit came out of storage with the task due, and nobody did it since.
    pub(crate) fn is_gate(&self, held: &Held<'_>, at: Instant) -> bool {
        if held.task.storage != StorageRule::Runs {
            return false;
        }
        let out = self.lasting.storage.iter().map(|stored| stored.span.until).rfind(|out| *out <= at);
        out.is_some_and(|out| {
            let done_since = held.plan.anchor.is_some_and(|anchor| anchor.instant >= out);
            out < Instant::LAST && !done_since && self.is_due_by_limits(held.plan, out)
        })
    }

    fn is_due_by_limits(&self, plan: &Plan, at: Instant) -> bool {
        self.here(at).judge(self, plan).is_due()
    }

    /// The instants at which any of this begins or ends to hold for a task, where its days are counted in `zone`.
    pub(crate) fn lasting_breaks(&self, held: &Held<'_>, zone: &Zone, breaks: &mut Vec<Instant>) {
        if held.task.storage != StorageRule::GoesOn {
            breaks
                .extend(self.lasting.storage.iter().flat_map(|stored| [stored.span.from, stored.span.until]));
        }
        for deferral in self.deferrals_of(held) {
            breaks.push(deferral.from);
            breaks.extend(deferral.until_date.map(|last| zone.midnight(last.plus_days(1))));
            let beyond = |until: model::Hours| until + model::Hours::from_seconds(1);
            breaks.extend(deferral.until_hours.map(|until| self.curve.upper_reaches(beyond(until))));
        }
        breaks.extend(self.emergencies(held).iter().flat_map(|(from, until)| [*from, *until]));
    }
}

impl Deferred {
    /// Whether neither of its ends is passed.
    fn is_open(&self, now: &Now, zone: &Zone) -> bool {
        let upper = now.hours.range.map(|range| range.upper);
        // What cannot be told to have stayed below a limit in hours is not let wait.
        let hours_open = self.until_hours.is_none_or(|until| upper.is_some_and(|upper| upper <= until));
        hours_open && self.until_date.is_none_or(|until| calendar::day(now.at, zone) <= until)
    }

    pub(crate) fn item(&self, now: &Now) -> DeferralInForce {
        DeferralInForce {
            event_id: self.event,
            until_hours: self.until_hours,
            until_date: self.until_date,
            left_hours: self.until_hours.zip(now.hours.range).map(|(until, now)| until - now.upper),
        }
    }
}
