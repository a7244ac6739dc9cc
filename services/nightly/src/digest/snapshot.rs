//! The lines that a digest rested on, kept for the next one to tell what changed.

use std::collections::BTreeMap;

use interval::DueState;
use model::{Code, ScheduleId, SiteId, UnitId};
use serde::{Deserialize, Serialize};
use store::digests::Ground;

/// Which task on which unit.
pub(crate) type Item = (UnitId, ScheduleId, Code);

/// The items of a digest and their states.
#[derive(Debug, Default)]
pub(crate) struct Snapshot {
    items: BTreeMap<Item, Then>,
}

/// What an item was.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(crate) struct Then {
    pub(crate) state: DueState,
    pub(crate) home: SiteId,
    pub(crate) standing: SiteId,
}

impl Snapshot {
    /// Of what a digest is made of.
    pub(crate) fn of(ground: &Ground) -> Self {
        let item = |row: &store::view::DueRow| {
            let key = (row.place.unit, row.place.schedule, row.place.task.clone());
            (key, Then { state: row.state, home: row.home_site, standing: row.standing_site })
        };
        Self { items: ground.items.iter().map(item).collect() }
    }

    pub(crate) fn items(&self) -> &BTreeMap<Item, Then> {
        &self.items
    }

    pub(crate) fn to_bytes(&self) -> Result<Vec<u8>, postcard::Error> {
        let items: Vec<(&Item, &Then)> = self.items.iter().collect();
        postcard::to_allocvec(&items)
    }

    pub(crate) fn from_bytes(bytes: &[u8]) -> Result<Self, postcard::Error> {
        let items: Vec<(Item, Then)> = postcard::from_bytes(bytes)?;
        Ok(Self { items: items.into_iter().collect() })
    }
}
