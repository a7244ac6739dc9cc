//! What is due on a unit, what else can be done while somebody is at its site, whether a reading can be right, and whether a unit
//! is ready: on a device, from its copy of the records, without a service.
//!
//! [`Records`] takes sites, units, editions and service events as a service tells them, or as they were written on the device.
//! It answers as the service would that knows no more: `libs/interval` works out what is due, `libs/standby` whether a unit
//! is ready. A device may be older than its service. What it does not know is passed over and named ([`Remarks`]); where
//! something could not be read that an answer rests on, the answer is unknown, with the reason, and never that all is well.
//!
//! Pure: no clock, no I/O. What is due, from three records:
//!
//! ```
//! use device::{Include, Records};
//! use model::{Instant, SiteId, UnitId};
//! use serde_json::json;
//!
//! let (site, unit) = ("019a0b5e-7c00-7000-8000-00000000000a", "019a0b5e-7c00-7000-8000-00000000000b");
//! let (site_id, unit_id) = (SiteId::parse(site).unwrap(), UnitId::parse(unit).unwrap());
//! let mut records = Records::new();
//! records.site(site_id, &json!({"name": "Depot", "zone": "America/Denver"}));
//! records.unit(unit_id, &json!({"label": "G-1", "home_site_id": site, "fuel": "petrol"}));
//! records.edition(&json!({"id": "019a0b5e-7c00-7000-8000-00000000000e", "schedule_id": "019a0b5e-7c00-7000-8000-00000000000d",
//!     "edition": "A", "effective_from": "2025-01-01", "source": "common practice", "tasks": [
//!         {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"months": 6}}]}));
//! records.event(&json!({"id": "019a0b5e-7c00-7000-8000-000000000001", "unit_id": unit, "kind": "adoption",
//!     "occurred_on": "2025-01-02", "edition_id": "019a0b5e-7c00-7000-8000-00000000000e",
//!     "schedule_id": "019a0b5e-7c00-7000-8000-00000000000d"}));
//! records.event(&json!({"id": "019a0b5e-7c00-7000-8000-000000000002", "unit_id": unit, "kind": "service",
//!     "occurred_on": "2025-03-10", "jobs": [{"job": "oil_change"}]}));
//!
//! let at = Instant::parse("2025-09-10T12:00:00-06:00").unwrap();
//! let due = records.due(unit_id, at, Include::default()).unwrap();
//! assert_eq!(due.known.unwrap().items[0].due.item.state.as_str(), "due");
//! assert_eq!(records.while_here(site_id, at).units[0].items.len(), 1);
//!
//! // A newer service says something that this program cannot read: so it does not know.
//! records.event(&json!({"id": "019a0b5e-7c00-7000-8000-000000000003", "unit_id": unit, "kind": "service",
//!     "occurred_on": "2025-09-01", "jobs": [{"job": "oil_change", "result": "half_done"}]}));
//! let due = records.due(unit_id, at, Include::default()).unwrap();
//! assert_eq!(due.known.unwrap().items[0].due.item.state.as_str(), "unknown");
//! assert_eq!(due.remarks.unknown_because[0].errors[0].pointer.as_deref(), Some("/jobs/0/result"));
//! ```

mod ask;
mod due;
mod here;
mod hours;
mod item;
mod problem;
mod reading;
mod ready;
mod records;
mod remark;
mod subject;

pub use self::{
    ask::{BYTES_MOST, answer},
    due::{DueKnown, UnitDue},
    here::{UnitHere, WhileHere},
    hours::{EngineSeconds, OtherUnit, ReadingAside, UnitHours, UnitQuality},
    item::{
        DeviceItem, EditionInUse, Include, NotUnderstood, PolicyInUse, SetAsideReading, UnitDueItem,
        each_once, editions_in_use, is_open, policy_in_use, set_aside, summed, with_task,
    },
    problem::{Problem, ProblemKind},
    reading::EventCheck,
    ready::{SiteReady, UnitReady},
    records::Records,
    remark::{Remark, RemarkCode, Remarks},
};
