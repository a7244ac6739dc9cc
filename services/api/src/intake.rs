//! From a JSON body to a proposal for the store: the one way in, for requests and for the demonstration data.

use access::Action as Asked;
use model::{
    EditId, Id, ScheduleId,
    edit::{Action, Channel, Edit, RecordKind, Target},
    event::Posted,
    handset::HandsetFields,
    id::Kind,
    mail::{MailListFields, RecipientFields},
    organization::OrganizationFields,
    outage::{IncidentFields, PromiseFields},
    person::{GrantFields, PersonFields},
    private::Salt,
    read::{FieldError, Flaw, Mode, Object, whole},
    schedule::{Edition, ScheduleFields},
    site::SiteFields,
    unit::UnitFields,
};
use serde::Serialize;
use serde_json::{Map, Value};
use store::{
    Command,
    command::{Etag, Outcome, Proposal, Refusal, Written},
};

use crate::{
    extract::Caller,
    problem::{ApiError, ApiResult, Kind as ProblemKind},
    random,
    state::State,
    sync::again,
    what_if::DueChange,
};

/// What a body came to, or everything wrong with it.
pub(crate) type Read<T> = Result<T, Vec<FieldError>>;

/// A new record of `kind`; `fallback` becomes its id where the body has none.
pub(crate) fn new_record(
    kind: RecordKind,
    body: Value,
    fallback: EditId,
    salts: Vec<Salt>,
) -> Read<Proposal> {
    let body = with_id(body, fallback);
    match kind {
        RecordKind::Site => created(&body, Target::Site, SiteFields::read, salts),
        RecordKind::Unit => created(&body, Target::Unit, UnitFields::read, salts),
        RecordKind::Schedule => created(&body, Target::Schedule, ScheduleFields::read, salts),
        RecordKind::Organization => created(&body, Target::Organization, OrganizationFields::read, salts),
        RecordKind::Person => created(&body, Target::Person, PersonFields::read, salts),
        RecordKind::Grant => created(&body, Target::Grant, GrantFields::read, salts),
        RecordKind::Handset => created(&body, Target::Handset, HandsetFields::read, salts),
        RecordKind::MailList => created(&body, Target::MailList, MailListFields::read, salts),
        RecordKind::Recipient => created(&body, Target::Recipient, RecipientFields::read, salts),
        RecordKind::Incident => created(&body, Target::Incident, IncidentFields::read, salts),
        RecordKind::Promise => created(&body, Target::Promise, PromiseFields::read, salts),
        RecordKind::Edition | RecordKind::ServiceEvent => Err(Vec::new()),
    }
}

/// Fields of a record to be set or removed.
pub(crate) fn patch(
    target: Target,
    body: &Value,
    edit: EditId,
    seen: Option<Etag>,
    salts: Vec<Salt>,
) -> Read<Proposal> {
    let fields = match target {
        Target::Organization(_) => patched(body, OrganizationFields::read)?,
        Target::Site(_) => patched(body, SiteFields::read)?,
        Target::Unit(_) => patched(body, UnitFields::read)?,
        Target::Schedule(_) => patched(body, ScheduleFields::read)?,
        Target::Person(_) => patched(body, PersonFields::read)?,
        Target::Grant(_) => patched(body, GrantFields::read)?,
        Target::Handset(_) => patched(body, HandsetFields::read)?,
        Target::MailList(_) => patched(body, MailListFields::read)?,
        Target::Recipient(_) => patched(body, RecipientFields::read)?,
        Target::Incident(_) => patched(body, IncidentFields::read)?,
        Target::Promise(_) => patched(body, PromiseFields::read)?,
    };
    Ok(Proposal { edit: Edit { id: edit, action: Action::Set { target, fields } }, seen, salts, sent: None })
}

/// A new service event; `fallback` becomes its id where the body has none.
pub(crate) fn new_event(body: Value, fallback: EditId, salts: Vec<Salt>) -> Read<Proposal> {
    event_with_id(&with_id(body, fallback), salts)
}

/// A new service event whose body has its id.
pub(crate) fn event_with_id(body: &Value, salts: Vec<Salt>) -> Read<Proposal> {
    let (id, action) = match whole(body, Mode::New, Posted::read)? {
        Posted::OfUnit(event) => (event.id, Action::Event(event)),
        Posted::OfModel(adoption) => (adoption.id, Action::ModelAdoption(adoption)),
    };
    Ok(Proposal { edit: Edit { id: id.cast(), action }, seen: None, salts, sent: None })
}

