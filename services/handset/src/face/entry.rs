//! What somebody enters about a unit: read as strictly as the service does, then written down.

use std::{
    io,
    path::{Path, PathBuf},
};

use anyhow::Result;
use clap::Args;
use handset::NewPhoto;
use model::{EventId, event::ServiceEvent, read};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::{
    Face, Trouble, describe,
    find::Named,
    meter,
    page::{Page, Tone},
    when,
};

/// An id that no event has: the greatest, so that of two at one instant it is the later.
const NOT_YET: Uuid = Uuid::from_u128(0xffff_ffff_ffff_7fff_bfff_ffff_ffff_fffe);

/// What can be said of anything that happened.
#[derive(Args, Default)]
pub(crate) struct Common {
    /// When it happened, such as 14:30, "yesterday 14:30" or 2026-06-15; without it now, by the device's clock.
    #[arg(long)]
    when: Option<String>,
    /// Anything else about it.
    #[arg(long)]
    note: Option<String>,
    /// A photo or paper of it (JPEG, PNG or PDF); as often as there are some.
    #[arg(long, value_name = "FILE")]
    photo: Vec<PathBuf>,
}

/// What was written down.
pub(super) struct Saved {
    pub(super) id: EventId,
    pub(super) event: Map<String, Value>,
    pub(super) words: String,
    /// What is doubtful about it.
    warnings: Vec<Value>,
    /// How many photos go with it.
    photos: usize,
}

impl Face<'_> {
    /// The members of an event of a unit, with when it happened.
    pub(super) fn event(
        &mut self,
        unit: &Named,
        common: &Common,
        members: Value,
    ) -> Result<Map<String, Value>> {
        let zone = self.zone_at(Some(unit))?;
        let mut event = match &common.when {
            None => when::by_the_clock(self.clock(), &zone),
            Some(text) => {
                let unreadable = |why| Trouble::Unreadable { flag: "--when".to_owned(), why };
                when::typed(text, self.now()?, &zone).map_err(unreadable)?
            }
        };
        event.insert("unit_id".to_owned(), json!(unit.id));
        if let Some(note) = &common.note {
            event.insert("note".to_owned(), json!(note));
        }
        if let Value::Object(members) = members {
            event.extend(members.into_iter().filter(|(_, value)| !value.is_null()));
        }
        Ok(event)
    }

    /// Writes an event down with its photos, if the service would read it.
    pub(super) fn save(&mut self, unit: &Named, event: Map<String, Value>, common: &Common) -> Result<Saved> {
        check(&event)?;
        let photos = common.photo.iter().map(|file| photo(file)).collect::<Result<Vec<_>, Trouble>>()?;
        let (now, zone) = (self.now()?, self.zone_at(Some(unit))?);
        let counts = when::put_right(&event, &self.handset.device()?);
        let words = format!("{}, {}", self.told(unit)?, describe::event(&counts, now, &zone));
        let warnings = meter::doubts(self, when::counted(counts))?;
        let taken = photos.len();
        let id = self
            .handset
            .write_with_photos(&mut *self.around, event.clone(), photos)
            .map_err(Trouble::NotSaved)?;
        Ok(Saved { id: id.cast(), event, words, warnings, photos: taken })
    }

    /// The page that says so.
    pub(super) fn saved(&self, saved: &Saved) -> Page {
        let mut page = self.page();
        page.line(Tone::Good, &format!("Saved: {}.", saved.words));
        for warning in saved.warnings.iter().filter_map(|warning| warning.get("detail")?.as_str()) {
            page.item("!", Tone::Warning, warning);
        }
        if saved.photos > 0 {
            page.under(
                Tone::Plain,
                &format!("{}, sent after the records", describe::many(saved.photos, "photo")),
            );
        }
        page
    }
}

impl Saved {
    /// The same for scripts.
    pub(super) fn line(&self) -> Value {
        json!({"id": self.id, "event": self.event, "words": format!("Saved: {}.", self.words), "warnings": self.warnings,
            "photos": self.photos})
    }
}

