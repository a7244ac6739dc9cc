//! `sites`: the sites that are his to see.

use std::process::ExitCode;

use anyhow::Result;
use serde_json::json;

use super::{Face, describe::many, page::Tone};

pub(crate) fn run(face: &mut Face<'_>) -> Result<ExitCode> {
    let (sites, units) = (face.sites()?, face.units()?);
    let here = face.handset.device()?.at_site.map(|site| site.uuid());
    let mut page = face.page();
    page.title(&format!("{}, {}", many(sites.len(), "site"), face.as_of()?));
    let mut lines = Vec::new();
    for site in &sites {
        let homes =
            units.iter().filter(|unit| unit.home().is_some_and(|home| home.uuid() == site.id)).count();
        let is_here = here == Some(site.id);
        let (mark, said) = if is_here { ("*", ", you are here") } else { ("-", "") };
        page.item(mark, Tone::Plain, &format!("{}: {}{said}", site.name, many(homes, "unit")));
        lines.push(json!({"id": site.id, "name": site.name, "units": homes, "here": is_here}));
    }
    if sites.is_empty() {
        page.line(Tone::Plain, "There is none here. Sync first.");
    }
    face.say(&page, lines)?;
    Ok(ExitCode::SUCCESS)
}
