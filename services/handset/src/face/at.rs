//! `at`: where he stands, which lists go by until he says otherwise.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use model::SiteId;
use serde_json::json;

use super::{Face, Trouble, page::Tone};

#[derive(Args)]
pub(crate) struct At {
    /// The site: its name, or how it or its id begins. Without it the answer is where that is.
    site: Option<String>,
    /// Nowhere any more.
    #[arg(long, conflicts_with = "site")]
    nowhere: bool,
}

pub(crate) fn run(face: &mut Face<'_>, at: &At) -> Result<ExitCode> {
    let site = if at.nowhere { None } else { face.site_or_here(at.site.as_deref())? };
    if at.nowhere || at.site.is_some() {
        let site = site.as_ref().map(|site| SiteId::from_uuid(site.id));
        face.handset.stand_at(site).map_err(Trouble::NotSaved)?;
    }
    let mut page = face.page();
    match &site {
        Some(site) => page.line(Tone::Title, &format!("You are at {}.", site.name)),
        None => page.line(Tone::Plain, "You are at no site. Say: at SITE"),
    }
    let line =
        json!({"site_id": site.as_ref().map(|site| site.id), "name": site.as_ref().map(|site| &site.name)});
    face.say(&page, [line])?;
    Ok(ExitCode::SUCCESS)
}
