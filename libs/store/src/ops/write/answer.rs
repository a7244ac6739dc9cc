//! What the author of an edit is answered.

use std::collections::{BTreeMap, BTreeSet, btree_map::Entry};

use merge::{Flag, Reason};
use model::{
    Instant, Zone,
    edit::{RecordKind, Target},
    event::{Adoption, Details},
    time::Occurred,
};
use serde_json::Value;

use super::super::super::Conn;
use super::super::{
    editions, events,
    log::{self, LogRow},
    model_adoptions,
    private_texts::{self, Texts},
    records, replay,
    units::{self, Context},
};
use super::{
    Planned, Wrote,
    fold::{Answers, bears_on_others},
    judge::Judged,
};
use crate::{
    body::{HELD_FOR, held_flags},
    command::{Outcome, Warning, Written},
    error::{Result, StoreError},
    key::Key,
    sent::Fate,
    view::EditionView,
};

/// One outcome for each edit, in order.
pub(super) fn outcomes(
    conn: &mut Conn,
    organization: Key,
    judged: Vec<Judged>,
    planned: &[Planned],
    answers: &Answers,
) -> Result<Vec<Outcome>> {
    let told = Told::of(conn, organization, planned, answers)?;
    let mut then = DoubtsThen::new();
    let planned = |at: usize| planned.get(at).ok_or_else(|| StoreError::corrupt("plan")(&"a row is missing"));
    let outcome = |judged: Judged| match judged {
        Judged::Refused(refusal) => Ok(Outcome::Refused(refusal)),
        Judged::Planned(at) => {
            let planned = planned(at)?;
            match planned.wrote {
                Wrote::Held(_) => return waits(&planned.body.value),
                Wrote::Refusal => {
                    let flags = planned.flags.clone();
                    return Ok(Outcome::OfHandset(Fate::RefusedByPerson { flags }));
                }
                _ => {}
            }
            let written = new(conn, organization, planned, &told)?;
            Ok(if planned.row.handset.is_none() {
                Outcome::Applied(written)
            } else {
                let (contested, flags) = (planned.contested.clone(), planned.flags.clone());
                Outcome::OfHandset(Fate::Taken { written, contested, flags })
            })
        }
        Judged::HeldBefore(row) if row.row_kind == log::REFUSED => {
            let flags = noted(conn, organization, &row)?;
            Ok(Outcome::OfHandset(Fate::RefusedByPerson { flags }))
        }
        Judged::HeldBefore(row) => waits(&replay::body_of(&row)?),
        Judged::Parked(reason) => Ok(Outcome::OfHandset(Fate::Parked(reason))),
        Judged::Twin(at) => {
            if let Wrote::Held(_) = planned(at)?.wrote {
                return waits(&planned(at)?.body.value);
            }
            new(conn, organization, planned(at)?, &told).map(Outcome::AlreadyApplied)
        }
        Judged::Repeat(row) => {
            let written = repeated(conn, organization, &row, &mut then)?;
            if row.row_kind != log::RELEASED {
                return Ok(Outcome::AlreadyApplied(written));
            }
            let flags = noted(conn, organization, &row)?;
            Ok(Outcome::OfHandset(Fate::Released { written, flags }))
        }
    };
    judged.into_iter().map(outcome).collect()
}

/// What is said of an edit that waits for a person, by the body of its row.
fn waits(held: &Value) -> Result<Outcome> {
    let reason = held.get(HELD_FOR).and_then(Value::as_str).and_then(Reason::parse);
    let reason = reason.ok_or_else(|| StoreError::corrupt("log row")(&"it does not say why it is held"))?;
    Ok(Outcome::OfHandset(Fate::Held { reason, flags: held_flags(held) }))
}

/// What was noted of an edit that somebody has decided about: the row by which it was held says it.
fn noted(conn: &mut Conn, organization: Key, decided: &LogRow) -> Result<BTreeSet<Flag>> {
    let rows = log::all_of_edits(conn, organization, &[decided.edit_id])?;
    let held = rows.iter().find(|row| row.row_kind == log::HELD);
    Ok(held.map(replay::body_of).transpose()?.map(|body| held_flags(&body)).unwrap_or_default())
}

