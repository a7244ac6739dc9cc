//! What holds for a unit for a time: storage, severe duty, deferrals, and what was decided for it alone.

use model::{
    Code, EventId, Hours, Instant, LocalDate, ScheduleId,
    event::{Deferral, Effective, SettingOf, StorageAction, UnitSetting},
};

use crate::{
    adoption::within,
    placed::{Placed, What},
    places::Stays,
    standing::Standing,
};

/// A span of time; its end is not part of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Span {
    pub(crate) from: Instant,
    /// [`Instant::LAST`] for ever.
    pub(crate) until: Instant,
}

impl Span {
    pub(crate) fn holds(&self, at: Instant) -> bool {
        within(self.from, self.until, at)
    }
}

/// A time in storage.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stored {
    pub(crate) span: Span,
    pub(crate) from_date: LocalDate,
    /// The day it was taken out, if it was.
    pub(crate) until_date: Option<LocalDate>,
}

/// That a task may wait.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Deferred {
    pub(crate) event: EventId,
    pub(crate) schedule: ScheduleId,
    pub(crate) task: Code,
    /// When it was decided; work done since makes it void.
    pub(crate) decided: Instant,
    pub(crate) from: Instant,
    pub(crate) until_hours: Option<Hours>,
    pub(crate) until_date: Option<LocalDate>,
}

/// What was decided for the unit alone, and for how long.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Decided<'a> {
    pub(crate) event: EventId,
    pub(crate) decided: Instant,
    pub(crate) span: Span,
    pub(crate) what: &'a SettingOf,
}

/// All that holds for a time.
#[derive(Debug, Default)]
pub(crate) struct Conditions<'a> {
    /// In order of time, none within another.
    pub(crate) storage: Vec<Stored>,
    /// In order of time.
    pub(crate) severe: Vec<Span>,
    /// In the order in which they were decided.
    pub(crate) deferrals: Vec<Deferred>,
    /// In the order in which they hold, the later decision behind.
    pub(crate) settings: Vec<Decided<'a>>,
}

impl<'a> Conditions<'a> {
    /// What is known of by `until`.
    pub(crate) fn of(standing: &Standing<'a>, until: Instant) -> Self {
        let mut found = Self::default();
        for placed in &standing.events {
            match &placed.what {
                What::Storage(action) => found.store(*action, placed, standing),
                What::Duty(duty) => found.severe.extend(span(duty.effective, placed, &standing.stays)),
                What::Deferral(deferral) => found.deferrals.push(deferred(deferral, placed, &standing.stays)),
                What::Setting(setting) => found.settings.extend(decided(setting, placed, &standing.stays)),
                _ => {}
            }
        }
        found.severe.retain(|span| span.from <= until);
        found.severe.sort_unstable();
        found.settings.sort_unstable_by_key(|setting| (setting.span.from, setting.decided, setting.event));
        found
    }

    /// The severe times of those that have begun by `begun`, in order, none touching another.
    pub(crate) fn severe_by(&self, begun: Instant) -> Vec<Span> {
        let mut united: Vec<Span> = Vec::new();
        for span in self.severe.iter().take_while(|span| span.from <= begun) {
            match united.last_mut().filter(|last| span.from <= last.until) {
                Some(last) => last.until = last.until.max(span.until),
                None => united.push(*span),
            }
        }
        united
    }

    fn store(&mut self, action: StorageAction, placed: &Placed<'_>, standing: &Standing<'_>) {
        let date = standing.date(placed);
        let open = self.storage.last_mut().filter(|stored| stored.until_date.is_none());
        match (action, open) {
            (StorageAction::PutIn, None) => self.storage.push(Stored {
                span: Span { from: placed.instant, until: Instant::LAST },
                from_date: date,
                until_date: None,
            }),
            (StorageAction::TakenOut, Some(stored)) => {
                stored.span.until = placed.instant;
                stored.until_date = Some(date);
                if stored.span.from == stored.span.until {
                    self.storage.pop();
                }
            }
            (StorageAction::PutIn, Some(_)) | (StorageAction::TakenOut, None) => {}
        }
    }
}

/// The days as instants, where the unit stood when it was decided.
fn span(effective: Effective, placed: &Placed<'_>, stays: &Stays) -> Option<Span> {
    let midnight = |date| stays.at(placed.instant).zone.midnight(date);
    let span = Span {
        from: effective.from.map_or(placed.instant, midnight),
        until: effective.until.map_or(Instant::LAST, midnight),
    };
    (span.from < span.until).then_some(span)
}

fn deferred(deferral: &Deferral, placed: &Placed<'_>, stays: &Stays) -> Deferred {
    let from = deferral.effective_from.map(|date| stays.at(placed.instant).zone.midnight(date));
    Deferred {
        event: placed.id,
        schedule: deferral.schedule_id,
        task: deferral.task.clone(),
        decided: placed.instant,
        from: from.map_or(placed.instant, |from| from.max(placed.instant)),
        until_hours: deferral.until_hours,
        until_date: deferral.until_date,
    }
}

fn decided<'a>(setting: &'a UnitSetting, placed: &Placed<'_>, stays: &Stays) -> Option<Decided<'a>> {
    let span = span(setting.effective, placed, stays)?;
    Some(Decided { event: placed.id, decided: placed.instant, span, what: &setting.what })
}
