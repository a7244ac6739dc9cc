//! What is due on a unit, and when: engine hours, due state, its steps over time and its trace.
//!
//! [`refold`] turns all events of one unit into a [`UnitState`]; that answers for any instant what is due
//! ([`UnitState::items_at`]), how long each state lasts if nothing new is recorded ([`UnitState::steps_from`]),
//! how many hours the engine has ([`UnitState::hours_at`]) and what each answer rests on
//! ([`UnitState::trace_at`]). Pure functions of their arguments: no clock, no order of arrival.
//!
//! Which events count is told first: corrections take events out, amend them, move them to another unit, or say that two
//! units are one machine. Then the engine hours are drawn, and each task's limits are counted from the work done, by the
//! policy of its edition. A rule is cut where a setting, severe duty or storage changes what it asks for, so that each
//! part has plans of its own; what lets a task wait (storage, a deferral, an emergency) lies over what its limits say.
//!
//! [`refold_compact`] says beside the state what to keep of the events: a [`Compact`], small and serializable, to
//! which an event in order is applied without those before it ([`Compact::apply`]). To apply is to refold, by one
//! and the same fold, begun at the last settled reading instead of at nothing. What cannot be applied, because it
//! came late or changes what earlier events mean, says so ([`NeedsRefold`]).
//!
//! A due-state, in ten lines from what was written down about a unit to what is due on it:
//!
//! ```
//! use std::{collections::BTreeMap, sync::Arc};
//!
//! use interval::{DueState, Input, Policy, UnitFacts, refold};
//! use model::{EditionId, Hours, Instant, SiteId, Zone, event::ServiceEvent, json, schedule::Edition};
//! use model::read::{Mode, whole};
//!
//! const EDITION: &str = r#"{"edition": "A", "effective_from": "2025-01-01", "source": "common practice", "tasks": [
//!     {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6}}]}"#;
//! const EVENTS: &[&str] = &[
//!     r#"{"id": "019a0b5e-7c00-7000-8000-000000000001", "unit_id": "019a0b5e-7c00-7000-8000-00000000000b",
//!         "kind": "adoption", "occurred_on": "2025-01-02", "edition_id": "019a0b5e-7c00-7000-8000-00000000000e",
//!         "schedule_id": "019a0b5e-7c00-7000-8000-00000000000d"}"#,
//!     r#"{"id": "019a0b5e-7c00-7000-8000-000000000002", "unit_id": "019a0b5e-7c00-7000-8000-00000000000b",
//!         "kind": "service", "occurred_on": "2025-03-10", "jobs": [{"job": "oil_change"}], "meter_hours": 140}"#,
//!     r#"{"id": "019a0b5e-7c00-7000-8000-000000000003", "unit_id": "019a0b5e-7c00-7000-8000-00000000000b",
//!         "kind": "reading", "occurred_at": "2025-08-01T06:00:00-06:00", "meter_hours": 212.4}"#,
//! ];
//!
//! let value = |text: &str| json::parse(text.as_bytes()).unwrap();
//! let event = |text: &&str| whole(&value(text), Mode::New, ServiceEvent::read).unwrap();
//! let events = Vec::from_iter(EVENTS.iter().map(event));
//! let edition = Arc::new(whole(&value(EDITION), Mode::New, Edition::read).unwrap());
//! let editions = BTreeMap::from([(EditionId::parse("019a0b5e-7c00-7000-8000-00000000000e").unwrap(), edition)]);
//! let (unit, home) = (events[0].unit_id, SiteId::parse("019a0b5e-7c00-7000-8000-00000000000a").unwrap());
//! let zones = BTreeMap::from([(home, Zone::parse("America/Denver").unwrap())]);
//! let (facts, policy) = (UnitFacts::plain(true, Hours::from_hundredths(10), home), Policy::standard());
//! let input = Input { unit, events: &events, facts: &facts, zones: &zones, editions: &editions, policy: &policy };
//! let oil = refold(&input).items_at(Instant::parse("2025-08-01T06:00:00-06:00").unwrap()).remove(0);
//!
//! assert_eq!(oil.state, DueState::Ok);
//! assert_eq!(oil.hours.unwrap().left_hours, Hours::from_hundredths(2760));
//! assert_eq!(oil.calendar.unwrap().left_days, 40);
//!
//! // How long each state lasts.
//! let steps = refold(&input).steps_from(Instant::parse("2025-08-01T06:00:00-06:00").unwrap()).remove(0).steps;
//! let states: Vec<_> = steps.iter().map(|step| (step.state.as_str(), step.from.to_string())).collect();
//! assert_eq!(states[1], ("coming_due", "2025-08-23T06:00:00Z".to_owned()));
//!
//! // The next event, applied to what was kept.
//! let kept = interval::refold_compact(&input).compact.unwrap();
//! let done = event(&r#"{"id": "019a0b5e-7c00-7000-8000-000000000004", "unit_id": "019a0b5e-7c00-7000-8000-00000000000b",
//!     "kind": "service", "occurred_at": "2025-08-20T09:00:00-06:00", "jobs": [{"job": "oil_change"}]}"#);
//! let state = kept.apply(&Input { events: &[done], ..input }).unwrap().state;
//! let oil = state.items_at(Instant::parse("2025-08-23T06:00:00Z").unwrap()).remove(0);
//! assert_eq!((oil.state, oil.calendar.unwrap().anchor_date.to_string()), (DueState::Ok, "2025-08-20".to_owned()));
//! ```

mod adoption;
mod analysis;
mod bundle;
mod calendar;
mod chain;
mod compact;
mod completion;
mod compliance;
mod conditions;
mod corrections;
mod doubts;
mod duplicates;
mod fits;
mod happened;
mod hours;
mod input;
mod item;
mod judge;
mod lasting;
mod limit;
mod placed;
mod places;
mod projection;
mod quality;
mod rate;
mod reconcile;
pub mod regulation;
mod runs;
mod segments;
mod settled;
mod standing;
mod state;
mod steps;
mod tags;
mod trace;
mod warning;
mod window;
mod words;

pub use analysis::condemned;
pub use bundle::{Bundle, BundledTask, Extent, bundle};
pub use compact::{Compact, Folded, NeedsRefold, refold_compact};
pub use compliance::Compliance;
pub use corrections::{machine, stands_for};
pub use doubts::{Doubt, doubts};
pub use fits::{MeterRange, belongs_to};
pub use happened::{Happened, Stayed, happened, stayed};
pub use hours::{
    EngineHours, HoursRange, HoursReport, MeterFitted, OpenRun, ReadingUsed, SetAside, StopMissing,
    StopShownBy, SwapNotRecorded,
};
pub use input::{Input, Policy, UnitFacts};
pub use item::{CalendarAxis, DeferralInForce, DueItem, Fraction, HoursAxis, ItemKey, Justified, Late};
pub use judge::Decision;
pub use limit::drifts;
pub use projection::{Months, Projected, ProjectedBy, Projection};
pub use quality::{QualityCode, QualityEntry};
pub use reconcile::Reconciliation;
pub use state::{UnitState, refold, refold_until, standing_site};
pub use steps::{InForce, ItemSteps, Step, edition_in, next_at, state_in};
pub use tags::{HungTag, tags};
pub use trace::TraceEntry;
pub use warning::Warning;
pub use window::{DeferralDecided, RunWithin};
pub use words::{Action, Axis, DUE_STATES, DueState, Grade, REASONS, Reason};
