//! The policy packs that come with the service, and the schedules that they bring, as the files say.

use std::sync::LazyLock;

use model::{
    EditionId, json,
    pack::{Pack, PackItem},
    read::{self, Mode, Object},
    schedule::Edition,
};
use serde_json::Value;

use crate::problem::{ApiError, ApiResult};

macro_rules! schedules {
    ($($name:literal)*) => {
        /// Files of schedules that packs name.
        const SCHEDULES: &[(&str, &str)] =
            &[$(($name, include_str!(concat!("../../../deploy/schedules/", $name)))),*];
    };
}

schedules! {
    "cfr40-63-zzzz-table-2c-item-1.json"
    "cfr40-63-zzzz-table-2c-item-2.json"
    "cfr40-63-zzzz-table-2c-item-6.json"
    "cfr40-63-zzzz-table-2c-item-7.json"
    "cfr40-63-zzzz-table-2c-item-8.json"
    "cfr40-63-zzzz-table-2d-item-1.json"
    "cfr40-63-zzzz-table-2d-item-4.json"
    "cfr40-63-zzzz-table-2d-item-5.json"
    "cfr40-63-zzzz-table-2d-item-6.json"
    "cfr40-63-zzzz-table-2d-item-7.json"
    "cfr40-63-zzzz-table-2d-item-8.json"
    "cfr40-63-zzzz-table-2d-item-10.json"
    "cfr40-63-zzzz-table-2d-item-11.json"
    "cfr40-63-zzzz-table-2d-item-13.json"
}

const PACKS: &[&str] = &[include_str!("../../../deploy/packs/cfr40-63-zzzz.json")];

/// A pack with all that it brings.
#[derive(Debug)]
pub(crate) struct Embedded {
    /// The pack.
    pub pack: Pack,
    schedules: Vec<Brought>,
}

/// A schedule that a pack brings, with the edition that the pack names.
#[derive(Debug)]
pub(crate) struct Brought {
    /// The edition's id.
    id: EditionId,
    /// The schedule as it is answered, and as it is sent to be made.
    pub schedule: Value,
    /// The edition as it is answered.
    pub body: Value,
    /// The edition.
    pub edition: Edition,
}

static EMBEDDED: LazyLock<Result<Vec<Embedded>, String>> =
    LazyLock::new(|| PACKS.iter().map(|text| Embedded::read(text)).collect());

/// Every pack that comes with the service.
pub(crate) fn embedded() -> ApiResult<&'static [Embedded]> {
    EMBEDDED.as_deref().map_err(|error| ApiError::internal(error.clone()))
}

impl Embedded {
    fn read(text: &str) -> Result<Self, String> {
        let pack: Pack = whole(&parsed(text)?, Pack::read)?;
        let named = pack.items.iter().filter_map(|item| item.schedule.as_ref());
        let schedules = named.map(|named| Brought::read(named.file.as_str())).collect::<Result<_, _>>()?;
        Ok(Self { pack, schedules })
    }

    /// The schedules in the order of the items.
    pub(crate) fn schedules(&self) -> &[Brought] {
        &self.schedules
    }

    /// The edition that an item names.
    pub(crate) fn edition(&self, item: &PackItem) -> Option<&Edition> {
        let named = item.schedule.as_ref()?;
        self.schedules.iter().find(|brought| brought.id == named.edition_id).map(|brought| &brought.edition)
    }
}

impl Brought {
    fn read(name: &str) -> Result<Self, String> {
        let text =
            SCHEDULES.iter().find(|(file, _)| *file == name).ok_or_else(|| format!("no file {name}"))?.1;
        let file = parsed(text)?;
        let part = |name: &str| file.get(name).cloned().unwrap_or_default();
        let (schedule, mut body) = (part("schedule"), part("edition"));
        let id = EditionId::read(body.get("id").unwrap_or(&Value::Null)).map_err(|flaw| flaw.to_string())?;
        let mut fields = body.clone();
        if let Some(members) = fields.as_object_mut() {
            members.remove("id");
        }
        if let Some((members, schedule_id)) = body.as_object_mut().zip(schedule.get("id")) {
            members.insert("schedule_id".to_owned(), schedule_id.clone());
        }
        Ok(Self { id, schedule, body, edition: whole(&fields, Edition::read)? })
    }
}

fn parsed(text: &str) -> Result<Value, String> {
    json::parse(text.as_bytes()).map_err(|error| error.to_string())
}

fn whole<T>(value: &Value, read: impl FnOnce(&mut Object<'_>) -> Option<T>) -> Result<T, String> {
    read::whole(value, Mode::New, read).map_err(|errors| format!("{errors:?}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_pack_and_all_that_it_names_can_be_read() {
        for embedded in embedded().unwrap() {
            let edition = |item: &PackItem| embedded.edition(item).is_some();
            assert!(embedded.pack.items.iter().all(|item| item.schedule.is_none() || edition(item)));
            for brought in embedded.schedules() {
                assert_eq!(brought.body["pack"]["pack"], embedded.pack.pack.as_str());
                assert_eq!(brought.body["pack"]["edition"], embedded.pack.edition.as_str());
            }
        }
    }
}
