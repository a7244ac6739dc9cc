use serde::Serialize;
use utoipa::ToSchema;

use super::{Allowance, Caution, Interval, Limits, Part, SerialRange, Setting};
use crate::{
    code::Code,
    entry,
    entry::HoursEntry,
    event::Component,
    quantity::{Factor, Hours, more_than_nought},
    read::{Flaw, Object, boolean, small, word},
    text::Label,
};

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
    /// Whether it is done one time only; absent means not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub once: bool,
    /// How long after the last time it may be done at the earliest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub earliest: Option<Allowance>,
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
    /// How far from the planned point work still counts as done there, in per cent of the interval; with
    /// `planned_within`, and only there.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 1, maximum = 50)]
    pub within_percent: Option<i32>,
    /// Shorter limits for time under severe conditions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub severe: Option<Severe>,
    /// What share of the interval holds after work with a part that nobody approved; absent means all of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0.01, maximum = 1, example = 0.5)]
    pub substitute_factor: Option<Factor>,
    /// The component whose life it follows; never the meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<TaskComponent>)]
    pub component: Option<Component>,
    /// What storage does to it; absent means `runs`.
    #[serde(skip_serializing_if = "StorageRule::is_default")]
    #[schema(required = false)]
    pub storage: StorageRule,
    /// Features that a unit must have for it to apply.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, required = false, max_items = 50)]
    pub needs: Vec<Code>,
    /// Features with any of which it does not apply.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, required = false, max_items = 50)]
    pub not_with: Vec<Code>,
    /// The serial numbers it is for; absent means all.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(required = false, max_items = 50)]
    pub serials: Vec<SerialRange>,
    /// Whether it may wait while an emergency keeps the engine running; absent means not.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    #[schema(required = false)]
    pub may_wait_in_emergency: bool,
    /// Checks that count as doing it when they are passed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, required = false, max_items = 50)]
    pub reset_by_passed: Vec<Code>,
    /// How close two services of its job are when they are the same work told twice.
    #[serde(skip_serializing_if = "Duplicates::is_default")]
    #[schema(required = false)]
    pub duplicates: Duplicates,
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

/// From where the next limit counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Anchor {
    /// From where the work was really done.
    #[default]
    Actual,
    /// From the planned point where the work was late within the tolerance, else from where it was done.
    Planned,
    /// From the planned point where the work was near enough to it, early or late, else from where it was done.
    PlannedWithin,
    /// From a fixed grid: the next point beyond the completion plus half an interval.
    Grid,
}

/// Limits for time under severe conditions; each axis shorter than that of `limits`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Severe {
    /// The limits.
    #[serde(flatten)]
    pub limits: Interval,
    /// How severe time counts; absent means `weighted`.
    #[schema(required = false)]
    pub mode: SevereMode,
}

/// How time under severe conditions counts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SevereMode {
    /// Each severe hour or day counts for as many as the two limits compare.
    #[default]
    Weighted,
    /// Any severe time since the last work makes the severe limit hold.
    Strict,
}

/// What storage does to a task.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StorageRule {
    /// The calendar runs on, and it is not asked for until the unit comes out.
    #[default]
    Runs,
    /// The calendar stands still.
    Pauses,
    /// It is asked for in storage too.
    GoesOn,
}

/// How close two services of one job are when they are the same work told twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Duplicates {
    /// By the meter; absent means 0.5 hours.
    #[serde(serialize_with = "entry::write")]
    #[schema(value_type = HoursEntry, required = false)]
    pub hours: Hours,
    /// By the clock; absent means 12 hours.
    #[serde(serialize_with = "entry::write")]
    #[schema(value_type = HoursEntry, required = false)]
    pub clock_hours: Hours,
}

/// A component that a task may follow.
#[derive(ToSchema)]
#[schema(rename_all = "snake_case")]
#[allow(dead_code, reason = "describes what is read by hand")]
enum TaskComponent {
    /// The engine.
    Engine,
    /// The alternator.
    Alternator,
    /// The starting battery.
    Battery,
    /// The starting motor.
    Starter,
}

