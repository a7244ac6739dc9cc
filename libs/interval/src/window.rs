//! What of a unit fell into a window of time: its runs, where it stood in each, and what was let wait.

use model::{Code, EventId, Hours, Instant, LocalDate, ScheduleId, SiteId, event::RunReason};
use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    calendar,
    runs::{Ended, Run},
    state::UnitState,
    words::Grade,
};

/// A run, or the part of one that fell into a window at one site. Corrections count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RunWithin {
    /// The event that tells of it, or of its start.
    pub event_id: EventId,
    /// Where the unit stood.
    pub site_id: SiteId,
    /// Since when.
    pub from: Instant,
    /// Until when; none where its stop was never recorded.
    pub until: Option<Instant>,
    /// Whether it still went on at the end of what is known.
    pub goes_on: bool,
    /// Whether it began before or went on after, or the unit was moved meanwhile.
    pub is_part: bool,
    /// Whether only its day is known: where all of the day is not within the window, it is not known whether the run was, and its
    /// end is none.
    pub only_day: bool,
    /// What it was for.
    pub reason: Option<RunReason>,
    /// How well its hours are known.
    pub grade: Grade,
}

impl RunWithin {
    /// Of a run, as long as nothing is known of its end.
    fn of(run: &Run, site_id: SiteId) -> Self {
        let (event_id, from, reason) = (run.event, run.start, run.reason);
        let (until, goes_on, is_part, only_day) = (None, false, false, false);
        Self { event_id, site_id, from, until, goes_on, is_part, only_day, reason, grade: Grade::D }
    }
}

/// A deferral that was decided in a window of time. Corrections count.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct DeferralDecided {
    /// The event.
    #[schema(value_type = String, format = "uuid")]
    pub event_id: EventId,
    /// The site where the unit stood.
    #[schema(value_type = String, format = "uuid")]
    pub site_id: SiteId,
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The task.
    #[schema(value_type = String, example = "oil_change")]
    pub task: Code,
    /// When it was decided.
    #[schema(value_type = String, format = DateTime)]
    pub decided_at: Instant,
    /// Up to which engine hours it may wait.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>)]
    pub until_hours: Option<Hours>,
    /// The last day on which it may.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, format = Date)]
    pub until_date: Option<LocalDate>,
}

/// A window of time, of which what has passed is looked at.
#[derive(Clone, Copy)]
struct Window {
    from: Instant,
    until: Instant,
    now: Instant,
}

impl UnitState {
    /// The runs from `from` until `until`, that instant not included, cut to it and to the stays of the unit, in order of time. A
    /// run without a stop goes on until `now`, unless something shows that it had ended before.
    pub fn runs_within(&self, from: Instant, until: Instant, now: Instant) -> Vec<RunWithin> {
        let window = Window { from, until: until.min(now), now };
        let mut found = Vec::new();
        for run in self.curve.runs.iter() {
            if run.is_loose {
                found.extend(self.on_a_day(run, window));
            } else if run.start < window.until && from < run.end {
                self.parts(run, window, &mut found);
            }
        }
        found
    }

    /// A run of which only the day is known, if that day touches the window. Whether it ran within is known where all of the day is.
    fn on_a_day(&self, run: &Run, window: Window) -> Option<RunWithin> {
        let stay = self.stays.at(run.start);
        let day = calendar::day(run.start, &stay.zone);
        let begins = stay.zone.midnight(day).min(run.start);
        let ends = stay.zone.midnight(day.plus_days(1)).max(run.end);
        let is_within = window.from <= begins && ends <= window.until;
        let touches = begins < window.until && window.from < ends;
        touches.then(|| RunWithin {
            until: is_within.then_some(run.end),
            grade: if is_within { Grade::C } else { Grade::D },
            only_day: true,
            ..RunWithin::of(run, stay.site)
        })
    }

    fn parts(&self, run: &Run, window: Window, found: &mut Vec<RunWithin>) {
        let goes_on = run.ended != Ended::Stopped && window.now < run.end;
        if run.ended != Ended::Stopped && !goes_on {
            // When it ended nobody knows, only by when it had.
            return found.push(RunWithin::of(run, self.site_at(run.start)));
        }
        let grade = if goes_on || run.give_or_take > Hours::ZERO { Grade::C } else { Grade::A };
        let (begun, end) = (run.start.max(window.from), run.end.min(window.until));
        let stays = self.stays.during(begun, end);
        let is_part = begun > run.start || end < run.end.min(window.now) || stays.len() > 1;
        for (stay, from, until) in stays.into_iter().filter(|(_, from, until)| from < until) {
            let goes_on = goes_on && until == window.now;
            let until = Some(until);
            found.push(RunWithin { from, until, goes_on, is_part, grade, ..RunWithin::of(run, stay.site) });
        }
    }

    /// The deferrals decided from `from` until `until`, that instant not included, in order of time.
    pub fn deferrals_within(&self, from: Instant, until: Instant) -> Vec<DeferralDecided> {
        let within = self.lasting.deferrals.iter().filter(|one| (from..until).contains(&one.decided));
        let mut found: Vec<DeferralDecided> = within
            .map(|one| DeferralDecided {
                event_id: one.event,
                site_id: self.site_at(one.decided),
                schedule_id: one.schedule,
                task: one.task.clone(),
                decided_at: one.decided,
                until_hours: one.until_hours,
                until_date: one.until_date,
            })
            .collect();
        found.sort_by_key(|deferral| (deferral.decided_at, deferral.event_id));
        found
    }
}
