//! The records of the copy, own entries on top, as questions about what is due are asked of them.

use std::collections::BTreeSet;

use anyhow::Result;
use device::Records;
use handset::{EventView, Kind, wire::EditText};
use model::{SiteId, UnitId};
use serde_json::Value;

use super::{
    Face, queue,
    story::{is_held, is_hung},
};

impl Face<'_> {
    /// All that is here.
    pub(super) fn records(&mut self) -> Result<Records> {
        let mut records = Records::new();
        for id in self.handset.ids(Kind::Site)? {
            if let Some(view) = self.handset.view(Kind::Site, id)? {
                records.site(SiteId::from_uuid(id), &Value::Object(view.fields()));
            }
        }
        for id in self.handset.ids(Kind::Unit)? {
            if let Some(view) = self.handset.view(Kind::Unit, id)? {
                records.unit(UnitId::from_uuid(id), &Value::Object(view.fields()));
            }
        }
        for edition in self.handset.told("edition")? {
            records.edition(&serde_json::from_str(&edition.text)?);
        }
        for event in self.handset.told("service_event")? {
            records.event(&serde_json::from_str(&event.text)?);
        }
        self.own(&mut records)?;
        Ok(records)
    }

    /// What was entered here and is not in the copy; what waits for a person does not count yet, but for a tag.
    fn own(&mut self, records: &mut Records) -> Result<()> {
        let mut units = BTreeSet::new();
        for edit in self.handset.queue()? {
            let text = EditText::read(&edit.text)?;
            units.extend(queue::about(&text).filter(|_| text.kind == "service_event"));
        }
        for unit in units {
            let events = self.handset.events(UnitId::from_uuid(unit))?;
            let counts = |event: &&EventView| event.state.is_some() && (!is_held(event) || is_hung(event));
            for event in events.iter().filter(counts) {
                records.event(&event.event);
            }
        }
        Ok(())
    }
}
