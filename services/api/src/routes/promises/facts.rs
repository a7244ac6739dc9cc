//! Promises as they are judged.

use model::{
    PromiseId,
    outage::{BridgedBy, PromiseFields},
};
use standby::promise::{Bridge, Need, Promise};

/// A promise with what its site needs; none where a member is missing without which there is none.
pub(super) fn promise(id: PromiseId, fields: &PromiseFields, need: Need) -> Option<Promise> {
    let bridge = match fields.bridge? {
        BridgedBy::NotNeeded => Bridge::NotNeeded,
        BridgedBy::Batteries => Bridge::Batteries(fields.batteries_hours),
    };
    Some(Promise {
        id,
        spare: fields.unit_id?,
        site: fields.site_id?,
        need,
        made_at: fields.made_at?,
        from: fields.from?,
        until: fields.until,
        there_after: fields.there_after_hours,
        bridge,
    })
}
