//! What has happened to a machine, as far as the handset knows: what is open, and what was taken back.

use std::collections::BTreeSet;

use anyhow::Result;
use handset::{EventView, State};
use model::{EventId, Instant, LocalDate, UnitId, Zone};
use serde_json::{Map, Value};

use super::{Face, find::text};

/// An event that counts.
pub(super) struct Happened {
    pub(super) id: EventId,
    pub(super) event: Map<String, Value>,
}

impl Happened {
    /// The unit on whose record it stands: what ends it is written there, for the service looks for it nowhere else.
    pub(super) fn unit(&self) -> Option<&Value> {
        self.event.get("unit_id")
    }
}

impl Face<'_> {
    /// The events of the machine that a unit is, those of its other entries included, that count, the oldest first; those that
    /// wait for a person do not, but for a tag that was hung.
    pub(super) fn story(&mut self, unit: UnitId) -> Result<Vec<Happened>> {
        let machine = self.records()?.machine(unit);
        self.story_of(&machine)
    }

    /// The same of a machine by its units.
    pub(super) fn story_of(&mut self, machine: &BTreeSet<UnitId>) -> Result<Vec<Happened>> {
        let mut events = Vec::new();
        for unit in machine {
            events.extend(self.handset.events(*unit)?);
        }
        let gone = taken_back(&events);
        let counts =
            |event: &EventView| (!is_held(event) || is_hung(event)) && !gone.contains(&event.id.to_string());
        let mut story: Vec<Happened> = events.into_iter().filter(counts).filter_map(happened).collect();
        story.sort_by_key(|happened| (instant(&happened.event), happened.id));
        Ok(story)
    }
}

/// Whether it waits for a person.
pub(super) fn is_held(event: &EventView) -> bool {
    event.state == Some(State::Held)
}

/// Whether it hung a tag: that is heeded before anybody has looked at it.
pub(super) fn is_hung(event: &EventView) -> bool {
    let says = |name: &str, word: &str| event.event.get(name).is_some_and(|said| said == word);
    says("kind", "tag") && says("action", "hung")
}

fn happened(event: EventView) -> Option<Happened> {
    let Value::Object(members) = event.event else { return None };
    Some(Happened { id: EventId::from_uuid(event.id), event: members })
}

/// When it happened; a day begins as it does in Greenwich, which is good enough to sort by.
fn instant(event: &Map<String, Value>) -> Option<Instant> {
    let at = text(event, "happened_at").or_else(|| text(event, "occurred_at"));
    let day = || LocalDate::parse(text(event, "occurred_on")?).ok();
    at.and_then(|at| Instant::parse(at).ok()).or_else(|| Some(Zone::utc().midnight(day()?)))
}

/// The ids of what was taken back and not put back since; what waits for a person takes nothing back yet.
pub(super) fn taken_back(events: &[EventView]) -> BTreeSet<String> {
    let mut gone = BTreeSet::new();
    for event in events.iter().filter(|event| !is_held(event)) {
        let said = |name: &str| event.event.get(name).and_then(Value::as_str);
        match (said("kind"), said("action"), said("target_id")) {
            (Some("correction"), Some("void"), Some(target)) => drop(gone.insert(target.to_owned())),
            (Some("correction"), Some("reinstate"), Some(target)) => drop(gone.remove(target)),
            _ => {}
        }
    }
    gone
}

/// Those of a kind that were begun and not ended: an event whose `begun` says so, and that no other names in `by`.
pub(super) fn open<'s>(
    story: &'s [Happened],
    kind: &str,
    begun: (&str, &str),
    by: &str,
) -> Vec<&'s Happened> {
    let ended: BTreeSet<&str> = story.iter().filter_map(|happened| text(&happened.event, by)).collect();
    let is_open = |happened: &&Happened| {
        let says = |name: &str, word: &str| text(&happened.event, name) == Some(word);
        says("kind", kind) && says(begun.0, begun.1) && !ended.contains(happened.id.to_string().as_str())
    };
    story.iter().filter(is_open).collect()
}

/// Tags that hang.
pub(super) fn tags(story: &[Happened]) -> Vec<&Happened> {
    open(story, "tag", ("action", "hung"), "tag_id")
}

/// Findings that are open.
pub(super) fn findings(story: &[Happened]) -> Vec<&Happened> {
    open(story, "finding", ("action", "opened"), "finding_id")
}

/// Runs that were started and not stopped.
pub(super) fn runs(story: &[Happened]) -> Vec<&Happened> {
    open(story, "run", ("phase", "start"), "run_id")
}
