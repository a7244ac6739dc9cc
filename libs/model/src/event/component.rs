use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    quantity::Hours,
    read::{Flaw, Object, word},
};

/// An engine or a meter was fitted, or an engine rebuilt.
///
/// A meter's change moves the engine hours that readings stand for. An engine's is kept on record; no limit counts
/// from it yet.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ComponentChange {
    /// Which part of the unit.
    pub component: Component,
    /// What was done to it.
    pub action: ComponentAction,
    /// What the meter showed then; for an engine.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000)]
    pub meter_hours: Option<Hours>,
    /// What the meter that was taken off showed last; for a meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 483.7)]
    pub old_meter_hours: Option<Hours>,
    /// What the new meter showed when fitted; for a meter.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<f64>, minimum = 0, maximum = 1_000_000, example = 2.3)]
    pub new_meter_hours: Option<Hours>,
}

/// A part of a unit with a life of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Component {
    /// The engine.
    Engine,
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

const COMPONENTS: &[(&str, Component)] = &[("engine", Component::Engine), ("meter", Component::Meter)];
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
        match self.component {
            Component::Meter if self.action == ComponentAction::Rebuilt => {
                o.fail("action", Flaw::new("unknown_word", "A meter is fitted, not rebuilt."))
            }
            Component::Meter if self.meter_hours.is_some() => {
                o.fail("meter_hours", misplaced("an engine; a meter has old_meter_hours and new_meter_hours"))
            }
            Component::Meter if !o.has("new_meter_hours") => o.fail(
                "new_meter_hours",
                Flaw::new("required", "Say what the new meter showed when it was fitted."),
            ),
            Component::Engine if self.old_meter_hours.is_some() => {
                o.fail("old_meter_hours", misplaced("a meter"))
            }
            Component::Engine if self.new_meter_hours.is_some() => {
                o.fail("new_meter_hours", misplaced("a meter"))
            }
            _ => Some(()),
        }
    }
}
