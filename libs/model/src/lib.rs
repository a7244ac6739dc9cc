//! What Keepstart's records and events look like while they travel, and how they are read.
//!
//! Every value that enters the service passes through [`json::parse`] and a [`read::Object`]: what comes
//! out is typed, bounded and complete, and what was wrong is listed with a JSON Pointer each, all at once.
//! Nothing here decides anything; hours, due state, merging and access live in crates of their own.
//!
//! ```
//! use model::{event::ServiceEvent, json, read};
//!
//! let sent = br#"{"id":"019a0b5e-7c00-7000-8000-000000000001","kind":"reading","meter_hours":212.45,
//!     "unit_id":"019a0b5e-7c00-7000-8000-000000000002","occurred_at":"2026-08-01T06:00:00-06:00"}"#;
//! let event = read::whole(&json::parse(sent).unwrap(), read::Mode::New, ServiceEvent::read).unwrap();
//! assert_eq!(event.kind().as_str(), "reading");
//!
//! let bad = json::parse(br#"{"kind":"reading","meter_hours":-1,"colour":"red"}"#).unwrap();
//! let errors = read::whole(&bad, read::Mode::New, ServiceEvent::read).unwrap_err();
//! let pointers: Vec<&str> = errors.iter().filter_map(|e| e.pointer.as_deref()).collect();
//! assert_eq!(pointers, ["/id", "/unit_id", "/occurred_at", "/meter_hours", "/colour"]);
//! ```

pub mod blob;
pub mod burn_curve;
pub mod code;
pub mod derating;
pub mod edit;
mod entry;
pub mod event;
pub mod external;
pub mod handset;
pub mod hash;
pub mod id;
pub mod json;
pub mod mail;
pub mod mark;
pub mod organization;
pub mod outage;
pub mod pack;
pub mod person;
pub mod private;
pub mod quantity;
pub mod read;
pub mod schedule;
pub mod site;
pub mod stamp;
pub mod sync;
pub mod text;
pub mod time;
pub mod unit;

pub use blob::{Attachment, BlobHash, MediaType};
pub use code::Code;
pub use entry::HoursEntry;
pub use external::ExternalIds;
pub use id::{
    EditId, EditionId, EventId, GrantId, GroupId, HandsetId, Id, ImportId, IncidentId, MailListId,
    OrganizationId, PersonId, PromiseId, RecipientId, ScheduleId, SiteId, UnitId,
};
pub use private::PrivateText;
pub use quantity::{Hours, Kilowatts, Litres, Metres, Volts};
pub use text::Label;
pub use time::{Instant, LocalDate, Zone};
