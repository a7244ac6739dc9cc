//! `show`: a unit or site as he sees it, with what happened last.

use std::process::ExitCode;

use anyhow::{Result, anyhow};
use clap::{Args, ValueEnum};
use handset::{Kind, View};
use model::UnitId;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::{
    Face, describe,
    find::Named,
    page::{Page, Tone},
    story,
};

/// So many events are shown at most.
const LAST: usize = 5;

#[derive(Args)]
pub(crate) struct Show {
    /// Which of the two.
    kind: KindWord,
    /// Which one: its name, or how it or its id begins.
    which: String,
}

#[derive(Clone, Copy, Deserialize, ValueEnum)]
#[serde(rename_all = "snake_case")]
pub(crate) enum KindWord {
    Unit,
    Site,
}

impl From<KindWord> for Kind {
    fn from(word: KindWord) -> Self {
        match word {
            KindWord::Unit => Self::Unit,
            KindWord::Site => Self::Site,
        }
    }
}

pub(crate) fn run(face: &mut Face<'_>, show: &Show) -> Result<ExitCode> {
    let kind = Kind::from(show.kind);
    // Scripts name a retired one by its id, too.
    let id = match uuid::Uuid::try_parse(&show.which) {
        Ok(id) => id,
        Err(_) if kind == Kind::Unit => face.unit(&show.which)?.id,
        Err(_) => face.site(&show.which)?.id,
    };
    let view = face.handset.view(kind, id)?.ok_or_else(|| anyhow!("there is no such record here"))?;
    let mut page = face.page();
    let fields = view.fields();
    let name = fields.get("label").or_else(|| fields.get("name")).map(describe::value_of);
    page.title(&name.unwrap_or_else(|| id.to_string()));
    page.line(Tone::Quiet, &face.as_of()?);
    put_fields(&mut page, &view);
    if kind == Kind::Unit {
        let unit = Named { id, name: String::new(), fields, is_typed_whole: true };
        put_story(face, &mut page, &unit)?;
    }
    face.say(&page, [line(&view)])?;
    Ok(ExitCode::SUCCESS)
}

fn put_fields(page: &mut Page, view: &View) {
    for (field, value) in merge::flatten(view.fields(), model::external::LISTS) {
        let said = match (&value, field.as_str()) {
            (_, "label" | "name" | "home_site_id") | (Value::Array(_) | Value::Object(_), _) => continue,
            (value, _) => describe::value_of(value),
        };
        let contested = view.contested().any(|(name, _)| name == field);
        let (tone, mark) = if contested { (Tone::Warning, " (contested)") } else { (Tone::Plain, "") };
        page.item("-", tone, &format!("{}: {said}{mark}", describe::words(&field)));
    }
}

/// What hangs on it, what is wrong with it, and what happened last.
fn put_story(face: &mut Face<'_>, page: &mut Page, unit: &Named) -> Result<()> {
    let story = face.story(UnitId::from_uuid(unit.id))?;
    let (now, zone) = (face.now()?, face.zone_at(Some(unit))?);
    let open = story::tags(&story).into_iter().chain(story::findings(&story));
    for happened in open {
        page.item("!", Tone::Alarm, &describe::event(&happened.event, now, &zone));
    }
    if !story.is_empty() {
        page.title("Last");
    }
    for happened in story.iter().rev().take(LAST) {
        page.item("-", Tone::Plain, &describe::event(&happened.event, now, &zone));
    }
    Ok(())
}

fn line(view: &View) -> Value {
    let told = |rivals: &[handset::Rival]| rivals.iter().map(|rival| rival.told.clone()).collect();
    let contested: Map<String, Value> =
        view.contested().map(|(field, rivals)| (field.to_owned(), told(rivals))).collect();
    json!({"id": view.id, "version": view.version, "fields": view.fields(), "contested": contested, "waiting": view.waiting})
}
