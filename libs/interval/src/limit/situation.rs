//! What is asked of a unit by one task at one time: its limits as decided for the unit, and whether it applies at all.

use model::{
    Code, EventId, Hours, Instant,
    event::SettingOf,
    schedule::{Calendar, Limits, Severe, Span, Task},
};

use super::{Anchor, Counted, ground::Ground};
use crate::{adoption::Rule, conditions::Decided, trace::TraceEntry};

/// A task of the edition that holds for a time.
#[derive(Clone, Copy)]
pub(super) struct Asked<'r> {
    /// All rules of the unit, in order of schedule and time.
    pub(super) rules: &'r [Rule],
    /// The place of the one that asks.
    pub(super) place: usize,
    pub(super) rule: &'r Rule,
    pub(super) task: &'r Task,
    /// By the conditions of then.
    pub(super) at: Instant,
    /// Whether the edition alone is asked, whatever limits were decided for the unit.
    pub(super) alone: bool,
}

/// The interval that holds on each axis.
#[derive(Clone, Copy)]
pub(super) struct InForce<'r> {
    pub(super) hours: Option<Hours>,
    pub(super) calendar: Option<CalendarOf<'r>>,
    /// The event that decided them for this unit.
    pub(super) setting: Option<EventId>,
    /// Whether hours, and the calendar, are as the edition has them.
    pub(super) is_of_edition: (bool, bool),
}

/// A limit on the calendar, the task's own or one decided for the unit.
#[derive(Clone, Copy)]
pub(super) enum CalendarOf<'r> {
    Task(&'r Calendar),
    Unit(Span),
}

impl CalendarOf<'_> {
    /// Whether it is a time between two points, rather than a day.
    pub(super) fn is_interval(&self) -> bool {
        !matches!(self, Self::Task(Calendar::FixedDates(_) | Calendar::By(_)))
    }
}

impl<'r> Asked<'r> {
    /// The same task by the adoption before the one that asks.
    pub(super) fn earlier(&self) -> Option<Self> {
        let before = self.rules.get(..self.place)?;
        let same = |rule: &&Rule| rule.schedule == self.rule.schedule;
        let place = before.iter().rposition(|rule| same(&rule) && rule.adoption != self.rule.adoption)?;
        let earlier = self.by(place).filter(|earlier| earlier.rule.until == self.rule.begins)?;
        // What was decided for the unit is no edition's to give grace from.
        Some(Self { at: self.rule.begins, alone: true, ..earlier })
    }

    /// The same task by the rule that held at `at`.
    pub(super) fn held_at(&self, at: Instant) -> Option<Self> {
        if self.rule.holds(at) {
            return Some(*self);
        }
        let holds = |rule: &Rule| rule.schedule == self.rule.schedule && rule.holds(at);
        let held = self.by(self.rules.iter().position(holds)?)?;
        Some(Self { at: held.rule.from, ..held })
    }

    fn by(&self, place: usize) -> Option<Self> {
        let rule = self.rules.get(place)?;
        let task = rule.edition.tasks.iter().find(|task| task.task == self.task.task)?;
        Some(Self { place, rule, task, ..*self })
    }

    /// The limits under severe conditions, where the ordinary ones are in use.
    pub(super) fn severe(&self, anchor: &Anchor) -> Option<&'r Severe> {
        let ordinary = anchor.completed() || self.task.first.is_none();
        self.task.severe.as_ref().filter(|_| ordinary)
    }

    /// The task's limits after work that was done, or before any.
    fn limits(&self, completed: bool) -> &'r Limits {
        self.task.first.as_ref().filter(|_| !completed).unwrap_or(&self.task.limits)
    }
}