const ANCHORS: &[(&str, Anchor)] = &[
    ("actual", Anchor::Actual),
    ("planned", Anchor::Planned),
    ("planned_within", Anchor::PlannedWithin),
    ("grid", Anchor::Grid),
];
const MODES: &[(&str, SevereMode)] = &[("weighted", SevereMode::Weighted), ("strict", SevereMode::Strict)];
const STORAGE_RULES: &[(&str, StorageRule)] =
    &[("runs", StorageRule::Runs), ("pauses", StorageRule::Pauses), ("goes_on", StorageRule::GoesOn)];
const COMPONENTS: &[(&str, Component)] = &[
    ("engine", Component::Engine),
    ("alternator", Component::Alternator),
    ("battery", Component::Battery),
    ("starter", Component::Starter),
];

impl Task {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let task = o.required("task", Code::read);
        let job = o.required("job", Code::read);
        let title = o.required("title", Label::read);
        let limits = o.object("limits", Limits::read);
        if !o.has("limits") {
            return o.fail("limits", Flaw::new("required", "This member is missing."));
        }
        let codes = |o: &mut Object<'_>, name| o.values(name, 50, Code::read).unwrap_or_default();
        // What must be there comes last, so that everything else is looked at where one of them is wrong.
        let found = Self {
            first: o.object("first", Limits::read),
            once: o.optional("once", boolean).unwrap_or(false),
            earliest: o.object("earliest", Allowance::read),
            tolerance: o.object("tolerance", Allowance::read).unwrap_or_default(),
            lead: o.object("lead", Allowance::read).unwrap_or_default(),
            anchor: o.optional("anchor", word(ANCHORS)).unwrap_or_default(),
            within_percent: o.optional("within_percent", small(1, 50)),
            severe: o.object("severe", Severe::read),
            substitute_factor: o.optional("substitute_factor", more_than_nought(Factor::read)),
            component: o.optional("component", word(COMPONENTS)),
            storage: o.optional("storage", word(STORAGE_RULES)).unwrap_or_default(),
            needs: codes(o, "needs"),
            not_with: codes(o, "not_with"),
            serials: o.objects("serials", 50, SerialRange::read).unwrap_or_default(),
            may_wait_in_emergency: o.optional("may_wait_in_emergency", boolean).unwrap_or(false),
            reset_by_passed: codes(o, "reset_by_passed"),
            duplicates: o.object("duplicates", Duplicates::read).unwrap_or_default(),
            satisfies: codes(o, "satisfies"),
            parts: o.objects("parts", 50, Part::read).unwrap_or_default(),
            settings: o.objects("settings", 50, Setting::read).unwrap_or_default(),
            cautions: o.objects("cautions", 50, Caution::read).unwrap_or_default(),
            task: task?,
            job: job?,
            title: title?,
            limits: limits?,
        };
        found.check(o)?;
        Some(found)
    }
}

impl Anchor {
    fn is_default(&self) -> bool {
        *self == Self::Actual
    }
}

impl StorageRule {
    fn is_default(&self) -> bool {
        *self == Self::Runs
    }
}

impl Severe {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let mode = o.optional("mode", word(MODES)).unwrap_or_default();
        Some(Self { limits: Interval::read(o)?, mode })
    }
}

impl Duplicates {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let usual = Self::default();
        Some(Self {
            hours: o.optional("hours", Hours::read).unwrap_or(usual.hours),
            clock_hours: o.optional("clock_hours", Hours::read).unwrap_or(usual.clock_hours),
        })
    }

    fn is_default(&self) -> bool {
        *self == Self::default()
    }
}

impl Default for Duplicates {
    fn default() -> Self {
        Self { hours: Hours::from_hundredths(50), clock_hours: Hours::from_hundredths(1200) }
    }
}
