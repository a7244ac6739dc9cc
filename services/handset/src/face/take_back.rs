//! `take-back`: an entry of his own counts no more. It stays on record, and so does why.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use handset::{State, StoredEdit, wire::EditText};
use serde_json::json;

use super::{Face, Trouble, describe, entry::Common, queue};

#[derive(Args)]
pub(crate) struct TakeBack {
    /// The entry: its number in the queue, such as 17, or its id.
    entry: String,
    /// Why.
    #[arg(long)]
    reason: Option<String>,
}

pub(crate) fn run(face: &mut Face<'_>, take_back: &TakeBack) -> Result<ExitCode> {
    let (edit, text) = find(face, &take_back.entry)?;
    let unit = face.unit_of(queue::about(&text).unwrap_or_default())?;
    let event = face.handset.entered(&edit)?;
    let what = describe::event(&event, face.now()?, &face.zone_at(Some(&unit))?);
    let question = format!("Take back {}, {what}. Why?", unit.name);
    let reason = face.answer(take_back.reason.as_deref(), "--reason", &question, |text| {
        if text.trim().is_empty() {
            Err("Say why: it stays on record.".to_owned())
        } else {
            Ok(text.trim().to_owned())
        }
    })?;
    let members = json!({"kind": "correction", "action": "void", "target_id": edit.id, "reason": reason});
    let event = face.event(&unit, &Common::default(), members)?;
    let saved = face.save(&unit, event, &Common::default())?;
    let mut page = face.page();
    page.line(super::page::Tone::Good, &format!("Taken back: {}, {what}.", unit.name));
    face.say(&page, [saved.line()])?;
    Ok(ExitCode::SUCCESS)
}

/// The entry that is meant, if it can be taken back.
fn find(face: &mut Face<'_>, given: &str) -> Result<(StoredEdit, EditText)> {
    let edit = queue::entry(face, given)?;
    let text = EditText::read(&edit.text)?;
    let is_correction = text.body.get("kind").is_some_and(|kind| kind == "correction");
    let in_the_way = if edit.state == State::Refused {
        "It was refused, and counts for nothing already. To see it no more: drop"
    } else if text.kind != "service_event" {
        "Only what happened can be taken back. Set the field anew."
    } else if is_correction {
        "That takes something back itself. Enter it anew."
    } else {
        return Ok((edit, text));
    };
    Err(Trouble::Other(in_the_way.to_owned()).into())
}
