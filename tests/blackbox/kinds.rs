//! Kinds of service event: recorded, read back, corrected, refused where they name what is not there.

mod doubtful;
mod kin;
mod recorded;
mod refused;

use blackbox::Town;
use serde_json::{Value, json};

/// A time before that of the service, at which things happen here.
const AT: &str = "2026-06-10T12:00:00Z";

/// An event of a unit, to be posted.
fn event(unit: &str, mut body: Value) -> Value {
    body["unit_id"] = json!(unit);
    if body.get("occurred_at").is_none() {
        body["occurred_at"] = json!(AT);
    }
    body
}

/// A deferral of the oil change that a coordinator allowed.
pub(crate) fn deferral(town: &Town) -> Value {
    json!({"kind": "deferral", "schedule_id": town.schedule, "task": "oil_change",
        "authorised_by": town.people["coordinator"], "reason": "no oil at hand", "until_date": "2026-07-01"})
}
