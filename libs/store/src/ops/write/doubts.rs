//! What is doubtful about an event, as its author is told.

use interval::{Doubt, SetAside};

use crate::command::Warning;

/// That a reading is not used.
pub(super) fn of_reading(reading: &SetAside) -> Warning {
    Warning {
        code: "reading_set_aside",
        pointer: "/meter_hours",
        detail: "The reading does not fit the unit's other readings; it is kept, and not used until it is confirmed or others bear it out.".into(),
        suggested_meter_hours: reading.suggested,
    }
}

/// That an event says against others.
pub(super) fn of_event(doubt: Doubt) -> Warning {
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
    Warning { code, pointer, detail: detail.into(), suggested_meter_hours: None }
}