/// The private texts that these rows' answers show.
fn texts_of(conn: &mut Conn, organization: Key, planned: &[Planned]) -> Result<Texts> {
    let mut texts = Texts::new();
    let (mut shown, mut kept) = (Vec::new(), Vec::new());
    for planned in planned {
        for sealed in &planned.body.sealed {
            let text = (sealed.salt.to_vec(), String::from(&*sealed.text));
            texts.insert((planned.row.edit_id, sealed.pointer.clone()), text);
        }
        // The texts of an edit that was kept beside the log are there already.
        if planned.row.handset.is_some() && planned.body.sealed.is_empty() {
            kept.push(planned.row.edit_id);
        }
        if let Wrote::Record(target, stored) = &planned.wrote {
            shown.extend(records::sealing_edits(target.kind(), &stored.record));
        }
    }
    let own: Vec<Key> = planned.iter().map(|planned| planned.row.edit_id).collect();
    shown.retain(|edit| !own.contains(edit));
    shown.extend(kept);
    texts.extend(private_texts::of_edits(conn, organization, &shown)?);
    Ok(texts)
}

/// What answers are made of beside the rows.
struct Told<'p> {
    texts: Texts,
    answers: &'p Answers,
    /// The editions that this transaction brings.
    editions: Vec<&'p EditionView>,
}

impl<'p> Told<'p> {
    fn of(conn: &mut Conn, organization: Key, planned: &'p [Planned], answers: &'p Answers) -> Result<Self> {
        let edition = |planned: &'p Planned| match &planned.wrote {
            Wrote::Edition(view) => Some(view),
            _ => None,
        };
        let editions = planned.iter().filter_map(edition).collect();
        Ok(Self { texts: texts_of(conn, organization, planned)?, answers, editions })
    }
}

/// What a row of this transaction wrote.
fn new(conn: &mut Conn, organization: Key, planned: &Planned, told: &Told<'_>) -> Result<Written> {
    let Told { texts, answers, editions } = told;
    Ok(match &planned.wrote {
        Wrote::Record(target, stored) => {
            Written::Record(records::joined(target.kind(), target.uuid(), stored, texts))
        }
        Wrote::Edition(view) => Written::Edition(view.clone()),
        Wrote::Held(_) | Wrote::Refusal => {
            return Err(StoreError::corrupt("plan")(&"a held edit has written"));
        }
        Wrote::Event(event) => {
            let at = answers.placed.get(&event.id).copied().unwrap_or(Instant::FIRST);
            let view = events::view(found(planned, at), texts)?;
            let mut warnings: Vec<Warning> = answers.doubts.get(&event.id).cloned().unwrap_or_default();
            if let Details::Adoption(adoption) = &event.details {
                warnings.extend(out_of_force(conn, organization, editions, adoption, &event.occurred)?);
            }
            Written::Event(view, warnings)
        }
        Wrote::ModelAdoption(made) => {
            let view = events::view(found(planned, model_adoptions::place_of(made)), texts)?;
            let warnings = out_of_force(conn, organization, editions, &made.adoption, &made.occurred)?;
            Written::Event(view, warnings.into_iter().collect())
        }
    })
}

/// A new event as its row has it, which stands at `at` in time.
fn found(planned: &Planned, at: Instant) -> events::Found {
    let row = &planned.row;
    events::Found {
        id: row.record_id,
        unit: row.unit_id,
        occurred_at: at.micros(),
        body: planned.body.value.clone(),
        recorded_at: row.recorded_at,
        author: row.author,
        content_hash: row.content_hash.clone(),
    }
}

/// The adoption that an event's row tells of, for a unit or for a model, and when it was decided.
fn adoption_of(row: &LogRow) -> Result<Option<(Adoption, Occurred)>> {
    if row.unit_id.is_none() {
        let made = model_adoptions::read(&row.body)?;
        return Ok(Some((made.adoption, made.occurred)));
    }
    let event = events::read(&row.body, row.occurred_at)?;
    Ok(if let Details::Adoption(adoption) = event.details { Some((adoption, event.occurred)) } else { None })
}

