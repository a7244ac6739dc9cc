//! Schedules: maintenance tables as data, in immutable editions made of tasks.

mod bring;
mod checks;
mod limits;
mod month_day;
mod serials;
mod task;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use utoipa::ToSchema;

pub use self::{
    bring::{Caution, Part, Setting},
    limits::{Allowance, Calendar, CalendarMembers, Interval, Limits, OnFailed, Span},
    month_day::MonthDay,
    serials::SerialRange,
    task::{Anchor, Duplicates, Severe, SevereMode, StorageRule, Task},
};
use crate::{
    code::Code,
    read::{Flaw, Object, word},
    text::{Label, prose},
    time::LocalDate,
};

/// The most tasks in one edition.
pub const TASKS_MOST: usize = 200;

/// The fields of a schedule, the same across its editions.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct ScheduleFields {
    /// What the schedule is called.
    #[schema(value_type = String, required = true, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<Label>,
    /// Who issued it: a maker, a regulator, or who wrote down common practice.
    #[schema(value_type = String, required = true, max_length = 200)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub publisher: Option<Label>,
    /// What it rests on.
    #[schema(required = true)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub basis: Option<Basis>,
}

/// What a schedule rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// The maker's manual.
    Maker,
    /// A regulation.
    Regulation,
    /// Common practice of the trade, until the manual is at hand.
    CommonPractice,
}

const BASES: &[(&str, Basis)] =
    &[("maker", Basis::Maker), ("regulation", Basis::Regulation), ("common_practice", Basis::CommonPractice)];

impl ScheduleFields {
    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            title: o.required("title", Label::read),
            publisher: o.required("publisher", Label::read),
            basis: o.required("basis", word(BASES)),
        })
    }
}

/// One immutable edition of a schedule.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = EditionFields)]
pub struct Edition {
    /// The edition's own label, such as a revision letter or a date.
    #[schema(value_type = String, max_length = 200, example = "rev C")]
    pub edition: Label,
    /// The first day it is in force.
    #[schema(value_type = String, format = Date)]
    pub effective_from: LocalDate,
    /// The first day it is in force no more.
    #[schema(value_type = Option<String>, format = Date)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_until: Option<LocalDate>,
    /// Where its figures come from.
    #[schema(value_type = String, max_length = 4000)]
    pub source: Box<str>,
    /// What must be said wherever it is used.
    #[schema(value_type = Option<String>, max_length = 4000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub notice: Option<Box<str>>,
    /// The policy pack that names it, if one does.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pack: Option<Pack>,
    /// Its tasks, each with a code of its own.
    #[schema(min_items = 1, max_items = 200)]
    pub tasks: Vec<Task>,
}

/// A policy pack, by its own words: a named, dated set of limits and rules.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Pack {
    /// What it is called.
    #[schema(value_type = String, max_length = 200)]
    pub pack: Label,
    /// Which edition of it.
    #[schema(value_type = String, max_length = 200)]
    pub edition: Label,
}

impl Edition {
    /// Reads an edition; anything it does not know is refused by name, and so is a cycle in `satisfies`.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let edition = o.required("edition", Label::read);
        let effective_from = o.required("effective_from", LocalDate::read);
        let effective_until = o.optional("effective_until", LocalDate::read);
        let source = o.required("source", prose);
        let notice = o.optional("notice", prose);
        let pack = o.object("pack", Pack::read);
        let tasks = o.objects("tasks", TASKS_MOST, Task::read);
        if !o.has("tasks") || tasks.as_ref().is_some_and(Vec::is_empty) {
            return o.fail("tasks", Flaw::new("required", "An edition has at least one task."));
        }
        if let (Some(from), Some(until)) = (effective_from, effective_until)
            && until <= from
        {
            return o.fail("effective_until", Flaw::new("not_after_start", "The end lies after the start."));
        }
        let edition = Self {
            edition: edition?,
            effective_from: effective_from?,
            effective_until,
            source: source?,
            notice,
            pack,
            tasks: tasks?,
        };
        edition.check(o)?;
        Some(edition)
    }

    fn check(&self, o: &mut Object<'_>) -> Option<()> {
        let mut codes = BTreeSet::new();
        for (i, task) in self.tasks.iter().enumerate() {
            if !codes.insert(&task.task) {
                return o.fail(
                    &format!("tasks/{i}/task"),
                    Flaw::new("duplicate_task", "Another task has this code."),
                );
            }
        }
        match self.cycle() {
            None => Some(()),
            Some(cycle) => {
                let names: Vec<&str> = cycle.iter().map(|job| job.as_str()).collect();
                let at = self.tasks.iter().position(|t| cycle.first() == Some(&&t.job)).unwrap_or(0);
                let detail = format!("These jobs satisfy each other in a circle: {}.", names.join(" → "));
                o.fail(&format!("tasks/{at}/satisfies"), Flaw::new("satisfies_cycle", detail))
            }
        }
    }

    /// Every job that doing `job` counts as in this edition, itself first.
    pub fn counts_as<'a>(&'a self, job: &'a Code) -> Vec<&'a Code> {
        let mut found = vec![job];
        let mut next = 0;
        while let Some(current) = found.get(next).copied() {
            let satisfied = self.tasks.iter().filter(|t| &t.job == current).flat_map(|t| &t.satisfies);
            for also in satisfied {
                if !found.contains(&also) {
                    found.push(also);
                }
            }
            next += 1;
        }
        found
    }

    /// A circle in `satisfies`, its first job repeated at the end.
    fn cycle(&self) -> Option<Vec<&Code>> {
        let mut edges: BTreeMap<&Code, Vec<&Code>> = BTreeMap::new();
        for task in &self.tasks {
            edges.entry(&task.job).or_default().extend(&task.satisfies);
        }
        let mut done = BTreeSet::new();
        edges.keys().find_map(|job| circle_from(job, &edges, &mut Vec::new(), &mut done))
    }
}

/// Depth-first from `job`; `path` holds at most one entry per task of the edition, which bounds the recursion.
fn circle_from<'a>(
    job: &'a Code,
    edges: &BTreeMap<&'a Code, Vec<&'a Code>>,
    path: &mut Vec<&'a Code>,
    done: &mut BTreeSet<&'a Code>,
) -> Option<Vec<&'a Code>> {
    if let Some(start) = path.iter().position(|on_path| *on_path == job) {
        return Some(path.iter().skip(start).copied().chain([job]).collect());
    }
    if !done.insert(job) {
        return None;
    }
    path.push(job);
    let found = edges.get(job).into_iter().flatten().find_map(|next| circle_from(next, edges, path, done));
    path.pop();
    found
}

impl Pack {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let pack = o.required("pack", Label::read);
        let edition = o.required("edition", Label::read);
        Some(Self { pack: pack?, edition: edition? })
    }
}

#[cfg(test)]
mod tests;
