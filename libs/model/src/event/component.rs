use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    entry,
    entry::HoursEntry,
    quantity::Hours,
    read::{Flaw, Object, word},
};

/// A component was fitted or rebuilt.
///
/// A meter's change moves the engine hours that readings stand for; any other's is where the limits of tasks that are
/// bound to it begin anew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ComponentChange {
    /// Which part of the unit.
    pub component: Component,
    /// What was done to it.
    pub action: ComponentAction,
    /// What the meter showed then; for any component but the meter.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub meter_hours: Option<Hours>,
    /// What the meter that was taken off showed last; for a meter.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub old_meter_hours: Option<Hours>,
    /// What the new meter showed when fitted; for a meter.
    #[serde(skip_serializing_if = "Option::is_none", serialize_with = "entry::write")]
    #[schema(value_type = Option<HoursEntry>)]
    pub new_meter_hours: Option<Hours>,
}

/// A part of a unit with a life of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Component {
    /// The engine.
    Engine,
    /// The alternator.
    Alternator,
    /// The starting battery.
    Battery,
    /// The starting motor.
    Starter,
    /// The hour meter.
    Meter,
}

/// What was done to a component.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ComponentAction {
    /// Another one took its place.
    Fitted,
    /// It was made as new.
    Rebuilt,
}

const COMPONENTS: &[(&str, Component)] = &[
    ("engine", Component::Engine),
    ("alternator", Component::Alternator),
    ("battery", Component::Battery),
    ("starter", Component::Starter),
    ("meter", Component::Meter),
];
const ACTIONS: &[(&str, ComponentAction)] =
    &[("fitted", ComponentAction::Fitted), ("rebuilt", ComponentAction::Rebuilt)];

impl ComponentChange {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let component = o.required("component", word(COMPONENTS));
        let action = o.required("action", word(ACTIONS));
        let meter_hours = o.optional("meter_hours", Hours::read);
        let old_meter_hours = o.optional("old_meter_hours", Hours::read);
        let new_meter_hours = o.optional("new_meter_hours", Hours::read);
        let found =
            Self { component: component?, action: action?, meter_hours, old_meter_hours, new_meter_hours };
        found.check(o)?;
        Some(found)
    }

    fn check(&self, o: &mut Object<'_>) -> Option<()> {
        let misplaced = |what| Flaw::new("misplaced", format!("This belongs to {what}."));
        let meter = self.component == Component::Meter;
        match self.component {
            Component::Meter | Component::Battery if self.action == ComponentAction::Rebuilt => {
                o.fail("action", Flaw::new("unknown_word", "This component is fitted, not rebuilt."))
            }
            Component::Meter if self.meter_hours.is_some() => o.fail(
                "meter_hours",
                misplaced("another component; a meter has old_meter_hours and new_meter_hours"),
            ),
            Component::Meter if !o.has("new_meter_hours") => o.fail(
                "new_meter_hours",
                Flaw::new("required", "Say what the new meter showed when it was fitted."),
            ),
            _ if !meter && self.old_meter_hours.is_some() => o.fail("old_meter_hours", misplaced("a meter")),
            _ if !meter && self.new_meter_hours.is_some() => o.fail("new_meter_hours", misplaced("a meter")),
            _ => Some(()),
        }
    }
}