impl Ground<'_> {
    /// The limits in force after an anchor.
    pub(super) fn in_force<'r>(&self, asked: &Asked<'r>, anchor: &Anchor) -> InForce<'r> {
        let limits = asked.limits(anchor.completed());
        let mut found = InForce {
            hours: limits.hours,
            calendar: limits.calendar.as_ref().map(CalendarOf::Task),
            setting: None,
            is_of_edition: (true, true),
        };
        let decided = || {
            self.last_setting(asked.at, |what| match what {
                SettingOf::LimitsOf(of) => {
                    (of.schedule_id == asked.rule.schedule && of.task == asked.task.task).then_some(of.limits)
                }
                _ => None,
            })
        };
        if !asked.alone
            && let Some((setting, limits)) = decided()
        {
            found.setting = Some(setting.event);
            found.is_of_edition = (limits.hours.is_none(), limits.calendar.is_none());
            found.hours = limits.hours.or(found.hours);
            found.calendar = limits.calendar.map(CalendarOf::Unit).or(found.calendar);
        }
        found
    }

    /// Why the task is not for the unit at `at`, if it is not.
    pub(super) fn why_not(&self, asked: &Asked<'_>, at: Instant) -> Option<TraceEntry> {
        let task = asked.task;
        let applies = self.last_setting(at, |what| match what {
            SettingOf::AppliesTo(of) => {
                (of.schedule_id == asked.rule.schedule && of.task == task.task).then_some(of.applies)
            }
            _ => None,
        });
        if let Some((setting, false)) = applies {
            return Some(TraceEntry::DecidedNotApplicable { event_id: setting.event });
        }
        if let Some(feature) = task.needs.iter().find(|feature| !self.has(feature, at)) {
            return Some(TraceEntry::FeatureMissing { feature: feature.clone() });
        }
        if let Some(feature) = task.not_with.iter().find(|feature| self.has(feature, at)) {
            return Some(TraceEntry::FeaturePresent { feature: feature.clone() });
        }
        let serial = self.input.facts.serial.as_deref();
        let within = || serial.is_some_and(|serial| task.serials.iter().any(|range| range.holds(serial)));
        (!task.serials.is_empty() && !within()).then_some(TraceEntry::SerialOutside {})
    }

    /// Where the task came to apply last by `at`, if anything but the adoption made it.
    pub(super) fn became_applicable(&self, asked: &Asked<'_>, at: Instant) -> Option<Anchor> {
        let mut changes: Vec<(Instant, EventId)> = Vec::new();
        for setting in self.conditions.settings.iter().filter(|setting| bears_on(setting, asked)) {
            changes.extend([setting.span.from, setting.span.until].map(|change| (change, setting.event)));
        }
        changes.retain(|(change, _)| *change <= at && *change > Instant::FIRST && *change < Instant::LAST);
        changes.sort_unstable();
        let came = |change: Instant| {
            let before = Instant::from_micros(change.micros() - 1);
            self.why_not(asked, change).is_none() && self.why_not(asked, before).is_some()
        };
        let (instant, event) = changes.into_iter().rev().find(|(change, _)| came(*change))?;
        Some(self.anchored(event, Counted::Applicable, instant))
    }

    /// An anchor at an instant at which nothing was done.
    pub(super) fn anchored(&self, event: EventId, counted: Counted, instant: Instant) -> Anchor {
        Anchor {
            event,
            counted,
            substitute: false,
            read: false,
            instant,
            date: self.standing.stays.at(instant).zone.date(instant),
            hours: self.curve.at(instant),
        }
    }

    fn has(&self, feature: &Code, at: Instant) -> bool {
        let decided = self.last_setting(at, |what| match what {
            SettingOf::Feature(of) => (of.feature == *feature).then_some(of.fitted),
            _ => None,
        });
        decided.map_or_else(|| self.input.facts.features.contains(feature), |(_, fitted)| fitted)
    }

    /// What holds at `at` of what some settings say: by the one that began last, as with adoptions, none once it has
    /// ended.
    fn last_setting<T>(
        &self,
        at: Instant,
        says: impl Fn(&SettingOf) -> Option<T>,
    ) -> Option<(&Decided<'_>, T)> {
        let mut begun = self.conditions.settings.iter().rev().filter(|setting| setting.span.from <= at);
        let last = begun.find_map(|setting| Some((setting, says(setting.what)?)));
        last.filter(|(setting, _)| setting.span.holds(at))
    }
}

/// Whether a setting may decide that the task applies.
fn bears_on(setting: &Decided<'_>, asked: &Asked<'_>) -> bool {
    let task = asked.task;
    match setting.what {
        SettingOf::AppliesTo(of) => of.schedule_id == asked.rule.schedule && of.task == task.task,
        SettingOf::Feature(of) => task.needs.contains(&of.feature) || task.not_with.contains(&of.feature),
        SettingOf::LimitsOf(_) => false,
    }
}
