//! What the user sees: the copy, with the edits laid over it that are not in it yet.

use std::collections::BTreeMap;

use merge::{Base, FieldEdit, Record};
use model::EditId;
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    copy::{RecordCopy, Rival},
    disk::{Conn, Device, State, StoredEdit, StoredRecord, device, edits, records},
    error::{Error, Result},
    queue::Kind,
    wire::{EditText, Told},
};

/// A unit or site as its user sees it.
#[derive(Clone, Debug)]
pub struct View {
    /// Which of the two.
    pub kind: Kind,
    /// Which one.
    pub id: Uuid,
    /// The version of the copy; nought of one that was made here and is not recorded yet.
    pub version: u64,
    /// The own edits that are laid over the copy.
    pub waiting: Vec<EditId>,
    record: Record,
    contested: Vec<(String, Vec<Rival>)>,
}

impl View {
    /// The fields that have a value, as a GET tells them.
    #[must_use]
    pub fn fields(&self) -> Map<String, Value> {
        merge::nest(self.record.values())
    }

    /// Whether it is retired.
    #[must_use]
    pub fn is_retired(&self) -> bool {
        self.record.is_retired()
    }

    /// The fields about which people disagree, as far as nothing that waits here settles them, each with every value as it
    /// was told.
    pub fn contested(&self) -> impl Iterator<Item = (&str, &[Rival])> {
        let still = |(field, _): &&(String, Vec<Rival>)| self.record.is_contested(field);
        self.contested.iter().filter(still).map(|(field, rivals)| (field.as_str(), rivals.as_slice()))
    }

    /// The base of an edit that sets these fields, by somebody who was shown this.
    #[must_use]
    pub fn base(&self, fields: &Map<String, Value>) -> Base {
        let seen = self.record.seen();
        if fields.get(merge::RETIRED).is_some_and(|value| !value.is_null()) {
            return seen;
        }
        seen.only(&merge::flatten(fields.clone(), model::external::LISTS))
    }
}

/// A unit or site as its user sees it; none where there is none.
pub(crate) fn view(conn: &mut Conn, kind: Kind, id: Uuid) -> Result<Option<View>> {
    let told = records::find(conn, kind.as_str(), id)?;
    laid_over(kind, id, told.as_ref(), &edits::of_record(conn, kind.as_str(), id)?)
}

/// All units or sites that there are for the user, by id.
pub(crate) fn views(conn: &mut Conn, kind: Kind) -> Result<Vec<View>> {
    let told = records::of_kind(conn, kind.as_str())?;
    let told: BTreeMap<Uuid, StoredRecord> = told.into_iter().map(|told| (told.id, told)).collect();
    let mut own: BTreeMap<Uuid, Vec<StoredEdit>> = BTreeMap::new();
    for edit in edits::of_kind(conn, kind.as_str())? {
        own.entry(edit.record).or_default().push(edit);
    }
    let of = |id: Uuid| laid_over(kind, id, told.get(&id), own.get(&id).map_or(&[], Vec::as_slice));
    with_own(conn, kind, told.keys().copied().collect())?
        .into_iter()
        .filter_map(|id| of(id).transpose())
        .collect()
}

/// What was told of a record, with its own edits over it.
fn laid_over(
    kind: Kind,
    id: Uuid,
    told: Option<&StoredRecord>,
    edits: &[StoredEdit],
) -> Result<Option<View>> {
    let copy = told.map(|told| RecordCopy::read(&told.text)).transpose()?;
    let version = copy.as_ref().map_or(0, |copy| copy.version);
    let mut record = copy.as_ref().map(RecordCopy::record).unwrap_or_default();
    let contested = copy.map(|copy| copy.contested.into_iter().collect()).unwrap_or_default();
    let mut waiting = Vec::new();
    for own in edits {
        if is_over(own, version) {
            let edit = field_edit(&EditText::read(&own.text)?);
            record = merge::apply(record, &edit, |asked| asked != edit.edit).record;
            waiting.push(own.id);
        }
    }
    if told.is_none() && waiting.is_empty() {
        return Ok(None);
    }
    Ok(Some(View { kind, id, version, waiting, record, contested }))
}

/// Whether an own edit is laid over a copy of a version: it counts as far as is known, and is not in there.
fn is_over(own: &StoredEdit, version: u64) -> bool {
    !is_aside(own) && own.version.is_none_or(|with| with > version)
}

