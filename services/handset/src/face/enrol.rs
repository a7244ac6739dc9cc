//! `enrol`: the handset is made known to the service.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use handset::{Device, Ended, Outside};
use model::PersonId;
use serde_json::json;

use super::{
    Face, Trouble,
    page::Tone,
    patience::Patience,
    sync::{self, Signed},
};
use crate::machine::Given;

#[derive(Args)]
pub(crate) struct Enrol {
    /// Where the service is.
    #[arg(long)]
    service: Option<String>,
    /// What its people call it.
    #[arg(long)]
    name: Option<String>,
    /// Who signs in.
    #[arg(long)]
    person: Option<String>,
    #[command(flatten)]
    signed: Signed,
}

pub(crate) fn run(face: &mut Face<'_>, enrol: Enrol) -> Result<ExitCode> {
    let service = face.answer(enrol.service.as_deref(), "--service", "Where is the service?", address)?;
    let name = face.answer(enrol.name.as_deref(), "--name", "What is this handset called?", not_empty)?;
    let person = |text: &str| PersonId::parse(text.trim()).map_err(|flaw| flaw.detail);
    let person = face.answer(enrol.person.as_deref(), "--person", "Your id?", person)?;
    let code = match enrol.signed.code {
        Some(code) => Some(code),
        None => face.answer_if_any(None, "--code", "The coordinator's code?", not_empty)?,
    };
    let device = Device::new(&service, &name, person, face.boot_mark);
    let mut given = Given { token: enrol.signed.token, code };
    let mut around = Patience {
        around: &mut *face.around,
        screen: face.screen,
        beside: (!face.json).then_some(&mut *face.beside),
    };
    let outside = Outside { around: &mut around, people: &mut given, wire: &mut *face.wire };
    let synced = face.handset.enrol(device, outside).map_err(Trouble::NotSaved)?;
    if synced.ended != Ended::Done {
        return sync::ended(face, &synced);
    }
    let words = format!("{name} is enrolled. Next: sync");
    let mut page = face.page();
    page.line(Tone::Good, &words);
    face.say(&page, [json!({"done": true, "words": words})])?;
    Ok(ExitCode::SUCCESS)
}

fn address(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.starts_with("https://") || text.starts_with("http://") {
        Ok(text.to_owned())
    } else {
        Err("Type it like https://keepstart.example.".to_owned())
    }
}

fn not_empty(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() { Err("It is missing.".to_owned()) } else { Ok(text.to_owned()) }
}
