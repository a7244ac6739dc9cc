//! What is doubtful about an event, as its author is told.

use model::Hours;
use serde::Serialize;

use crate::{doubts::Doubt, hours::SetAside};

/// Something doubtful about an event that was recorded all the same.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// A stable code.
    pub code: &'static str,
    /// Where in the event.
    pub pointer: &'static str,
    /// A sentence for people.
    pub detail: String,
    /// The reading that was probably meant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub suggested_meter_hours: Option<Hours>,
}

impl Warning {
    /// That a reading is not used.
    pub fn of_reading(reading: &SetAside) -> Self {
        Self {
            code: "reading_set_aside",
            pointer: "/meter_hours",
            detail: "The reading does not fit the unit's other readings; it is kept, and not used until it is confirmed or others bear it out.".into(),
            suggested_meter_hours: reading.suggested,
        }
    }

    /// That an event says against others.
    pub fn of_event(doubt: Doubt) -> Self {
        let (code, pointer, detail) = match doubt {
            Doubt::AlreadyInStorage => (
                "already_in_storage",
                "/action",
                "The unit was put into storage twice, and not taken out in between.",
            ),
            Doubt::NotInStorage => {
                ("not_in_storage", "/action", "The unit was taken out of storage, and had not been put in.")
            }
            Doubt::FittedTwice => {
                ("fitted_twice", "/component", "The same component was fitted or rebuilt twice within a day.")
            }
            Doubt::StoppedTwice => ("stopped_twice", "/run_id", "The same run stopped twice."),
            Doubt::TwoPlaces => (
                "placements_contradict",
                "/site_id",
                "The unit was put at two sites at the same time; void the placement that is wrong.",
            ),
            Doubt::OlderEdition => (
                "editions_out_of_order",
                "/edition_id",
                "The edition takes the place of one that came into force after it, or the other way round.",
            ),
        };
        Self { code, pointer, detail: detail.into(), suggested_meter_hours: None }
    }
}