/// Whether an edit does not count by the last answer about it, also while it is offered again.
fn is_aside(own: &StoredEdit) -> bool {
    let told = || own.result.as_deref().and_then(|result| serde_json::from_str::<Told>(result).ok());
    match own.state {
        State::Held | State::Refused => true,
        State::Queued => told().is_some_and(|told| ["held", "refused"].contains(&told.result.as_str())),
        State::Parked | State::Applied | State::Contested => false,
    }
}

fn field_edit(edit: &EditText) -> FieldEdit {
    FieldEdit {
        edit: edit.id,
        effective: edit.stamp,
        raw: edit.stamp,
        fields: edit.fields(),
        base: edit.base.clone().unwrap_or_default(),
        chained: true,
    }
}

/// The ids of the units or sites that there are for the user, those included that were made here; retired ones, too.
pub(crate) fn ids(conn: &mut Conn, kind: Kind) -> Result<Vec<Uuid>> {
    let told = records::of_kind(conn, kind.as_str())?.iter().map(|told| told.id).collect();
    with_own(conn, kind, told)
}

/// These ids, which were told, with those of what was made here and is not told yet.
fn with_own(conn: &mut Conn, kind: Kind, mut ids: Vec<Uuid>) -> Result<Vec<Uuid>> {
    let own = edits::behind(
        conn,
        &[State::Queued, State::Parked, State::Applied, State::Contested],
        (0, 0),
        usize::MAX,
    )?;
    // What is recorded and not in the copy is out of sight, unless it is still to be told.
    let is_told = device::find(conn)?.is_none_or(|device| !device.more && !device.filling);
    let made = own.iter().filter(|own| own.kind == kind.as_str() && own.record == own.id.uuid());
    ids.extend(made.filter(|own| !(own.state.is_recorded() && is_told)).map(|own| own.record));
    ids.sort_unstable();
    ids.dedup();
    Ok(ids)
}

/// A service event as its user sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct EventView {
    /// Its id.
    pub id: Uuid,
    /// What was told of it, or entered here; then with `happened_at`, as it will be told, where its time is put right.
    pub event: Value,
    /// Where it stands, of one that was entered here and is not in the copy.
    pub state: Option<State>,
}

/// The events of a unit: those of the copy, and those that were entered here and are not in it, by id.
pub(crate) fn events(conn: &mut Conn, unit: model::UnitId) -> Result<Vec<EventView>> {
    let read = |text: &str| serde_json::from_str(text).map_err(|e| Error::corrupt("service event")(&e));
    let mut events = Vec::new();
    for told in records::events_of(conn, unit)? {
        events.push(EventView { id: told.id, event: read(&told.text)?, state: None });
    }
    let device = device::find(conn)?;
    let open = [State::Queued, State::Parked, State::Applied, State::Held];
    for own in edits::behind(conn, &open, (0, 0), usize::MAX)? {
        let refused = own.state != State::Held && is_aside(&own);
        if own.kind != "service_event" || refused || events.iter().any(|event| event.id == own.record) {
            continue;
        }
        let text = EditText::read(&own.text)?;
        if text.body.get("unit_id").and_then(Value::as_str) == Some(unit.to_string().as_str()) {
            let event = Value::Object(written(&own, text, device.as_ref()));
            events.push(EventView { id: own.record, event, state: Some(own.state) });
        }
    }
    events.sort_by_key(|event| event.id);
    Ok(events)
}

/// An event that was entered here: as it was told where it is in the copy, else as it was written.
pub(crate) fn entered(conn: &mut Conn, own: &StoredEdit) -> Result<Map<String, Value>> {
    if let Some(told) = records::find(conn, &own.kind, own.record)? {
        return serde_json::from_str(&told.text).map_err(|e| Error::corrupt("service event")(&e));
    }
    Ok(written(own, EditText::read(&own.text)?, device::find(conn)?.as_ref()))
}

/// An event as it was written, with its id, and when it happened where its time is put right.
fn written(own: &StoredEdit, text: EditText, device: Option<&Device>) -> Map<String, Value> {
    let happened_at = device.and_then(|device| own.happened(&text, device));
    let mut body = text.body;
    body.insert("id".to_owned(), Value::from(own.record.to_string()));
    if let Some(at) = happened_at {
        body.insert("happened_at".to_owned(), Value::from(at.to_string()));
    }
    body
}
