//! Photos and papers: what is kept of them when what names them is written down, and what their people read of them.

use std::collections::BTreeSet;

use blob::{name_of, stripped};
use model::{
    BlobHash, EditId, UnitId,
    blob::{ATTACHMENTS, ATTACHMENTS_MOST},
    text::Label,
};
use serde_json::{Map, Value, json};

use crate::{
    disk::{
        Conn, State, device,
        photos::{self, PhotoState, StoredPhoto},
    },
    error::{Error, Result},
    outside::Surroundings,
    queue::{self, Wish},
    wire::Problem,
};

/// A photo or paper as it was taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewPhoto {
    /// Its bytes, as a camera or scanner made them.
    pub bytes: Vec<u8>,
    /// How people call it.
    pub name: Option<String>,
}

/// A photo as it goes: without what it tells beside the picture.
struct Ready {
    photo: StoredPhoto,
    bytes: Vec<u8>,
    named: Value,
}

/// Writes down an event that names photos, and keeps these, in one transaction.
pub(crate) fn write(
    conn: &mut Conn,
    around: &mut dyn Surroundings,
    mut event: Map<String, Value>,
    new: Vec<NewPhoto>,
) -> Result<EditId> {
    let unit = unit_of(&event)?;
    let author = device::load(conn)?.person;
    let ready: Vec<Ready> = new.into_iter().map(ready).collect::<Result<_>>()?;
    name_all(&mut event, &ready)?;
    let written = queue::write(conn, around, vec![Wish::Event(event)])?;
    let edit =
        written.first().copied().ok_or_else(|| Error::Unwritable("there is nothing to write".to_owned()))?;
    for Ready { photo, bytes, .. } in ready {
        photos::save(conn, &StoredPhoto { author: Some(author), ..photo.clone() })?;
        photos::fill(conn, &photo.sha256, &bytes)?;
        photos::note_use(conn, &photo.sha256, edit, unit)?;
    }
    Ok(edit)
}

/// Adds photos to those that an event names, each once: an edit that the service would refuse is not even written.
fn name_all(event: &mut Map<String, Value>, ready: &[Ready]) -> Result<()> {
    if ready.is_empty() && !event.contains_key(ATTACHMENTS) {
        return Ok(());
    }
    let named = event.entry(ATTACHMENTS).or_insert_with(|| json!([]));
    let named = named.as_array_mut().ok_or_else(|| Error::Unwritable("attachments are a list".to_owned()))?;
    named.extend(ready.iter().map(|one| one.named.clone()));
    let mut known = BTreeSet::new();
    named.retain(|one| {
        one.get("sha256").and_then(Value::as_str).is_none_or(|name| known.insert(name.to_owned()))
    });
    if named.len() > ATTACHMENTS_MOST {
        return Err(Error::Unwritable(format!("an entry has {ATTACHMENTS_MOST} photos at most")));
    }
    Ok(())
}

fn unit_of(event: &Map<String, Value>) -> Result<UnitId> {
    let unit = event.get("unit_id").and_then(Value::as_str).and_then(|unit| UnitId::parse(unit).ok());
    unit.ok_or_else(|| Error::Unwritable("a photo belongs to what happened to a unit".to_owned()))
}

fn ready(new: NewPhoto) -> Result<Ready> {
    let (media_type, kept) = stripped(&new.bytes)?;
    let sha256 = name_of(&kept.bytes);
    let mut named = json!({"sha256": sha256, "media_type": media_type});
    if let (Some(members), Some(name)) = (named.as_object_mut(), new.name) {
        Label::parse(&name)
            .map_err(|flaw| Error::Unwritable(format!("the name of a photo: {}", flaw.detail)))?;
        members.insert("name".to_owned(), Value::from(name));
    }
    let bytes = u64::try_from(kept.bytes.len()).map_err(|e| Error::Unwritable(e.to_string()))?;
    let photo = StoredPhoto {
        sha256,
        media_type: Some(media_type),
        bytes: Some(bytes),
        state: PhotoState::Waiting,
        author: None,
        problem: None,
        settled_at: None,
    };
    Ok(Ready { photo, bytes: kept.bytes, named })
}

/// Has a photo of others fetched that an event about a unit names, unless it is here.
pub(crate) fn wish(conn: &mut Conn, sha256: BlobHash, event: EditId, unit: UnitId) -> Result<()> {
    if photos::find(conn, &sha256)?.is_none() {
        let wished = StoredPhoto {
            sha256,
            media_type: None,
            bytes: None,
            state: PhotoState::Wished,
            author: None,
            problem: None,
            settled_at: None,
        };
        photos::save(conn, &wished)?;
    }
    photos::note_use(conn, &sha256, event, unit)
}

/// The bytes of a photo, if all of them are here.
pub(crate) fn bytes(conn: &mut Conn, sha256: &BlobHash) -> Result<Option<Vec<u8>>> {
    match photos::find(conn, sha256)? {
        Some(photo) if photo.state != PhotoState::Wished => photos::bytes(conn, sha256).map(Some),
        _ => Ok(None),
    }
}

/// Whether a photo is named by something that counts or may still do so. What is refused is not shown to others, so its photo has
/// nobody to go to.
pub(crate) fn is_named(uses: &[photos::Use]) -> bool {
    uses.iter().any(|one| one.state != Some(State::Refused))
}

/// Whether nothing that names a photo is still on its way.
pub(crate) fn is_settled(uses: &[photos::Use]) -> bool {
    uses.iter().all(|one| one.state.is_none_or(|state| state.is_recorded() || state == State::Refused))
}

/// What the people of a handset read about a photo.
#[must_use]
pub fn words(photo: &StoredPhoto) -> String {
    let said = photo.problem.as_deref().and_then(|text| serde_json::from_str::<Problem>(text).ok());
    let said = said.map(|problem| problem.detail.unwrap_or(problem.title)).filter(|text| !text.is_empty());
    match (photo.state, said) {
        (PhotoState::Waiting, None) => "Waits for a signal. Records go first.".to_owned(),
        (PhotoState::Waiting, Some(said)) => format!("Not sent yet. {said}"),
        (PhotoState::Sent, _) if photo.settled_at.is_none() => {
            "Sent. Kept here until its entry is recorded.".to_owned()
        }
        (PhotoState::Sent, _) => "Sent.".to_owned(),
        (PhotoState::Refused, None) => "Not taken. Take another one.".to_owned(),
        (PhotoState::Refused, Some(said)) => format!("Not taken. {said}"),
        (PhotoState::Wished, None) => "Comes with the next sync.".to_owned(),
        (PhotoState::Wished, Some(said)) => format!("Not here yet. {said}"),
        (PhotoState::Fetched, _) => "Here.".to_owned(),
    }
}
