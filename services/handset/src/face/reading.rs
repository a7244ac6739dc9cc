//! `reading`: what an hour meter shows, looked at before it is saved.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use device::{DeviceItem, Include};
use serde_json::json;

use super::{
    Face, due,
    entry::{Common, hours, insert, sent},
    meter::Doubtful,
    page::Tone,
    task::{self, Pressing},
};

#[derive(Args)]
pub(crate) struct Reading {
    /// The unit.
    unit: String,
    /// What its meter shows: 231.5, or 231:30.
    hours: Option<String>,
    #[command(flatten)]
    doubtful: Doubtful,
    #[command(flatten)]
    common: Common,
}

pub(crate) fn run(face: &mut Face<'_>, reading: &Reading) -> Result<ExitCode> {
    let mut unit = face.unit_to_write(&reading.unit)?;
    let hours = face.answer(reading.hours.as_deref(), "HOURS", "What does the meter show?", hours)?;
    let mut event = face.event(&unit, &reading.common, json!({"kind": "reading"}))?;
    let looked = face.looked_at(&unit, &event, hours, &reading.doubtful, true)?;
    if let Some(other) = looked.of {
        event.insert("unit_id".to_owned(), json!(other.id));
        unit = other;
    }
    event.insert("meter_hours".to_owned(), sent(looked.hours));
    let saved = face.save(&unit, event, &reading.common)?;
    let (now, records) = (face.now()?, face.records()?);
    let mut page = face.saved(&saved);
    let due = records.due(unit.unit(), now, Include::default());
    if let Some(due) = &due {
        page.line(Tone::Plain, &format!("Engine: {}.", due::hours(due)));
    }
    let items = due.and_then(|due| due.known).map(|known| known.items).unwrap_or_default();
    let mut items: Vec<DeviceItem> =
        items.into_iter().filter(|item| Pressing::of(item) == Pressing::Due).collect();
    items.sort_by_key(task::order);
    for item in &items {
        page.item("!", Tone::Alarm, &format!("{}: {}", item.due.item.title, task::standing(item)));
    }
    let mut line = saved.line();
    insert(&mut line, "due", json!(items));
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}