/// Refuses what the service would refuse to read, so that it is put right while its author is there.
fn check(event: &Map<String, Value>) -> Result<(), Trouble> {
    let errors = match read::whole(&with_an_id(event.clone()), read::Mode::New, ServiceEvent::read) {
        Ok(_) => return Ok(()),
        Err(errors) => errors,
    };
    let said = errors.iter().map(|error| {
        let member = error.pointer.as_deref().unwrap_or_default().trim_start_matches('/');
        format!("{}: {}", member.replace('_', " "), error.detail)
    });
    Err(Trouble::Other(format!("Nothing was saved. {}", said.collect::<Vec<_>>().join(" "))))
}

/// A photo as it was taken. Its file's name tells others nothing.
fn photo(file: &Path) -> Result<NewPhoto, Trouble> {
    let name = file.file_name().unwrap_or_default().to_string_lossy();
    let wrong =
        |why: String| Trouble::Unreadable { flag: "--photo".to_owned(), why: format!("{name}: {why}") };
    let failed = |error: io::Error| match error.kind() {
        io::ErrorKind::NotFound => wrong("There is no such file.".to_owned()),
        _ => wrong(format!("{error}.")),
    };
    if std::fs::metadata(file).map_err(failed)?.len() > blob::BYTES_MOST {
        return Err(wrong(blob::Refused::TooLarge.to_string()));
    }
    let bytes = std::fs::read(file).map_err(failed)?;
    // What is left out of it is left out when it is kept; here whoever took it is told what is wrong.
    blob::stripped(&bytes).map_err(|refused| wrong(refused.to_string()))?;
    Ok(NewPhoto { bytes, name: None })
}

/// An event as it is looked at before it is written down and has its id.
pub(super) fn with_an_id(mut event: Map<String, Value>) -> Value {
    event.insert("id".to_owned(), json!(NOT_YET));
    Value::Object(event)
}

/// Sets a member of an object.
pub(super) fn insert(members: &mut Value, name: &str, value: Value) {
    if let Some(members) = members.as_object_mut() {
        members.insert(name.to_owned(), value);
    }
}

/// A number as it is typed; its bounds are the model's.
pub(super) fn number(text: &str) -> Result<Value, String> {
    let text = text.trim();
    let plain = !text.is_empty() && text.chars().all(|c| c.is_ascii_digit() || c == '.');
    let found = plain.then(|| serde_json::from_str::<Value>(text).ok()).flatten();
    found.ok_or_else(|| format!("\"{text}\" is no number. Type it like 12.5."))
}

/// Hours as they are typed: 231.5, or 231:30.
pub(super) fn hours(text: &str) -> Result<model::Hours, String> {
    model::Hours::read(&json!(text.trim())).map_err(|flaw| flaw.detail)
}

/// Hours as they are sent.
pub(super) fn sent(hours: model::Hours) -> Value {
    if hours.seconds() % 36 == 0 {
        return json!(hours);
    }
    json!(format!("{}:{:02}", hours.seconds() / 3600, hours.seconds() / 60 % 60))
}

/// One of some words, by its beginning.
pub(super) fn word<'w>(text: &str, among: &[&'w str]) -> Result<&'w str, String> {
    let text = text.trim().to_lowercase().replace([' ', '-'], "_");
    let found: Vec<&str> =
        among.iter().copied().filter(|word| !text.is_empty() && word.starts_with(&text)).collect();
    match found.as_slice() {
        [only] => Ok(only),
        _ => Err(format!("Type one of: {}.", among.join(", "))),
    }
}

/// A yes or a no.
pub(super) fn yes(text: &str) -> Result<bool, String> {
    word(text, &["yes", "no"]).map(|word| word == "yes")
}

impl Common {
    /// Whether it was said when it happened.
    pub(super) fn is_dated(&self) -> bool {
        self.when.is_some()
    }

    /// It happened then, as was said otherwise.
    pub(super) fn happened(&mut self, when: String) {
        self.when = Some(when);
    }
}
