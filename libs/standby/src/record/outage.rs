//! The unit as it goes into an outage.

use interval::{DueItem, DueState};
use model::{
    Hours, Instant, Label,
    event::{JobDone, JobResult},
    quantity::Litres,
    schedule,
};

use super::Record;
use crate::{
    amount::Volume,
    load::{Load, Profile},
    outage::{EngineHours, HourLimit, NotTold, Oil, OilUse, OnSite, Set, Supply, Task},
};

/// The jobs by which oil is changed,
const OIL_CHANGES: [&str; 2] = ["oil_change", "oil_and_filter_change"];
/// and by which it is looked at.
const OIL_CHECKS: [&str; 2] = ["oil_check", "oil_level_check"];

/// So long a run that goes on may go on before the tank counts as not known.
const SOON: Hours = Hours::from_seconds(60);

/// What is not in the record, or counts before it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutageAsked {
    /// What it has to carry; absent means what its site needs.
    pub load: Option<Profile>,
    /// What is in the tank; absent means what the record says.
    pub fuel: Option<Litres>,
    /// Fuel beside the tank.
    pub on_site: OnSite,
    /// Running hours from one oil check to the next; absent means those of the record.
    pub check_every: Option<Hours>,
    /// Whether the site has a tank that feeds it.
    pub site_tank: bool,
    /// When the outage begins.
    pub from: Instant,
}

