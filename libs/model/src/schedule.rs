//! Schedules: maintenance tables as data, in immutable editions made of tasks.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    quantity::{Hours, Quantity},
    read::{Flaw, Object, integer, word},
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
    /// Its tasks, each with a code of its own.
    #[schema(min_items = 1, max_items = 200)]
    pub tasks: Vec<Task>,
}

/// One job of a schedule with its limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Task {
    /// Its code, unique in the edition.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub task: Code,
    /// The job whose completion counts for it, by the organization-wide code.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub job: Code,
    /// What the technician reads.
    #[schema(value_type = String, max_length = 200)]
    pub title: Label,
    /// When it is due after the last time, whichever comes first.
    pub limits: Limits,
    /// When it is due the first time after commissioning; absent means `limits`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first: Option<Limits>,
    /// How far past the limit it is still only due, not overdue; absent means not at all.
    #[serde(skip_serializing_if = "Allowance::is_none")]
    #[schema(required = false)]
    pub tolerance: Allowance,
    /// How long before the limit it is coming due; an absent axis means a tenth of its interval.
    #[serde(skip_serializing_if = "Allowance::is_none")]
    #[schema(required = false)]
    pub lead: Allowance,
    /// From where the next limit counts; absent means `actual`.
    #[serde(skip_serializing_if = "Anchor::is_default")]
    #[schema(required = false)]
    pub anchor: Anchor,
    /// Jobs that doing this one also counts as.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, required = false, max_items = 50)]
    pub satisfies: Vec<Code>,
    /// What to bring.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false, max_items = 50)]
    pub parts: Vec<Part>,
    /// What to set, with units.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false, max_items = 50)]
    pub settings: Vec<Setting>,
    /// What can hurt somebody, each with its source.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false, max_items = 50)]
    pub cautions: Vec<Caution>,
}

/// An interval on one or both axes; at least one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Limits {
    /// Running hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0.01, maximum = 1_000_000, example = 100)]
    pub hours: Option<Hours>,
    /// Calendar time: `months` or `days`.
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    pub calendar: Option<Calendar>,
}

/// Calendar time between two dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Calendar {
    /// Whole months, to the same day or the last of a shorter month.
    Months(i32),
    /// Whole days.
    Days(i32),
}

/// A margin before or after a limit, on each axis; absent where none is stated.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct Allowance {
    /// Running hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub hours: Option<Hours>,
    /// Days.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 36_500)]
    pub days: Option<i32>,
}

/// From where the next limit counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Anchor {
    /// From where the work was really done.
    #[default]
    Actual,
    /// From a fixed grid: the next point beyond the completion plus half an interval.
    Grid,
}

const ANCHORS: &[(&str, Anchor)] = &[("actual", Anchor::Actual), ("grid", Anchor::Grid)];

/// A part or material with its quantity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Part {
    /// What it is.
    #[schema(value_type = String, max_length = 200, example = "engine oil")]
    pub part: Label,
    /// How much.
    #[schema(value_type = f64, minimum = 0, maximum = 1_000_000, example = 0.6)]
    pub quantity: Quantity,
    /// In which unit.
    #[schema(value_type = String, max_length = 200, example = "litres")]
    pub unit: Label,
}

/// Something to set or choose.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(untagged)]
pub enum Setting {
    /// A value with its unit: a gap, a torque, a quantity.
    Value {
        /// What is set.
        #[schema(value_type = String, example = "spark_plug_gap")]
        setting: Code,
        /// To how much.
        #[schema(value_type = f64, example = 0.76)]
        value: Quantity,
        /// In which unit.
        #[schema(value_type = String, example = "millimetres")]
        unit: Label,
    },
    /// A grade for a range of outdoor temperature.
    Grade {
        /// What is chosen.
        #[schema(value_type = String, example = "oil_grade")]
        setting: Code,
        /// Which grade.
        #[schema(value_type = String, example = "10W-30")]
        grade: Label,
        /// The lowest temperature it is meant for, in degrees Celsius.
        #[schema(minimum = -90, maximum = 90)]
        from_celsius: i64,
        /// The highest temperature it is meant for, in degrees Celsius.
        #[schema(minimum = -90, maximum = 90)]
        to_celsius: i64,
    },
}

