//! `drop`: he has seen that an entry was refused, and wants it no more.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use handset::State;
use serde_json::json;

use super::{Face, Trouble, entry::yes, page::Tone, queue};

#[derive(Args)]
pub(crate) struct Drop {
    /// The entry: its number in the queue, such as 17, or its id.
    entry: String,
    /// Without a question.
    #[arg(long)]
    yes: bool,
}

pub(crate) fn run(face: &mut Face<'_>, drop: &Drop) -> Result<ExitCode> {
    let edit = queue::entry(face, &drop.entry)?;
    if edit.state != State::Refused {
        let words = "Only what was refused can be dropped. To have something count no more: take-back";
        return Err(Trouble::Other(words.to_owned()).into());
    }
    let given = drop.yes.then_some("yes");
    if !face.answer(given, "--yes", "Nobody else has it. Drop it: yes or no?", yes)? {
        return Err(Trouble::Stopped.into());
    }
    face.handset.drop_refused(edit.id).map_err(Trouble::NotSaved)?;
    let mut page = face.page();
    page.line(Tone::Plain, "Dropped.");
    face.say(&page, [json!({"id": edit.id, "dropped": true})])?;
    Ok(ExitCode::SUCCESS)
}