/// A new edition of a schedule.
pub(crate) fn new_edition(schedule: ScheduleId, body: Value, fallback: EditId) -> Read<Proposal> {
    let (id, edition) = whole(&with_id(body, fallback), Mode::New, |o| {
        let id = o.required("id", Id::read);
        let edition = Edition::read(o);
        Some((id?, edition?))
    })?;
    let action = Action::Edition { id, schedule, edition: Box::new(edition) };
    Ok(Proposal { edit: Edit { id: id.cast(), action }, seen: None, salts: Vec::new(), sent: None })
}

/// What an edit wrote, and when.
pub(crate) struct Done {
    /// What it wrote.
    pub written: Written,
    /// Whether it was just written.
    pub fate: Fate,
    /// Of a dry run, the due items that would be others than they are.
    pub would_change: Option<Vec<DueChange>>,
}

/// When what an edit asks for was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fate {
    /// Just now.
    New,
    /// By an earlier request.
    Repeat,
    /// Not at all: this was a dry run.
    WouldBeNew,
    /// By an earlier request, as a dry run found out.
    WouldBeRepeat,
}

/// Has edits judged and recorded in one transaction; one outcome for each, in order. A dry run records nothing, and
/// says which due items would be others.
pub(crate) async fn submit_all(
    state: &State,
    caller: &Caller,
    channel: Channel,
    edits: Vec<Proposal>,
    dry_run: bool,
) -> ApiResult<(Vec<Outcome>, Option<Vec<DueChange>>)> {
    if edits.is_empty() {
        return Ok((Vec::new(), dry_run.then(Vec::new)));
    }
    let command = Command {
        organization: caller.organization(),
        author: caller.person(),
        channel,
        now: caller.now(),
        edits,
        permit: caller.permit(),
        dry_run,
        calling: None,
        together: false,
        slice: None,
    };
    if dry_run {
        let (outcomes, changes) = state.store.foresee(command).await?;
        return Ok((outcomes, Some(changes.into_iter().map(DueChange::from).collect())));
    }
    let recorded = state.store.push(command).await?;
    again::afterwards(state, caller.organization(), recorded.ready).await;
    Ok((recorded.outcomes, None))
}

/// Has one edit judged and recorded; what the store refuses becomes a problem.
pub(crate) async fn submit(
    state: &State,
    caller: &Caller,
    channel: Channel,
    proposal: Proposal,
    dry_run: bool,
) -> ApiResult<Done> {
    let (mut outcomes, would_change) = submit_all(state, caller, channel, vec![proposal], dry_run).await?;
    let (written, fate) = match outcomes.pop() {
        Some(Outcome::Applied(written)) if dry_run => (written, Fate::WouldBeNew),
        Some(Outcome::Applied(written)) => (written, Fate::New),
        Some(Outcome::AlreadyApplied(written)) if dry_run => (written, Fate::WouldBeRepeat),
        Some(Outcome::AlreadyApplied(written)) => (written, Fate::Repeat),
        Some(Outcome::Refused(refusal)) => return Err(refused(refusal)),
        Some(Outcome::OfHandset(_)) => return Err(ApiError::internal("an edit that no handset sent")),
        None => return Err(ApiError::internal("an edit without an outcome")),
    };
    // A repeat changes nothing, so it gets the very answer of the first.
    let would_change = would_change.filter(|_| fate == Fate::WouldBeNew);
    Ok(Done { written, fate, would_change })
}

/// The service's stated action behind a change, for the decision who may do it.
pub(crate) fn access_action(action: &Action, own: bool) -> Asked {
    match action {
        Action::Create { target: Target::Site(_), .. } => Asked::CreateSite,
        Action::Create { target: Target::Unit(_), .. } => Asked::CreateUnit,
        Action::Set { target: Target::Site(_), .. } => Asked::EditSite,
        Action::Set { target: Target::Unit(_), .. } => Asked::EditUnit,
        Action::Create { target: Target::Schedule(_), .. }
        | Action::Set { target: Target::Schedule(_), .. }
        | Action::Edition { .. } => Asked::CreateSchedule,
        Action::Create { target: Target::Handset(_), .. } => Asked::EnrolHandset,
        // Nothing else of a handset is ever set.
        Action::Set { target: Target::Handset(_), .. } => Asked::RevokeHandset,
        Action::Create { target: Target::Organization(_) | Target::Person(_) | Target::Grant(_), .. }
        | Action::Set { target: Target::Organization(_) | Target::Person(_) | Target::Grant(_), .. } => {
            Asked::ManagePeople
        }
        Action::Create { target: Target::MailList(_) | Target::Recipient(_), .. }
        | Action::Set { target: Target::MailList(_) | Target::Recipient(_), .. } => Asked::ManageMail,
        Action::Create { target: Target::Incident(_) | Target::Promise(_), .. }
        | Action::Set { target: Target::Incident(_) | Target::Promise(_), .. } => Asked::ManageOutage,
        Action::Event(event) => match event.kind() {
            model::event::EventKind::Correction => Asked::Correct { own },
            kind => Asked::RecordEvent(kind),
        },
        Action::ModelAdoption(_) => Asked::RecordEvent(model::event::EventKind::Adoption),
    }
}

