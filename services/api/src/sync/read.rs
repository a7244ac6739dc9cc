//! From an edit as a handset sends it to a proposal for the store.

use merge::{Base, Version};
use model::{
    EditId, GroupId, HandsetId, PersonId,
    edit::{Action, FORMAT},
    read::{FieldError, Flaw},
    stamp::Stamp,
    sync::{Asks, BadEdit, Content, SentEdit},
};
use serde_json::{Map, Value};
use store::{
    command::Proposal,
    sent::{Group, Sent, Unread},
};
use uuid::Uuid;

use crate::{
    intake,
    problem::{ApiError, ApiResult},
    random,
};

/// Whose edits are read: the handset, and whoever is signed in on it.
#[derive(Clone, Copy)]
pub(crate) struct From {
    pub(crate) handset: HandsetId,
    pub(crate) person: PersonId,
}

/// What an edit came to.
pub(crate) enum Read {
    /// It can be judged.
    Proposal(Proposal),
    /// It cannot be read; what is wrong with it, unless it is of a newer format.
    Unread(Unread, Option<ApiError>),
    /// It cannot even be named.
    Nameless(ApiError),
}

/// Reads an edit of a request; `whole` is all of it.
pub(crate) fn edit(read: Result<SentEdit, BadEdit>, whole: &Value, from: From) -> ApiResult<Read> {
    let sent = match read {
        Ok(sent) => sent,
        Err(bad) => return broken(bad, whole, from),
    };
    let author = sent.author.unwrap_or(from.person);
    let format = i64::from(sent.format);
    let named = Named {
        id: sent.id,
        number: sent.number,
        previous: sent.previous,
        raw: sent.stamp,
        group: group_of(whole),
    };
    let unread = |text: &Value| unread(named, author, format, text);
    let (id, number, stamp) = (sent.id, sent.number, sent.stamp);
    let Content::Known { boot, group, asks } = sent.content else {
        return Ok(Read::Unread(unread(whole)?, None));
    };
    let sent_with = Sent {
        handset: from.handset,
        author,
        number: number.cast_signed(),
        previous: sent.previous,
        raw: stamp,
        base: base_of(&asks),
        boot,
        exact: false,
        group: group.map(|group| Group { id: group.id.uuid(), size: group.size as usize }),
        received: None,
        decision: None,
    };
    Ok(match proposal(id, asks)? {
        Ok(proposal) => {
            let exact = is_exact(&proposal, whole);
            Read::Proposal(Proposal { sent: Some(Box::new(Sent { exact, ..sent_with })), ..proposal })
        }
        Err(errors) => Read::Unread(unread(whole)?, Some(ApiError::invalid(errors))),
    })
}

/// An edit whose members are wrong: it is kept as it came, if it can be named.
fn broken(bad: BadEdit, whole: &Value, from: From) -> ApiResult<Read> {
    let error = ApiError::invalid(bad.errors);
    let Some(id) = bad.id else { return Ok(Read::Nameless(error)) };
    let member = |name: &str| whole.get(name).and_then(Value::as_str);
    let author = member("author").and_then(|text| PersonId::parse(text).ok()).unwrap_or(from.person);
    // Only so that it is kept with a stamp: what is refused is never merged.
    let stamp =
        member("stamp").and_then(|text| Stamp::parse(text).ok()).unwrap_or(Stamp { clock: 0, handset: 0 });
    let number = bad.number.unwrap_or_default();
    let previous = member("previous").and_then(|text| EditId::parse(text).ok());
    let named = Named { id, number, previous, raw: stamp, group: group_of(whole) };
    Ok(Read::Unread(unread(named, author, i64::from(FORMAT), whole)?, Some(error)))
}