/// What an earlier row wrote, as it was when the row was written: a repeat gets the first answer.
fn repeated(conn: &mut Conn, organization: Key, row: &LogRow, then: &mut DoubtsThen) -> Result<Written> {
    let gone = || StoreError::corrupt("log row")(&"what it wrote is missing");
    let target = match RecordKind::parse(&row.record_kind).ok_or_else(gone)? {
        RecordKind::ServiceEvent => {
            let view = events::find(conn, organization, row.record_id.id())?.ok_or_else(gone)?;
            let mut warnings = warnings_then(conn, organization, row, then)?;
            if let Some((adoption, occurred)) = adoption_of(row)? {
                warnings.extend(out_of_force(conn, organization, &[], &adoption, &occurred)?);
            }
            return Ok(Written::Event(view, warnings));
        }
        RecordKind::Edition => {
            return editions::find(conn, organization, row.record_id.id())?
                .map(Written::Edition)
                .ok_or_else(gone);
        }
        RecordKind::Organization => Target::Organization(row.record_id.id()),
        RecordKind::Site => Target::Site(row.record_id.id()),
        RecordKind::Schedule => Target::Schedule(row.record_id.id()),
        RecordKind::Unit => Target::Unit(row.record_id.id()),
        RecordKind::Person => Target::Person(row.record_id.id()),
        RecordKind::Grant => Target::Grant(row.record_id.id()),
        RecordKind::Handset => Target::Handset(row.record_id.id()),
        RecordKind::MailList => Target::MailList(row.record_id.id()),
        RecordKind::Recipient => Target::Recipient(row.record_id.id()),
        RecordKind::Incident => Target::Incident(row.record_id.id()),
        RecordKind::Promise => Target::Promise(row.record_id.id()),
    };
    let stored = replay::record(conn, organization, target, row.seq)?;
    records::view(conn, organization, target, &stored).map(Written::Record)
}

/// What was doubtful in a unit when a row was written, by unit and row; the events of a repeated batch share it.
type DoubtsThen = BTreeMap<(Key, i64), BTreeMap<Key, Vec<Warning>>>;

/// What was doubtful about an event when it was recorded.
fn warnings_then(
    conn: &mut Conn,
    organization: Key,
    row: &LogRow,
    then: &mut DoubtsThen,
) -> Result<Vec<Warning>> {
    let Some(unit) = row.unit_id else { return Ok(Vec::new()) };
    let through = log::last_of_group(conn, row)?;
    let found = match then.entry((unit, through)) {
        Entry::Occupied(known) => known.into_mut(),
        Entry::Vacant(free) => free.insert(doubts_then(conn, organization, unit, through)?),
    };
    Ok(found.get(&row.record_id).cloned().unwrap_or_default())
}

fn doubts_then(
    conn: &mut Conn,
    organization: Key,
    unit: Key,
    through: i64,
) -> Result<BTreeMap<Key, Vec<Warning>>> {
    let Some((unit, _)) = replay::unit(conn, organization, unit.id(), through)? else {
        return Ok(BTreeMap::new());
    };
    let context = Context::of_unit(conn, organization, &unit)?;
    let state = units::refold(&unit, &context)?;
    let mut found: BTreeMap<Key, Vec<Warning>> = BTreeMap::new();
    if unit.events.iter().any(|event| bears_on_others(&event.details)) {
        for (event, doubt) in units::doubts(&unit, &context)? {
            found.entry(Key::from(event)).or_default().push(Warning::of_event(doubt));
        }
    }
    for reading in state.set_aside() {
        found.entry(Key::from(reading.event_id)).or_default().push(Warning::of_reading(reading));
    }
    Ok(found)
}

/// An adoption from a day on which the edition's publisher does not have it in force.
fn out_of_force(
    conn: &mut Conn,
    organization: Key,
    brought: &[&EditionView],
    adoption: &Adoption,
    occurred: &Occurred,
) -> Result<Option<Warning>> {
    let found = match brought.iter().find(|view| view.id == adoption.edition_id) {
        Some(view) => Some((*view).clone()),
        None => editions::find(conn, organization, adoption.edition_id)?,
    };
    let Some(found) = found else { return Ok(None) };
    let from = adoption.effective_from.unwrap_or_else(|| occurred.when.date(&Zone::utc()));
    let begun = from >= found.edition.effective_from;
    let ended = found.edition.effective_until.is_some_and(|until| from >= until);
    Ok((!begun || ended).then(|| Warning {
        code: "edition_not_in_force",
        pointer: "/edition_id",
        detail: "The edition's own dates do not cover the day from which it is adopted; it holds for the unit all the same.".into(),
        suggested_meter_hours: None,
    }))
}
