//! By what the record of a row is known again.

use model::{EventId, SiteId, UnitId, read::Flaw};
use serde_json::{Map, Value};
use uuid::Uuid;

use super::Draft;
use crate::{Columns, Key, Records, doubt::Doubt, event_id};

impl Draft<'_> {
    /// By what the record is known again; the ids in the body are completed.
    pub(super) fn key(&mut self, columns: &Columns) -> Option<Key> {
        let id = self.id(columns);
        if self.mapping.records().are_events() {
            return self.event_key(id).map(Key::Id);
        }
        let external = self.external_ids(columns);
        let key = id.map(Key::Id).or_else(|| {
            let system = self.mapping.system().map(|system| system.as_str());
            let (system, id) = system
                .and_then(|system| external.get_key_value(system))
                .or_else(|| external.iter().next())?;
            Some(Key::External { system: system.clone(), id: id.as_str()?.to_owned() })
        });
        if !external.is_empty() {
            self.body.insert("external_ids".to_owned(), Value::Object(external));
        }
        key
    }

    fn id(&mut self, columns: &Columns) -> Option<Uuid> {
        let told = self.body.get("id")?;
        let found = match self.mapping.records() {
            Records::Sites => SiteId::read(told).map(SiteId::uuid),
            Records::Units => UnitId::read(told).map(UnitId::uuid),
            Records::ServiceEvents | Records::Readings => EventId::read(told).map(EventId::uuid),
        };
        found.map_err(|flaw: Flaw| self.doubt(columns.of("id"), "id", flaw.into())).ok()
    }

    /// An event has one id: its own, or one that follows from what another system calls it.
    fn event_key(&mut self, id: Option<Uuid>) -> Option<Uuid> {
        let external = std::mem::take(&mut self.external);
        let Some((system, called, heading)) = external.first() else { return id };
        if self.body.contains_key("id") || external.len() > 1 {
            let doubt = Doubt::new("two_ids", "An event has one id: leave all but one of them empty.");
            self.doubt(heading.as_deref(), "external_id", doubt);
            return None;
        }
        let id = event_id(self.organization, system, called);
        self.body.insert("id".to_owned(), Value::from(id.to_string()));
        Some(id.uuid())
    }

    /// All ids in other systems.
    fn external_ids(&mut self, columns: &Columns) -> Map<String, Value> {
        let mut all = match self.body.get("external_ids") {
            Some(Value::Object(told)) => told.clone(),
            Some(_) => {
                let doubt = Doubt::new("wrong_type", "This must be a JSON object.");
                self.doubt(columns.of("external_ids"), "external_ids", doubt);
                return Map::new();
            }
            None => Map::new(),
        };
        for (system, id, heading) in std::mem::take(&mut self.external) {
            if all.contains_key(&system) {
                let detail = format!("Another column gives the id in {system}, too.");
                self.doubt(heading.as_deref(), "external_id", Doubt::new("two_values", detail));
            }
            all.insert(system, Value::from(id));
        }
        all
    }
}
