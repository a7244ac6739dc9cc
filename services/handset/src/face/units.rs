//! `units`: those of a site, or all.

use std::process::ExitCode;

use anyhow::Result;
use clap::Args;
use serde_json::json;

use super::{
    Face,
    describe::many,
    find::{Named, stands_at, text},
    page::Tone,
};

#[derive(Args)]
pub(crate) struct Units {
    /// The site; without it where he stands.
    site: Option<String>,
    /// Those of all sites.
    #[arg(long, conflicts_with = "site")]
    all: bool,
}

pub(crate) fn run(face: &mut Face<'_>, units: &Units) -> Result<ExitCode> {
    let site = if units.all { None } else { face.site_or_here(units.site.as_deref())? };
    let mut found = face.units()?;
    if let Some(site) = &site {
        let (now, records) = (face.now()?, face.records()?);
        found.retain(|unit| stands_at(&records, unit, now).is_some_and(|at| at.uuid() == site.id));
    }
    let mut page = face.page();
    let at = site.as_ref().map_or("all sites", |site| site.name.as_str());
    page.title(at);
    page.line(Tone::Quiet, &format!("{}, {}", many(found.len(), "unit"), face.as_of()?));
    for unit in &found {
        let is_alone = found.iter().filter(|other| other.name == unit.name).count() == 1;
        let on_loan =
            site.as_ref().is_some_and(|site| unit.home().is_some_and(|home| home.uuid() != site.id));
        page.item("-", Tone::Plain, &described(unit, is_alone, on_loan));
    }
    let lines =
        found.iter().map(|unit| json!({"id": unit.id, "label": unit.name, "home_site_id": unit.home()}));
    face.say(&page, lines.collect::<Vec<_>>())?;
    Ok(ExitCode::SUCCESS)
}

/// A unit with what stands on its plate; of several by one name with its id.
fn described(unit: &Named, is_alone: bool, on_loan: bool) -> String {
    let plate = ["maker", "model", "serial", "fuel"].iter().filter_map(|member| text(&unit.fields, member));
    let mut said: Vec<String> = plate.map(str::to_owned).collect();
    if !is_alone {
        said.push(unit.id.to_string());
    }
    if on_loan {
        said.push("on loan here".to_owned());
    }
    if said.is_empty() { unit.name.clone() } else { format!("{}: {}", unit.name, said.join(", ")) }
}
