//! An edit's body as the log will hold it, made before the transaction begins, so that nobody waits for it there.

use std::collections::BTreeSet;

use merge::Flag;
use model::{
    edit::{Action, RecordKind},
    event::ServiceEvent,
    json,
    mail::RecipientFields,
    outage::{IncidentFields, PromiseFields},
    person::PersonFields,
    private::Salt,
    site::SiteFields,
    unit::UnitFields,
};
use proof::Sealed;
use serde_json::{Value, json};

use crate::{
    command::Proposal,
    error::{Result, StoreError},
    sent::Group,
};

/// The member of an edition's body that names its schedule.
pub(crate) const SCHEDULE: &str = "schedule_id";

/// The member of a held edit's row that says why it waits.
pub(crate) const HELD_FOR: &str = "reason";
/// What is noted of an edit that is held; absent where nothing is.
const HELD_FLAGS: &str = "flags";
/// The member of a held edit's row with the body that it will have.
pub(crate) const HELD_BODY: &str = "body";
/// The member of a held edit's row with the group of its handset's edits with which it is decided about.
const HELD_GROUP: &str = "group";

/// A body with private text sealed.
pub(crate) struct Body {
    pub(crate) value: Value,
    pub(crate) text: String,
    pub(crate) hash: proof::Hash,
    pub(crate) sealed: Vec<Sealed>,
}

impl Body {
    /// The body of an edit, sealed with the salts that came with it.
    pub(crate) fn of(proposal: &Proposal) -> Result<Self> {
        Self::salted(proposal, |_| None)
    }

    /// The body of a row by which an edit is held, or refused: why, what is noted of it, and the edit's own body, to count
    /// once it is released; and its group, if it has one.
    pub(crate) fn held(
        body: &Self,
        reason: &str,
        group: Option<Group>,
        flags: &BTreeSet<Flag>,
    ) -> Result<Self> {
        let corrupt = StoreError::corrupt("edit");
        let mut value = json!({HELD_FOR: reason, HELD_BODY: body.value});
        if let Some(members) = value.as_object_mut() {
            if let Some(Group { id, size }) = group {
                members.insert(HELD_GROUP.into(), json!({"id": id.hyphenated().to_string(), "size": size}));
            }
            if !flags.is_empty() {
                members.insert(HELD_FLAGS.into(), flags.iter().map(|flag| flag.as_str()).collect());
            }
        }
        let text = proof::canonical(&value).map_err(|e| corrupt(&e))?.into_string();
        Ok(Self { value, text, hash: body.hash, sealed: body.sealed.clone() })
    }

    /// The same, sealed with the salt that `first` has for a pointer, if it has one.
    pub(crate) fn salted(proposal: &Proposal, first: impl Fn(&str) -> Option<Salt>) -> Result<Self> {
        let action = &proposal.edit.action;
        let corrupt = StoreError::corrupt("edit");
        let mut value = value_of(action).map_err(|e| corrupt(&e))?;
        let mut salts = proposal.salts.iter().copied();
        let pointers = private_pointers(action.kind(), &value);
        let sealed = proof::seal(&mut value, pointers, |pointer| first(pointer).or_else(|| salts.next()))
            .map_err(|e| corrupt(&e))?;
        let canonical = proof::canonical(&value).map_err(|e| corrupt(&e))?;
        let hash = proof::content_hash(action.kind(), action.uuid(), &canonical);
        let text = canonical.into_string();
        // Read back from the text, so that registers hold what a rebuild from the log will read.
        let value = json::parse(text.as_bytes()).map_err(|e| corrupt(&e))?;
        Ok(Self { value, text, hash, sealed })
    }
}

/// What is noted of a held edit, as the body of its row says.
pub(crate) fn held_flags(held: &Value) -> BTreeSet<Flag> {
    let flags = held.get(HELD_FLAGS).and_then(Value::as_array).into_iter().flatten();
    flags.filter_map(|flag| flag.as_str().and_then(Flag::parse)).collect()
}

/// The group of an edit whose row's body this is, if it was held with others.
pub(crate) fn held_group(body: &Value) -> Option<Group> {
    let group = body.get(HELD_GROUP)?;
    let id = group.get("id")?.as_str().and_then(|id| uuid::Uuid::try_parse(id).ok())?;
    let size = usize::try_from(group.get("size")?.as_u64()?).ok()?;
    Some(Group { id, size })
}

fn value_of(action: &Action) -> serde_json::Result<Value> {
    match action {
        Action::Create { fields, .. } | Action::Set { fields, .. } => Ok(Value::Object(fields.clone())),
        Action::Event(event) => serde_json::to_value(event),
        Action::ModelAdoption(adoption) => serde_json::to_value(adoption),
        // The row alone has to say which schedule an edition belongs to.
        Action::Edition { edition, schedule, .. } => {
            let mut value = serde_json::to_value(edition)?;
            if let Some(members) = value.as_object_mut() {
                members.insert(SCHEDULE.to_owned(), Value::from(schedule.to_string()));
            }
            Ok(value)
        }
    }
}

/// JSON Pointers to private text in a body about a kind of record.
pub(crate) fn private_pointers(kind: RecordKind, body: &Value) -> &'static [&'static str] {
    match kind {
        RecordKind::Site => SiteFields::PRIVATE,
        RecordKind::Unit => UnitFields::PRIVATE,
        RecordKind::Person => PersonFields::PRIVATE,
        RecordKind::Recipient => RecipientFields::PRIVATE,
        RecordKind::Incident => IncidentFields::PRIVATE,
        RecordKind::Promise => PromiseFields::PRIVATE,
        RecordKind::ServiceEvent => ServiceEvent::private(body),
        RecordKind::Organization
        | RecordKind::Schedule
        | RecordKind::Edition
        | RecordKind::Grant
        | RecordKind::Handset
        | RecordKind::MailList => &[],
    }
}