/// An edit that is too large to be looked at: it has used up its number like any other, so it is kept without its body;
/// nothing of one that cannot even be named.
pub(crate) fn too_large(
    read: Result<SentEdit, BadEdit>,
    whole: &Value,
    from: From,
) -> ApiResult<Option<Unread>> {
    let id = match &read {
        Ok(sent) => Some(sent.id),
        Err(bad) => bad.id,
    };
    let number = match &read {
        Ok(sent) => Some(sent.number),
        Err(bad) => bad.number,
    };
    let small = |(_, value): &(&String, &Value)| {
        value.is_number() || value.as_str().is_some_and(|text| text.len() <= 64)
    };
    let members = whole.as_object().into_iter().flatten().filter(small);
    let kept = Value::Object(members.map(|(name, value)| (name.clone(), value.clone())).collect());
    let bad = BadEdit { id, number, errors: Vec::new(), sent: Value::Null };
    Ok(match broken(bad, &kept, from)? {
        Read::Unread(edit, _) => Some(Unread { group: group_of(whole), ..edit }),
        Read::Proposal(_) | Read::Nameless(_) => None,
    })
}

/// What an edit is known by, whatever else it says.
#[derive(Clone, Copy)]
struct Named {
    id: EditId,
    number: u64,
    previous: Option<EditId>,
    raw: Stamp,
    group: Option<Uuid>,
}

fn unread(named: Named, author: PersonId, format: i64, whole: &Value) -> ApiResult<Unread> {
    let text = proof::canonical(whole).map_err(ApiError::internal)?.into_string();
    let Named { id, number, previous, raw, group } = named;
    Ok(Unread { id, author, number: number.cast_signed(), previous, raw, format, group, text })
}

/// The name of the group that an edit belongs to, whatever else is wrong with it: the others of the group have to know.
fn group_of(whole: &Value) -> Option<Uuid> {
    let name = whole.get("group")?.get("id")?.as_str()?;
    GroupId::parse(name).ok().map(GroupId::uuid)
}

fn proposal(id: EditId, asks: Asks) -> ApiResult<intake::Read<Proposal>> {
    if asks.body().contains_key("id") {
        let flaw = Flaw::new("unknown_member", "A body has no id of its own: the edit's id is enough.");
        return Ok(Err(vec![FieldError::at("/id", flaw)]));
    }
    let salts = random::salts()?;
    Ok(match asks {
        Asks::Event { body } => intake::new_event(Value::Object(body), id, salts),
        Asks::Create { target, body } => intake::new_record(target.kind(), Value::Object(body), id, salts),
        Asks::Set { target, body, .. } => intake::patch(target, &Value::Object(body), id, None, salts),
    })
}

/// Whether the body came as the service writes it, but for the id.
fn is_exact(proposal: &Proposal, whole: &Value) -> bool {
    let written = match &proposal.edit.action {
        Action::Create { fields, .. } | Action::Set { fields, .. } => Ok(Value::Object(fields.clone())),
        Action::Event(event) => serde_json::to_value(event),
        Action::ModelAdoption(_) | Action::Edition { .. } => return false,
    };
    let (Ok(mut written), Some(body)) = (written, whole.get("body")) else { return false };
    if let Some(members) = written.as_object_mut() {
        members.remove("id");
    }
    let spelled = |value: &Value| proof::canonical(value).map(proof::Canonical::into_string).ok();
    spelled(&written) == spelled(body)
}

fn base_of(asks: &Asks) -> Base {
    let Asks::Set { base, .. } = asks else { return Base::default() };
    let seen = base.iter().map(|(field, seen)| {
        let versions = seen.iter().map(|seen| Version { raw: seen.raw, edit: seen.edit }).collect();
        (field.clone(), versions)
    });
    seen.collect()
}

/// Reads an edit that was parked because its format was too new then; nothing where it still cannot be read.
pub(crate) fn parked(text: &str, from: From) -> ApiResult<Option<Proposal>> {
    let whole: Value = serde_json::from_str(text).map_err(ApiError::internal)?;
    let read = SentEdit::read(whole.clone(), 0, usize::MAX);
    match edit(read, &whole, from)? {
        Read::Proposal(proposal) => Ok(Some(proposal)),
        Read::Unread(..) | Read::Nameless(_) => Ok(None),
    }
}

/// The id of an edit as it was sent, whatever else is wrong with it; none if it is no id, so that nobody trips over it in
/// the answer.
pub(crate) fn id_of(whole: &Value) -> Option<&str> {
    let members: &Map<String, Value> = whole.as_object()?;
    members.get("id")?.as_str().filter(|id| EditId::parse(id).is_ok())
}