/// What can hurt somebody at this work, and who says so.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Caution {
    /// Its code.
    #[schema(value_type = String, example = "carbon_monoxide")]
    pub caution: Code,
    /// The caution in words.
    #[schema(value_type = String, max_length = 4000)]
    pub text: Box<str>,
    /// Where it comes from.
    #[schema(value_type = String, max_length = 4000)]
    pub source: Box<str>,
}

impl Edition {
    /// Reads an edition; anything it does not know is refused by name, and so is a cycle in `satisfies`.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        let edition = o.required("edition", Label::read);
        let effective_from = o.required("effective_from", LocalDate::read);
        let effective_until = o.optional("effective_until", LocalDate::read);
        let source = o.required("source", prose);
        let notice = o.optional("notice", prose);
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

impl Task {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let task = o.required("task", Code::read);
        let job = o.required("job", Code::read);
        let title = o.required("title", Label::read);
        let limits = o.object("limits", Limits::read);
        if !o.has("limits") {
            return o.fail("limits", Flaw::new("required", "This member is missing."));
        }
        let first = o.object("first", Limits::read);
        let tolerance = o.object("tolerance", Allowance::read).unwrap_or_default();
        let lead = o.object("lead", Allowance::read).unwrap_or_default();
        let anchor = o.optional("anchor", word(ANCHORS)).unwrap_or_default();
        let satisfies = o.values("satisfies", 50, Code::read).unwrap_or_default();
        let parts = o.objects("parts", 50, Part::read).unwrap_or_default();
        let settings = o.objects("settings", 50, Setting::read).unwrap_or_default();
        let cautions = o.objects("cautions", 50, Caution::read).unwrap_or_default();
        Some(Self {
            task: task?,
            job: job?,
            title: title?,
            limits: limits?,
            first,
            tolerance,
            lead,
            anchor,
            satisfies,
            parts,
            settings,
            cautions,
        })
    }
}

impl Limits {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let hours = o.optional("hours", Hours::read_positive);
        let months = o.optional("months", whole(1, 1200)).map(Calendar::Months);
        let days = o.optional("days", whole(1, 36_500)).map(Calendar::Days);
        match (hours, months, days) {
            (_, Some(_), Some(_)) => {
                o.fail("days", Flaw::new("two_calendars", "A limit has months or days, not both."))
            }
            (None, None, None) if !["hours", "months", "days"].iter().any(|name| o.has(name)) => {
                o.fail("", Flaw::new("no_limit", "A limit has hours, months or days."))
            }
            (hours, months, days) => Some(Self { hours, calendar: months.or(days) }),
        }
    }
}

impl Allowance {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self { hours: o.optional("hours", Hours::read), days: o.optional("days", whole(0, 36_500)) })
    }

    /// Whether nothing is stated on either axis.
    pub fn is_none(&self) -> bool {
        *self == Self::default()
    }
}

impl Anchor {
    fn is_default(&self) -> bool {
        *self == Self::Actual
    }
}

impl Part {
    pub(crate) fn read(o: &mut Object<'_>) -> Option<Self> {
        let part = o.required("part", Label::read);
        let quantity = o.required("quantity", Quantity::read);
        let unit = o.required("unit", Label::read);
        Some(Self { part: part?, quantity: quantity?, unit: unit? })
    }
}

impl Setting {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let setting = o.required("setting", Code::read);
        if !o.has("grade") {
            let value = o.required("value", Quantity::read);
            let unit = o.required("unit", Label::read);
            return Some(Self::Value { setting: setting?, value: value?, unit: unit? });
        }
        let grade = o.required("grade", Label::read);
        let from_celsius = o.required("from_celsius", integer(-90, 90));
        let to_celsius = o.required("to_celsius", integer(-90, 90));
        if from_celsius > to_celsius {
            return o.fail("to_celsius", Flaw::new("out_of_range", "The range ends below its start."));
        }
        Some(Self::Grade {
            setting: setting?,
            grade: grade?,
            from_celsius: from_celsius?,
            to_celsius: to_celsius?,
        })
    }
}

impl Caution {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let caution = o.required("caution", Code::read);
        let text = o.required("text", prose);
        let source = o.required("source", prose);
        Some(Self { caution: caution?, text: text?, source: source? })
    }
}

fn whole(low: i64, high: i64) -> impl Fn(&serde_json::Value) -> Result<i32, Flaw> {
    move |value| {
        integer(low, high)(value)
            .and_then(|n| i32::try_from(n).map_err(|_| Flaw::new("out_of_range", "Too large.")))
    }
}

#[cfg(test)]
mod tests;
