//! When an item will probably be due: months of use that were, replayed from here on.
//!
//! From each of the last months in turn use goes on as it did from there, over and over, until what is left is used
//! up. No chance is in it: the same record gives the same answer.

mod months;

use model::{Hours, Instant, LocalDate, Zone};
use serde::Serialize;
use utoipa::ToSchema;

pub use self::months::Months;
use self::months::{replays, share};
use crate::{
    calendar,
    item::{DueItem, Fraction, ItemKey},
    state::UnitState,
};

/// How many whole months of use are replayed.
const MONTHS: i32 = 12;
/// With fewer nothing is said.
const MONTHS_LEAST: usize = 3;

/// When an item will probably be due.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Projection {
    /// What it goes by.
    pub by: ProjectedBy,
    /// Running hours left, the likeliest value.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 27.6)]
    pub left_hours: Option<Hours>,
    /// One in ten is due by then.
    pub p10: Projected,
    /// One in two.
    pub p50: Projected,
    /// Nine in ten.
    pub p90: Projected,
    /// The months of use that were replayed, the earliest first.
    #[schema(value_type = Vec<f64>)]
    pub monthly_hours: Vec<Hours>,
    /// Months to the limit by date, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 6.0)]
    pub calendar_months: Option<Months>,
    /// In which share of the replays hours are used up before the limit by date.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, example = 0.5)]
    pub hours_first_fraction: Option<Fraction>,
}

/// What a projection goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ProjectedBy {
    /// The last whole months of use.
    PastMonths,
    /// The run that goes on.
    OpenRun,
    /// The limit by date alone: there is none in hours, or too little use is known.
    Calendar,
}

/// A time from now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Projected {
    /// In months from now.
    #[schema(value_type = f64, example = 5.18)]
    pub months: Months,
    /// The day.
    #[schema(value_type = String, format = Date)]
    pub date: LocalDate,
}

impl UnitState {
    /// When the item will probably be due, as told at `at`; nothing without such an item, or where neither use nor
    /// the calendar tells.
    pub fn projection(&self, key: &ItemKey, at: Instant) -> Option<Projection> {
        let is_it = |item: &DueItem| item.schedule_id == key.schedule && item.task == key.task;
        let item = self.items_at(at).into_iter().find(is_it)?;
        let here = self.here(at);
        let left_hours = item.hours.as_ref().map(|axis| axis.limit_hours - axis.now_hours);
        let limit = item.calendar.as_ref().map(|axis| Months::between(here.today, axis.limit_date));
        let open = self.curve.runs.open_at(at).and(item.hours.as_ref()).and(item.due_at);
        if let Some(due) = open {
            let date = calendar::day(due, here.zone).max(here.today);
            let when = Projected { months: Months::between(here.today, date), date };
            return Some(Projection {
                by: ProjectedBy::OpenRun,
                left_hours,
                p10: when,
                p50: when,
                p90: when,
                monthly_hours: Vec::new(),
                calendar_months: limit,
                hours_first_fraction: None,
            });
        }
        let monthly_hours = self.monthly_hours(here.today, here.zone);
        let replays = left_hours.map_or_else(Vec::new, |left| replays(&monthly_hours, left));
        let rank = |percent: usize| {
            let months = nearest_rank(&replays, percent);
            let months = months.into_iter().chain(limit).min()?;
            Some(Projected { months, date: months.after(here.today) })
        };
        Some(Projection {
            by: if replays.is_empty() { ProjectedBy::Calendar } else { ProjectedBy::PastMonths },
            left_hours,
            p10: rank(10)?,
            p50: rank(50)?,
            p90: rank(90)?,
            calendar_months: limit,
            hours_first_fraction: limit.filter(|_| !replays.is_empty()).map(|limit| share(&replays, limit)),
            monthly_hours: if replays.is_empty() { Vec::new() } else { monthly_hours },
        })
    }

    /// Use in the last whole months before `today`, as far as it is known; none if that is too little.
    fn monthly_hours(&self, today: LocalDate, zone: &Zone) -> Vec<Hours> {
        let Some(first) = self.curve.points.first().map(|point| point.instant) else { return Vec::new() };
        let this_month = calendar::first_of_month(today);
        let begins = (0..=MONTHS).rev().map(|back| zone.midnight(this_month.plus_months(-back)));
        let known = begins.filter(|begin| *begin >= first);
        let hours: Vec<Hours> =
            known.filter_map(|begin| self.curve.at(begin).range.map(|range| range.nominal)).collect();
        let months: Vec<Hours> = hours.iter().zip(hours.iter().skip(1)).map(|(a, b)| *b - *a).collect();
        if months.len() < MONTHS_LEAST { Vec::new() } else { months }
    }
}

/// The smallest of sorted values that at least `percent` do not exceed.
fn nearest_rank(sorted: &[Months], percent: usize) -> Option<Months> {
    let rank = (sorted.len() * percent).div_ceil(100);
    sorted.get(rank.checked_sub(1)?).copied()
}

#[cfg(test)]
mod tests;