/// Why an edit was not recorded, as a problem.
pub(crate) fn refused(refusal: Refusal) -> ApiError {
    match refusal {
        Refusal::NotFound => ApiError::new(ProblemKind::NotFound),
        Refusal::Forbidden => ApiError::new(ProblemKind::Forbidden),
        Refusal::Stale(current) => ApiError::stale(current),
        Refusal::IdReused(id) => ApiError::new(ProblemKind::IdReused)
            .detail(format!("An edit with the id {id} was recorded before, with other content.")),
        Refusal::Exists => ApiError::new(ProblemKind::AlreadyExists),
        Refusal::ExternalIdTaken(errors) => ApiError::new(ProblemKind::ExternalIdTaken).errors(errors),
        Refusal::Invalid(errors) => ApiError::invalid(errors),
        Refusal::OtherHandset => ApiError::new(ProblemKind::InvalidRequest)
            .detail("The stamp is not of the handset that sends the edit."),
        Refusal::WithGroup => ApiError::new(ProblemKind::InvalidRequest)
            .detail("Another edit of its group is refused, and they are taken together or not at all."),
        Refusal::Unreadable => ApiError::new(ProblemKind::InvalidRequest),
    }
}

fn created<K: Kind, F: Serialize>(
    body: &Value,
    target: impl Fn(Id<K>) -> Target,
    read: impl Fn(&mut Object<'_>) -> Option<F>,
    salts: Vec<Salt>,
) -> Read<Proposal> {
    let (id, fields) = whole(body, Mode::New, |o| {
        let id = o.required("id", Id::<K>::read);
        let fields = read(o);
        Some((id?, fields?))
    })?;
    let action = Action::Create { target: target(id), fields: written_back(&fields)? };
    Ok(Proposal { edit: Edit { id: id.cast(), action }, seen: None, salts, sent: None })
}

fn patched<F: Serialize>(
    body: &Value,
    read: impl Fn(&mut Object<'_>) -> Option<F>,
) -> Read<Map<String, Value>> {
    let (fields, removed) = whole(body, Mode::Patch, |o| {
        let fields = read(o)?;
        Some((fields, o.removed().to_vec()))
    })?;
    let mut set = written_back(&fields)?;
    set.extend(removed.into_iter().map(|name| (name.to_owned(), Value::Null)));
    if set.is_empty() {
        return Err(vec![FieldError::at(
            "",
            Flaw::new("empty_patch", "A patch sets or removes at least one member."),
        )]);
    }
    Ok(set)
}

/// The fields as the service writes them: what is hashed and stored is never the sender's spelling.
fn written_back<F: Serialize>(fields: &F) -> Read<Map<String, Value>> {
    match serde_json::to_value(fields) {
        Ok(Value::Object(members)) => Ok(members),
        _ => Err(Vec::new()),
    }
}

fn with_id(mut body: Value, fallback: EditId) -> Value {
    if let Value::Object(members) = &mut body
        && members.get("id").is_none_or(Value::is_null)
    {
        members.insert("id".to_owned(), Value::from(fallback.to_string()));
    }
    body
}

/// The id for a body without one: the key that the client sent, or a fresh one.
pub(crate) fn fallback(key: Option<EditId>, caller: &Caller) -> EditId {
    key.unwrap_or_else(|| random::id(caller.now()))
}

/// A proposal whose id is the client's key, if it sent one: two ids for one wish would make repeats ambiguous.
pub(crate) fn keyed(proposal: Read<Proposal>, key: Option<EditId>) -> ApiResult<Proposal> {
    let proposal = proposal.map_err(ApiError::invalid)?;
    one_id(key, proposal.edit.id)?;
    Ok(proposal)
}

/// Refuses a key that is another id than the one in the body.
pub(crate) fn one_id(key: Option<EditId>, id: EditId) -> ApiResult<()> {
    if key.is_some_and(|key| key != id) {
        let detail = "Idempotency-Key is another id than the one in the body; leave one of them out.";
        return Err(ApiError::header("Idempotency-Key", "two_ids", detail));
    }
    Ok(())
}
