//! Whether what somebody is about to write down can be right.

use interval::{MeterRange, Warning};
use model::{
    EventId, UnitId,
    event::ServiceEvent,
    read::{FieldError, Flaw, Mode, whole},
};
use serde::Serialize;
use serde_json::Value;

use crate::{
    hours::OtherUnit,
    records::Records,
    remark::{Bears, Remarks},
    subject::Subject,
};

/// What is to be said about an event before it is saved.
#[derive(Clone, Debug, Serialize)]
pub struct EventCheck {
    /// The event.
    pub event_id: EventId,
    /// Its unit.
    pub unit_id: UnitId,
    /// What is doubtful about it, in the words of the service; it may be saved all the same.
    pub warnings: Vec<Warning>,
    /// The unit whose meter showed about that, where the reading fits that one and not its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub belongs_to: Option<OtherUnit>,
    /// What the unit's meter can show then, by all that was recorded before.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meter: Option<MeterRange>,
    /// What the answer does not rest on.
    #[serde(flatten)]
    pub remarks: Remarks,
}

impl Records {
    /// Holds an event that is about to be saved, with an id, against what is recorded.
    ///
    /// # Errors
    /// All that is wrong with the event by itself, and where its unit is not known here.
    pub fn check(&self, event: &Value) -> Result<EventCheck, Vec<FieldError>> {
        let event = whole(event, Mode::New, ServiceEvent::read)?;
        let (event_id, unit_id) = (event.id, event.unit_id);
        let unknown =
            || vec![FieldError::at("/unit_id", Flaw::new("unknown_id", "This unit is not known here."))];
        let before = Subject::of(self, unit_id).ok_or_else(unknown)?;
        let known = before.fold();
        let at = known.instant_of(&event.occurred.when);
        let subject = Subject::with(self, unit_id, Some(event)).ok_or_else(unknown)?;
        let state = subject.fold();
        let doubts = interval::doubts(&subject.input()).into_iter().filter(|(of, _)| *of == event_id);
        let aside = state.set_aside().iter().find(|aside| aside.event_id == event_id);
        let belongs_to = aside
            .filter(|aside| aside.suggested.is_none())
            .and_then(|aside| self.belongs_to(aside, &self.others(&subject, state.site_at(at), at)));
        let warnings = doubts.map(|(_, doubt)| Warning::of_event(doubt));
        Ok(EventCheck {
            event_id,
            unit_id,
            warnings: warnings.chain(aside.map(Warning::of_reading)).collect(),
            belongs_to,
            meter: known.meter_range(at),
            remarks: before.remarks(Bears::Due),
        })
    }
}
