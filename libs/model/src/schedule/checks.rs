//! What the members of a task say against each other.

use super::{Anchor, Calendar, Limits, Task};
use crate::read::{Flaw, Object};

impl Task {
    /// Refuses limits that no date or reading could ever meet, and members that have no meaning here.
    pub(super) fn check(&self, o: &mut Object<'_>) -> Option<()> {
        self.check_calendars(o)?;
        self.check_features(o)?;
        self.check_anchor(o)?;
        self.check_earliest(o)?;
        self.check_severe(o)
    }

    fn check_calendars(&self, o: &mut Object<'_>) -> Option<()> {
        for (name, limits) in [("limits", Some(&self.limits)), ("first", self.first.as_ref())] {
            let Some(limits) = limits else { continue };
            if matches!(limits.calendar, Some(Calendar::By(_))) && !self.once {
                let detail = "A day by which it is to be done belongs to a task that is done once.";
                return o.fail(&format!("{name}/by"), Flaw::new("misplaced", detail));
            }
        }
        match &self.first {
            Some(Limits { on_failed: Some(_), .. }) => {
                o.fail("first/on_failed", Flaw::new("misplaced", "A failed check belongs to limits."))
            }
            _ => Some(()),
        }
    }

    fn check_features(&self, o: &mut Object<'_>) -> Option<()> {
        let Some(both) = self.not_with.iter().find(|feature| self.needs.contains(feature)) else {
            return Some(());
        };
        let detail = format!("The task needs {both} and is not for units with it: it would never apply.");
        o.fail("not_with", contradiction(&detail))
    }

    fn check_anchor(&self, o: &mut Object<'_>) -> Option<()> {
        match (self.anchor, self.within_percent) {
            (Anchor::PlannedWithin, None) if !o.has("within_percent") => o.fail(
                "within_percent",
                Flaw::new("required", "Say how near to the planned point still counts as done there."),
            ),
            (Anchor::PlannedWithin, _) | (_, None) => Some(()),
            (_, Some(_)) => {
                o.fail("within_percent", Flaw::new("misplaced", "This belongs to the anchor planned_within."))
            }
        }?;
        let fixed = matches!(self.limits.calendar, Some(Calendar::FixedDates(_)));
        if self.anchor == Anchor::Grid && fixed {
            return o.fail("anchor", contradiction("Fixed dates are no grid that runs from a first day."));
        }
        Some(())
    }

    fn check_earliest(&self, o: &mut Object<'_>) -> Option<()> {
        let Some(earliest) = &self.earliest else { return Some(()) };
        if earliest.is_none() {
            return o.fail("earliest", Flaw::new("no_limit", "Say hours or days."));
        }
        let too_late = "It may be done only after it is due.";
        if let Some(hours) = earliest.hours
            && self.limits.hours.is_none_or(|limit| hours > limit)
        {
            return o.fail("earliest/hours", contradiction(too_late));
        }
        let span = self.limits.calendar.as_ref().and_then(Calendar::span);
        if let Some(days) = earliest.days
            && span.is_none_or(|limit| i64::from(days) > limit.days_most())
        {
            return o.fail("earliest/days", contradiction(too_late));
        }
        Some(())
    }

    fn check_severe(&self, o: &mut Object<'_>) -> Option<()> {
        let Some(severe) = &self.severe else { return Some(()) };
        let fixed = matches!(self.limits.calendar, Some(Calendar::FixedDates(_)));
        if self.once || fixed || self.anchor == Anchor::Grid {
            let detail =
                "Severe conditions shorten an interval; neither a grid, a fixed date nor one time has any.";
            return o.fail("severe", contradiction(detail));
        }
        let longer =
            "A limit for severe conditions is shorter than the one for all others, on an axis that has one.";
        if let Some(hours) = severe.limits.hours
            && self.limits.hours.is_none_or(|limit| hours >= limit)
        {
            return o.fail("severe/hours", contradiction(longer));
        }
        let span = self.limits.calendar.as_ref().and_then(Calendar::span);
        if let Some(shorter) = severe.limits.calendar
            && span.is_none_or(|limit| shorter.days_most() >= limit.days_most())
        {
            return o.fail("severe", contradiction(longer));
        }
        Some(())
    }
}

fn contradiction(detail: &str) -> Flaw {
    Flaw::new("contradictory_limits", detail)
}