impl Record<'_> {
    /// The set as a run-through asks it.
    #[must_use]
    pub fn outage_set(&self, asked: &OutageAsked) -> Set {
        let none = Litres::from_hundredths(0);
        let open = self.open_run();
        let goes_on = self.runs_until(asked.from);
        let supply = if asked.site_tank {
            Supply::SiteTank
        } else {
            Supply::OwnTank {
                capacity: self.fields.tank_litres,
                start: asked.fuel.or_else(|| self.level_from(asked.from).map(|level| level.litres())),
                reserve: self.fields.reserve_litres.unwrap_or(none),
            }
        };
        Set {
            burn: self.burn(),
            load: asked.load.clone().or_else(|| self.needed_load()),
            supply,
            on_site: asked.on_site,
            engine_hours: self.engine_hours().map(|hours| hours.after(goes_on)),
            running: open.is_some(),
            since_check: open.as_ref().map_or(Hours::ZERO, |run| self.since_check(run.from) + goes_on),
            check_every: asked.check_every.or(self.fields.oil_check_hours),
            tasks: self.tasks(),
            not_told: self.not_told(),
            oil: Oil {
                use_: self.fields.oil_litres_per_hour.map(|rate| OilUse::PerHour(rate.into())),
                capacity: self.fields.oil_litres,
            },
            plain_stop: None,
        }
    }

    /// For how long a run that goes on will have gone on until a later instant.
    fn runs_until(&self, later: Instant) -> Hours {
        let ahead = Hours::from_seconds(later.seconds_since(self.at).max(0));
        self.open_run().map_or(Hours::ZERO, |_| ahead)
    }

    /// What is in the tank at an instant to come: as much as now, unless it runs until then.
    #[must_use]
    pub fn level_from(&self, later: Instant) -> Option<Volume> {
        let runs = self.runs_until(later);
        // Nobody knows what will be filled in meanwhile.
        if runs > SOON { None } else { self.fuel()?.level() }
    }

    /// What it is expected to carry by itself: see [`Record::expected_share`].
    #[must_use]
    pub fn expected_load(&self) -> Option<Load> {
        self.expected_share().map(Load::Share)
    }

    fn needed_load(&self) -> Option<Profile> {
        self.site.needs_kw.map(|needs| Profile::Constant(Load::Kilowatts(needs)))
    }

    /// Engine hours as far as they are known.
    #[must_use]
    pub fn engine_hours(&self) -> Option<EngineHours> {
        self.engine_hours_at(self.at)
    }

    /// The same at another instant.
    #[must_use]
    pub fn engine_hours_at(&self, at: Instant) -> Option<EngineHours> {
        let hours = self.state.hours_at(at);
        let range = hours.range?;
        Some(EngineHours { nominal: range.nominal, upper: range.upper, grade: hours.grade })
    }

    /// Hours of the run that goes on since its oil was last checked.
    fn since_check(&self, run_from: Instant) -> Hours {
        let checks = self.picked(|details| match details {
            model::event::Details::Service(service) => service.jobs.iter().any(looks_at_oil).then_some(()),
            _ => None,
        });
        let last = checks.map(|(event, ())| event.at).rfind(|at| *at >= run_from);
        Hours::from_seconds(self.at.seconds_since(last.unwrap_or(run_from)).max(0))
    }

    /// The tasks that have a limit and are not at rest.
    #[must_use]
    pub fn tasks(&self) -> Vec<Task> {
        let items = self.state.items_at(self.at).into_iter();
        let mut tasks: Vec<Task> = items.filter_map(|item| self.task(&item)).collect();
        // Two schedules may ask for the same check: the closer one holds.
        let closest =
            tasks.iter().filter(|task| task.is_check).filter_map(|task| task.hours).map(|h| h.interval).min();
        let mut is_found = false;
        tasks.retain_mut(|task| {
            let holds = task.is_check && !is_found && task.hours.map(|hours| hours.interval) == closest;
            is_found |= holds;
            holds || !task.is_check
        });
        tasks
    }

    /// Tasks of which it is not known when they are due; all where it follows no schedule.
    fn not_told(&self) -> Vec<NotTold> {
        let items = self.state.items_at(self.at);
        if items.is_empty() {
            return vec![NotTold::Schedule];
        }
        let unknown = items.iter().filter(|item| self.lacks_a_limit(item));
        let task = |item: &DueItem| NotTold::Task {
            task: item.task.clone(),
            changes_oil: OIL_CHANGES.contains(&item.job.as_str()),
        };
        unknown.map(task).collect()
    }

    /// Whether it is not known when a task is due, or, of one with a limit in hours, at how many.
    fn lacks_a_limit(&self, item: &DueItem) -> bool {
        if matches!(item.state, DueState::NotApplicable | DueState::Suspended) {
            return false;
        }
        let by_hours = self.asked_of(item).is_some_and(|task| task.limits.hours.is_some());
        item.hours.is_none() && (by_hours || item.calendar.is_none())
    }

    fn asked_of(&self, item: &DueItem) -> Option<&schedule::Task> {
        self.state.edition(item.edition_id)?.tasks.iter().find(|task| task.task == item.task)
    }

    fn task(&self, item: &DueItem) -> Option<Task> {
        if matches!(item.state, DueState::NotApplicable | DueState::Suspended) {
            return None;
        }
        let asked = self.asked_of(item)?;
        let put_off = item.deferral.and_then(|deferral| deferral.until_hours);
        let hours = item.hours.map(|hours| HourLimit {
            due_at: put_off.map_or(hours.limit_lower_hours, |until| until.max(hours.limit_lower_hours)),
            interval: hours.interval_hours,
            tolerance: asked.tolerance.hours.unwrap_or(Hours::ZERO),
        });
        let due_date = item.calendar.map(|calendar| calendar.limit_date);
        let changes_oil = OIL_CHANGES.contains(&item.job.as_str());
        // How much oil a change takes is known of the engine, and staged with what is made up.
        let staged = |part: &&schedule::Part| {
            changes_oil && self.fields.oil_litres.is_some() && part.unit.as_str() == "litres"
        };
        (hours.is_some() || due_date.is_some()).then(|| Task {
            task: item.task.clone(),
            hours,
            due_date,
            stop: None,
            parts: asked.parts.iter().filter(|part| !staged(part)).map(part).collect(),
            changes_oil,
            is_check: OIL_CHECKS.contains(&item.job.as_str()) && hours.is_some(),
        })
    }
}

/// Whether somebody looked at the oil, or changed it.
#[must_use]
pub fn looks_at_oil(done: &JobDone) -> bool {
    let job = done.job.as_str();
    (OIL_CHANGES.contains(&job) || OIL_CHECKS.contains(&job)) && done.result != JobResult::Skipped
}

/// A part and how many; what is measured in something else than pieces is named with how much of it one time takes.
fn part(part: &schedule::Part) -> (Label, u32) {
    let whole = part.quantity.hundredths() % 100 == 0 && ["piece", "pieces"].contains(&part.unit.as_str());
    let count = u32::try_from(part.quantity.hundredths() / 100).unwrap_or(u32::MAX);
    if whole && count > 0 {
        return (part.part.clone(), count);
    }
    let name = Label::parse(&format!("{}, {} {}", part.part.as_str(), part.quantity, part.unit.as_str()));
    (name.unwrap_or_else(|_| part.part.clone()), 1)
}
