//! Taking an answer: results first, then changes in their order, then the cursor, all in one transaction. So a page is a
//! checkpoint: whatever stops the device, the page was taken as a whole or is asked for again.

use model::{EditId, Instant, SiteId, UnitId};
use serde::Deserialize;
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    copy::RecordCopy,
    disk::{
        At, Conn, Device, State, StoredRecord, device,
        edits::{self, Answered},
        photos, records,
    },
    error::{Error, Result},
    renumber,
    wire::{Action, Answer, Change, Echoed, EditText, Pull, Reset, Told},
};

/// What recorded edits are kept for after their answer: a service that was restored from a backup needs them again.
pub const KEPT_FOR_DAYS: i64 = 30;

/// What a request took along.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Sent {
    /// Under which enrolment.
    pub(crate) place: i64,
    /// The edits in the order in which they were sent.
    pub(crate) edits: Vec<(EditId, At)>,
    /// Whether they wait at the service and were offered again.
    pub(crate) offered: bool,
}

/// What came of taking an answer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Taken {
    /// How many edits had their first answer.
    pub(crate) first_answers: usize,
    /// How many changes were taken.
    pub(crate) changes: usize,
    /// How the pull stood; nothing where the answer was not about one.
    pub(crate) pull: Option<Pull>,
}

/// Takes an answer.
pub(crate) fn take(conn: &mut Conn, sent: &Sent, answer: &Answer, now: Instant) -> Result<Taken> {
    let mut device = device::load(conn)?;
    device.hear(answer.clock);
    device.limits = answer.limits;
    device.offset_micros = answer.offset_micros();
    // What is said of a number that does not hold any more is no news.
    let holds = sent.edits.is_empty() || sent.place == device::current(conn)?.place;
    device.forked |= answer.forked && holds;
    let first_answers = edits::unanswered(conn, sent.edits.iter().map(|(id, _)| *id))?;
    for ((id, at), told) in sent.edits.iter().zip(&answer.results) {
        result(conn, &device, *id, told.get(), now)?;
        if sent.offered {
            device.offered = device.offered.max(*at);
        }
    }
    // All have had their turn: it begins with the first again.
    if edits::behind(conn, &[State::Parked, State::Held], device.offered, 1)?.is_empty() {
        device.offered = (0, 0);
    }
    let taken = if answer.pull() == Pull::Reset(Reset::HandsetRevoked) && !holds {
        Taken::default()
    } else {
        pulled(conn, &mut device, answer)?
    };
    let given_away = answer.results.iter().any(|told| renumber::is_of_another(told.get()));
    device.forked |= given_away && holds;
    device::save(conn, &device)?;
    if given_away && !holds {
        let current = device::current(conn)?;
        renumber::renumber(conn, sent.place, current)?;
    }
    Ok(Taken { first_answers, ..taken })
}

/// Notes what became of an edit.
fn result(conn: &mut Conn, device: &Device, id: EditId, text: &str, now: Instant) -> Result<()> {
    let Some(own) = edits::find(conn, id)? else { return Ok(()) };
    let happened_at = own.happened(&EditText::read(&own.text)?, device);
    let told: Option<Told> = serde_json::from_str(text).ok();
    let state = match told.as_ref().map(|told| told.result.as_str()).unwrap_or_default() {
        "applied" | "already_applied" => State::Applied,
        "contested" => State::Contested,
        "held" => State::Held,
        "refused" => State::Refused,
        // Whatever a newer service calls it: it has the edit, and that is not its last word.
        _ => State::Parked,
    };
    let version = told.and_then(|told| told.version);
    edits::answer(conn, id, &Answered { state, version, result: text, at: now, happened_at })
}

fn pulled(conn: &mut Conn, device: &mut Device, answer: &Answer) -> Result<Taken> {
    let pull = answer.pull();
    let mut taken = Taken { pull: Some(pull), ..Taken::default() };
    match pull {
        Pull::Good => {}
        Pull::Reset(Reset::Restored) => {
            start_over(conn, device)?;
            return Ok(taken);
        }
        Pull::Reset(Reset::ScopeChanged) => {
            device.fill_afresh(answer.cursor.clone());
            records::all_stale(conn)?;
            return Ok(taken);
        }
        Pull::Reset(Reset::HandsetRevoked) => {
            device.revoked = true;
            device.more = false;
            device.cursor = answer.cursor.clone().or(device.cursor.take());
            return Ok(taken);
        }
        Pull::Unknown => {
            device.more = false;
            return Ok(taken);
        }
    }
    for change in &answer.changes {
        if !apply(conn, change)? {
            // Somebody else counts as this handset, and the copy may lack what they wrote: there are two of it.
            device.forked = true;
            start_over(conn, device)?;
            return Ok(taken);
        }
        taken.changes += 1;
    }
    device.more = answer.more;
    if answer.cursor.is_some() {
        device.cursor.clone_from(&answer.cursor);
        if device.filling && !answer.more {
            records::drop_stale(conn)?;
            device.filling = false;
        }
    }
    Ok(taken)
}

