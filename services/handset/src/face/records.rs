//! The records of the copy, own entries on top, as questions about what is due are asked of them.

use std::collections::BTreeSet;

use anyhow::Result;
use device::Records;
use handset::{EventView, Kind, wire::EditText};
use model::{SiteId, UnitId};
use serde_json::Value;

use super::{
    Face,
    find::{self, Named},
    queue,
    story::{is_held, is_hung},
};

/// All that is here.
pub(super) struct AllHere {
    pub(super) records: Records,
    /// The units that are not retired, by name.
    pub(super) units: Vec<Named>,
    /// The units of which an entry ever had a tag: only at these can one hang.
    pub(super) tagged: BTreeSet<UnitId>,
}

impl Face<'_> {
    /// All that is here.
    pub(super) fn records(&mut self) -> Result<Records> {
        Ok(self.all_here()?.records)
    }

    /// The same with the units, read once.
    pub(super) fn all_here(&mut self) -> Result<AllHere> {
        let (mut records, mut tagged) = (Records::new(), BTreeSet::new());
        for view in self.handset.views(Kind::Site)? {
            records.site(SiteId::from_uuid(view.id), &Value::Object(view.fields()));
        }
        let units = self.handset.views(Kind::Unit)?;
        for view in &units {
            records.unit(UnitId::from_uuid(view.id), &Value::Object(view.fields()));
        }
        for edition in self.handset.told("edition")? {
            records.edition(&serde_json::from_str(&edition.text)?);
        }
        for told in self.handset.told("service_event")? {
            let event = serde_json::from_str(&told.text)?;
            tagged.extend(told.unit.filter(|_| is_of_tag(&event)));
            records.event(&event);
        }
        self.own(&mut records, &mut tagged)?;
        let tagged = tagged.into_iter().flat_map(|unit| records.machine(unit)).collect();
        Ok(AllHere { records, units: find::named(&units), tagged })
    }

    /// What was entered here and is not in the copy; what waits for a person does not count yet, but for a tag.
    fn own(&mut self, records: &mut Records, tagged: &mut BTreeSet<UnitId>) -> Result<()> {
        let mut units = BTreeSet::new();
        for edit in self.handset.queue()? {
            let text = EditText::read(&edit.text)?;
            units.extend(queue::about(&text).filter(|_| text.kind == "service_event"));
        }
        for unit in units {
            let unit = UnitId::from_uuid(unit);
            let events = self.handset.events(unit)?;
            let counts = |event: &&EventView| event.state.is_some() && (!is_held(event) || is_hung(event));
            for event in events.iter().filter(counts) {
                tagged.extend(is_of_tag(&event.event).then_some(unit));
                records.event(&event.event);
            }
        }
        Ok(())
    }
}

fn is_of_tag(event: &Value) -> bool {
    event.get("kind").is_some_and(|kind| kind == "tag")
}
