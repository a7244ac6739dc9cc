//! `sign-in`: somebody else takes the device; they are the author of what is entered from now on.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use model::PersonId;
use serde_json::json;

use super::{Face, Trouble, page::Tone};

#[derive(Args)]
pub(crate) struct SignIn {
    /// Their id.
    person: String,
}

pub(crate) fn run(face: &mut Face<'_>, sign_in: &SignIn) -> Result<ExitCode> {
    let read = |text: &str| PersonId::parse(text.trim()).map_err(|flaw| flaw.detail);
    let person = face.answer(Some(&sign_in.person), "PERSON", "", read)?;
    face.handset.sign_in(person).map_err(Trouble::NotSaved)?;
    let mut page = face.page();
    page.line(Tone::Good, "You are signed in. Sync with your own token.");
    face.say(&page, [json!({"person": person})])?;
    Ok(ExitCode::SUCCESS)
}