/// The service has lost rows, or the cursor is no good any more: all that is kept is offered again, and the copy filled
/// afresh, while the user goes on seeing it.
pub(crate) fn start_over(conn: &mut Conn, device: &mut Device) -> Result<()> {
    device.fill_afresh(None);
    records::all_stale(conn)?;
    photos::offer_again(conn)?;
    edits::offer_again(conn)
}

/// Takes a change over; says whether it could.
pub(crate) fn apply(conn: &mut Conn, change: &Change) -> Result<bool> {
    match change {
        Change::Record { kind, id, unit, text } => put(conn, kind, *id, *unit, text.clone())?,
        Change::Echo { kind, id, edits } => return echo(conn, kind, *id, edits),
        Change::Forget { kind, id } => records::forget(conn, kind, *id)?,
        Change::Unknown => {}
    }
    Ok(true)
}

/// Does to the copy what the service did with own edits; says whether all of them are.
fn echo(conn: &mut Conn, kind: &str, id: Uuid, echoed: &[Echoed]) -> Result<bool> {
    if records::is_stale(conn, kind, id)? {
        records::remove(conn, kind, id)?;
    }
    for Echoed { id: edit, version } in echoed {
        let Some(own) = edits::find(conn, *edit)? else { return Ok(false) };
        let known = records::find(conn, kind, id)?;
        let edit = EditText::read(&own.text)?;
        if kind == "service_event" {
            let recorded_at = own.result.as_deref().and_then(recorded_at);
            if let (None, Some(recorded_at)) = (known, recorded_at) {
                let unit = edit.body.get("unit_id").and_then(Value::as_str);
                let unit = unit.and_then(|unit| UnitId::parse(unit).ok());
                put(conn, kind, id, unit, event(&edit, recorded_at)?)?;
            }
            continue;
        }
        let mut copy = known.map(|known| RecordCopy::read(&known.text)).transpose()?.unwrap_or_default();
        // What it was not sent, since it was elsewhere when that was read, comes whole when it comes.
        if copy.version + 1 == *version && (edit.action == Action::Set || *version == 1) {
            copy.take(&edit, *version);
            put(conn, kind, id, None, copy.spelled()?.into_string())?;
        }
    }
    Ok(true)
}

/// When an event was recorded, by its result.
fn recorded_at(result: &str) -> Option<String> {
    serde_json::from_str::<Told>(result).ok()?.recorded_at
}

/// An own event as others are told it.
fn event(edit: &EditText, recorded_at: String) -> Result<String> {
    let mut event: Map<String, Value> = edit.body.clone();
    event.insert("id".to_owned(), Value::from(edit.id.to_string()));
    event.insert("author".to_owned(), Value::from(edit.author.to_string()));
    event.insert("recorded_at".to_owned(), Value::from(recorded_at));
    let text = proof::canonical(&Value::Object(event)).map_err(|e| Error::Unwritable(e.to_string()))?;
    Ok(text.into_string())
}

/// Kinds of events that bear on where a unit stands.
const MOVES: [&str; 3] = ["commissioning", "placement", "correction"];

/// Keeps a record as it was told, whatever it says: one that only a newer program can read is there all the same.
pub(crate) fn put(conn: &mut Conn, kind: &str, id: Uuid, unit: Option<UnitId>, text: String) -> Result<()> {
    #[derive(Deserialize)]
    struct Event {
        kind: String,
    }
    let mut new =
        StoredRecord { kind: kind.to_owned(), id, unit, text, home: None, retired: false, moves: false };
    match kind {
        "unit" | "site" => {
            if let Ok(copy) = RecordCopy::read(&new.text) {
                new.retired = copy.is_retired();
                let home = copy.fields.get("home_site_id").and_then(Value::as_str);
                new.home = home.and_then(|home| SiteId::parse(home).ok());
            }
        }
        "service_event" => {
            let event: Option<Event> = serde_json::from_str(&new.text).ok();
            new.moves = event.is_some_and(|event| MOVES.contains(&event.kind.as_str()));
        }
        _ => {}
    }
    records::put(conn, new)
}
