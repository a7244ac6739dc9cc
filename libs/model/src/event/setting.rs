use serde::Serialize;
use utoipa::ToSchema;

use super::Effective;
use crate::{
    code::Code,
    id::ScheduleId,
    read::{Flaw, Object, boolean},
    schedule::Interval,
};

/// Something about how the unit is looked after was decided for it alone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct UnitSetting {
    /// From which day until which.
    #[serde(flatten)]
    pub effective: Effective,
    /// What was decided; exactly one.
    #[serde(flatten)]
    #[schema(value_type = SettingMembers)]
    pub what: SettingOf,
}

/// What was decided for a unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SettingOf {
    /// Other limits of a task.
    LimitsOf(LimitsOf),
    /// A feature was fitted or taken off.
    Feature(Fitted),
    /// Whether a task applies at all.
    AppliesTo(AppliesTo),
}

/// The members of [`SettingOf`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct SettingMembers {
    /// Other limits of a task.
    limits_of: Option<LimitsOf>,
    /// A feature was fitted or taken off.
    feature: Option<Fitted>,
    /// Whether a task applies at all.
    applies_to: Option<AppliesTo>,
}

/// Limits that take the place of a task's, also of its first ones; an axis that is absent stays as the task has it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LimitsOf {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The task's code.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub task: Code,
    /// The limits.
    pub limits: Interval,
}

/// A feature of the unit, there from then on or gone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Fitted {
    /// Its code.
    #[schema(value_type = String, example = "spark_arrester", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub feature: Code,
    /// Whether it is there.
    pub fitted: bool,
}

/// Whether a task applies to the unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct AppliesTo {
    /// The schedule.
    #[schema(value_type = String, format = "uuid")]
    pub schedule_id: ScheduleId,
    /// The task's code.
    #[schema(value_type = String, example = "oil_change", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    pub task: Code,
    /// Whether it does.
    pub applies: bool,
}

const MEMBERS: [&str; 3] = ["limits_of", "feature", "applies_to"];

impl UnitSetting {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let effective = Effective::read(o);
        let limits_of = o.object("limits_of", LimitsOf::read).map(SettingOf::LimitsOf);
        let feature = o.object("feature", Fitted::read).map(SettingOf::Feature);
        let applies_to = o.object("applies_to", AppliesTo::read).map(SettingOf::AppliesTo);
        let mut sent = MEMBERS.iter().filter(|name| o.has(name));
        match (sent.next(), sent.next()) {
            (None, _) => o.fail(
                MEMBERS[0],
                Flaw::new("required", "Say what was decided: limits_of, feature or applies_to."),
            ),
            (_, Some(second)) => {
                o.fail(second, Flaw::new("two_settings", "An event of this kind decides one thing."))
            }
            (Some(_), None) => {
                Some(Self { effective: effective?, what: limits_of.or(feature).or(applies_to)? })
            }
        }
    }
}

impl LimitsOf {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let schedule_id = o.required("schedule_id", ScheduleId::read);
        let task = o.required("task", Code::read);
        let limits = o.object("limits", Interval::read);
        if !o.has("limits") {
            return o.fail("limits", Flaw::new("required", "This member is missing."));
        }
        Some(Self { schedule_id: schedule_id?, task: task?, limits: limits? })
    }
}

impl Fitted {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let feature = o.required("feature", Code::read);
        let fitted = o.required("fitted", boolean);
        Some(Self { feature: feature?, fitted: fitted? })
    }
}

impl AppliesTo {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let schedule_id = o.required("schedule_id", ScheduleId::read);
        let task = o.required("task", Code::read);
        let applies = o.required("applies", boolean);
        Some(Self { schedule_id: schedule_id?, task: task?, applies: applies? })
    }
}
