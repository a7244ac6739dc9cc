//! `photos`: those that are kept here, with where each stands.

use std::process::ExitCode;

use anyhow::Result;
use handset::{PhotoState, StoredPhoto, words};
use serde_json::{Value, json};

use super::{Face, describe::many, page::Tone};

pub(crate) fn run(face: &mut Face<'_>) -> Result<ExitCode> {
    let photos = face.handset.photos()?;
    let mut page = face.page();
    let open = photos
        .iter()
        .filter(|photo| matches!(photo.state, PhotoState::Waiting | PhotoState::Refused))
        .count();
    page.title(&format!("{}, {open} not sent.", many(photos.len(), "photo")));
    for photo in &photos {
        let (mark, tone) =
            if photo.state == PhotoState::Refused { ("!", Tone::Alarm) } else { ("-", Tone::Plain) };
        page.item(mark, tone, &format!("{}: {}", size(photo), words::photo(photo)));
    }
    face.say(&page, photos.iter().map(line).collect::<Vec<_>>())?;
    Ok(ExitCode::SUCCESS)
}

fn size(photo: &StoredPhoto) -> String {
    photo.bytes.map_or_else(|| "of others".to_owned(), |bytes| format!("{} kB", bytes.div_ceil(1000)))
}

fn line(photo: &StoredPhoto) -> Value {
    json!({"sha256": photo.sha256, "media_type": photo.media_type, "bytes": photo.bytes, "state": photo.state.as_str(),
        "words": words::photo(photo)})
}
