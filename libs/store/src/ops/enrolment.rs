//! Enrolling handsets with codes that are good once.

use std::sync::Arc;

use diesel::prelude::*;
use model::{
    edit::{Action, Channel, Edit, Target},
    handset::HandsetNumber,
};
use serde_json::Value;

use super::super::Conn;
use super::{
    handsets,
    schema::{enrolment, handset_state},
    write,
};
use crate::{
    body::Body,
    command::{Command, Outcome, Proposal, Refusal},
    error::{Result, StoreError},
    handsets::{Code, Enrolled, Enrolment, Numbering},
    key::Key,
    locks::{Attempt, Locks},
    view::HandsetState,
};

/// How long a code is kept after it was made, so that an enrolment that is repeated finds its own.
const KEPT_SECONDS: i64 = 24 * 60 * 60;

/// Keeps a new code, and forgets those that have long been too old.
pub(crate) fn make_code(conn: &mut Conn, code: &Code) -> Result<()> {
    let organization = Key::from(code.organization);
    let old = code.made_at.plus_seconds(-KEPT_SECONDS).micros();
    let of_organization = enrolment::table.filter(enrolment::organization.eq(organization));
    diesel::delete(of_organization.filter(enrolment::made_at.lt(old))).execute(conn)?;
    diesel::insert_into(enrolment::table)
        .values((
            enrolment::organization.eq(organization),
            enrolment::code_hash.eq(code.hash.as_bytes().as_slice()),
            enrolment::made_by.eq(Key::from(code.made_by)),
            enrolment::made_at.eq(code.made_at.micros()),
            enrolment::expires_at.eq(code.expires_at.micros()),
        ))
        .execute(conn)?;
    Ok(())
}

/// Enrols a handset: its record, its state, and the code that is spent, all or none of them.
pub(crate) fn enrol(conn: &mut Conn, wanted: &Enrolment) -> Result<Enrolled> {
    match locked(conn, wanted)? {
        Some((_, Some(handset))) if handset == Key::from(wanted.handset) => return repeated(conn, wanted),
        Some((expires_at, None)) if wanted.now.micros() < expires_at => {}
        _ => return Ok(Enrolled::CodeNotValid),
    }
    let Some(number) = number(conn, wanted)? else { return Ok(Enrolled::NumberTaken) };
    match write_record(conn, wanted, number)? {
        Outcome::Applied(_) => {}
        Outcome::AlreadyApplied(_) => return repeated(conn, wanted),
        Outcome::Refused(refusal) => return Ok(Enrolled::Refused(refusal)),
        Outcome::OfHandset(_) => return Err(StoreError::corrupt("enrolment")(&"a handset has sent it")),
    }
    let organization = Key::from(wanted.organization);
    diesel::update(enrolment::table.find((organization, wanted.code.as_bytes().as_slice())))
        .set((enrolment::used_at.eq(wanted.now.micros()), enrolment::handset.eq(Key::from(wanted.handset))))
        .execute(conn)?;
    handsets::store(conn, organization, &HandsetState::new(wanted.handset, number))?;
    handsets::sign_in(conn, organization, wanted.handset, wanted.person, wanted.now)?;
    let found = handsets::find(conn, organization, wanted.handset)?;
    found.map(Enrolled::New).ok_or_else(|| StoreError::corrupt("enrolment")(&"the handset is missing"))
}

/// Until when a code is good and for which handset it was spent; its row stays locked.
fn locked(conn: &mut Conn, wanted: &Enrolment) -> Result<Option<(i64, Option<Key>)>> {
    let key = (Key::from(wanted.organization), wanted.code.as_bytes().as_slice());
    // An update that changes nothing locks the row on both databases: who comes second finds the code spent.
    let found = diesel::update(enrolment::table.find(key))
        .set(enrolment::made_at.eq(enrolment::made_at))
        .returning((enrolment::expires_at, enrolment::handset))
        .get_result(conn)
        .optional()?;
    Ok(found)
}

/// The answer to a wish that was granted before, if it is the same.
fn repeated(conn: &mut Conn, wanted: &Enrolment) -> Result<Enrolled> {
    let reused = Enrolled::Refused(Refusal::IdReused(wanted.handset.cast()));
    let Some(view) = handsets::find(conn, Key::from(wanted.organization), wanted.handset)? else {
        return Ok(reused);
    };
    let number = match wanted.number {
        Numbering::Again(number) => number,
        Numbering::OneOf(_) => view.state.number,
    };
    let (first, again) = (&view.fields, wanted.fields(number));
    let same =
        (&first.name, first.number, first.enrolled_by) == (&again.name, again.number, again.enrolled_by);
    Ok(if same { Enrolled::Repeat(view) } else { reused })
}

/// The number that the handset gets; none where another one has it.
fn number(conn: &mut Conn, wanted: &Enrolment) -> Result<Option<HandsetNumber>> {
    let wishes = match &wanted.number {
        Numbering::OneOf(drawn) => drawn.as_slice(),
        Numbering::Again(number) => std::slice::from_ref(number),
    };
    let asked: Vec<i64> = wishes.iter().map(|number| number.get().into()).collect();
    let taken: Vec<i64> = handset_state::table
        .filter(handset_state::organization.eq(Key::from(wanted.organization)))
        .filter(handset_state::handset.ne(Key::from(wanted.handset)))
        .filter(handset_state::number.eq_any(asked))
        .select(handset_state::number)
        .load(conn)?;
    Ok(wishes.iter().copied().find(|number| !taken.contains(&number.get().into())))
}

/// Has the record written like any other.
fn write_record(conn: &mut Conn, wanted: &Enrolment, number: HandsetNumber) -> Result<Outcome> {
    let corrupt = StoreError::corrupt("enrolment");
    let fields = serde_json::to_value(wanted.fields(number)).map_err(|e| corrupt(&e))?;
    let Value::Object(fields) = fields else { return Err(corrupt(&"its fields are none")) };
    let action = Action::Create { target: Target::Handset(wanted.handset), fields };
    let proposal = Proposal {
        edit: Edit { id: wanted.handset.cast(), action },
        seen: None,
        salts: Vec::new(),
        sent: None,
    };
    let body = Arc::new(Body::of(&proposal)?);
    let command = Arc::new(Command {
        organization: wanted.organization,
        author: wanted.person,
        channel: Channel::Rest,
        now: wanted.now,
        edits: vec![proposal],
        permit: wanted.permit.clone(),
        dry_run: false,
        calling: None,
        together: false,
        slice: None,
    });
    match write::write(conn, &command, &[body], &Locks::new())? {
        Attempt::Done(mut recorded, _) => {
            recorded.outcomes.pop().ok_or_else(|| corrupt(&"an edit without an outcome"))
        }
        // A handset names nothing that could turn out to need a lock of its own.
        Attempt::Again(_) => Err(StoreError::Busy),
    }
}
