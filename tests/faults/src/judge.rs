//! What must be left after a fault: each edit that a device made, once, and nothing that none of them made.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{Client, Database, Town};
use serde_json::Value;

use crate::Made;

/// What is there.
pub struct Left {
    /// The ids of the rows of the log, bare, one for each row.
    pub logged: Vec<String>,
    /// The events that the service gives.
    pub read: Vec<Value>,
}

impl Left {
    /// The readings of some units, behind the service's back and by it.
    pub fn of(database: &Database, town: &Town, client: &Client, units: &[&str]) -> Self {
        let read = units.iter().flat_map(|unit| client.all(&format!("/v1/service-events?unit={unit}"), 500));
        let read = read.collect();
        let (edit, unit) = match database.backend() {
            blackbox::Backend::Sqlite => ("lower(hex(edit_id))", "lower(hex(unit_id))"),
            blackbox::Backend::Postgres => {
                ("replace(edit_id::text, '-', '')", "replace(unit_id::text, '-', '')")
            }
        };
        let among: Vec<String> = units.iter().map(|unit| format!("'{}'", bare(unit))).collect();
        let logged = database.texts(&format!(
            "SELECT {edit} AS t FROM change_log WHERE organization = {} AND record_kind = 'service_event' \
             AND {unit} IN ({})",
            database.id(town.id),
            among.join(",")
        ));
        Self { logged, read }
    }

    /// Everything that is wrong with it.
    pub fn wrong(&self, made: &[&Made]) -> Vec<String> {
        let mut wrong = Vec::new();
        let logged = counted(self.logged.iter().cloned());
        let read = counted(self.read.iter().map(|event| bare(text(&event["id"]))));
        for made in made {
            let id = bare(made.id());
            let note = text(&made.event["note"]);
            let said = if made.acknowledged { "acknowledged" } else { "never acknowledged" };
            for (place, count) in [("in the log", &logged), ("read back", &read)] {
                match count.get(&id).copied().unwrap_or_default() {
                    1 => {}
                    0 => wrong.push(format!("lost: {note}, {said}, is not {place}")),
                    more => wrong.push(format!("doubled: {note} is {more} times {place}")),
                }
            }
        }
        let known: BTreeSet<String> = made.iter().map(|made| bare(made.id())).collect();
        for id in logged.keys().chain(read.keys()).filter(|id| !known.contains(*id)).collect::<BTreeSet<_>>()
        {
            wrong.push(format!("doubled: {id} is there, and nobody made it"));
        }
        let by_id: BTreeMap<&str, &Value> =
            self.read.iter().map(|event| (text(&event["id"]), event)).collect();
        for made in made {
            let Some(read) = by_id.get(made.id()) else { continue };
            let differs =
                made.event.as_object().unwrap().iter().any(|(name, value)| {
                    blackbox::world::plain(value) != blackbox::world::plain(&read[name])
                });
            if differs {
                wrong.push(format!("changed: {} was sent, and {read} is read", made.event));
            }
        }
        wrong
    }
}

fn counted(ids: impl Iterator<Item = String>) -> BTreeMap<String, u32> {
    let mut count = BTreeMap::new();
    for id in ids {
        *count.entry(id).or_insert(0) += 1;
    }
    count
}

fn bare(id: &str) -> String {
    id.replace('-', "")
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}
