//! Founding an organization: its first people, before anybody can be asked whether they may.

use std::sync::Arc;

use access::{Grant, Principal};
use anyhow::{Result, anyhow};
use model::{
    Instant, OrganizationId, PersonId,
    edit::{Channel, RecordKind},
    id::kind,
    person::{Role, SiteScope},
};
use serde_json::{Value, json};
use store::{
    Command,
    command::{Outcome, Permission, Permit, Proposal},
};

use crate::{extract::Caller, intake, random, state::State};

/// The organization itself, as an edit.
pub(crate) fn organization(id: OrganizationId, name: &str) -> Result<Proposal> {
    proposal(RecordKind::Organization, json!({"id": id, "name": name}), Instant::FIRST)
}

/// A person with grants, each `{id, role, sites, from, until}`, as edits.
pub(crate) fn person(person: &Value, now: Instant) -> Result<Vec<Proposal>> {
    let mut person = person.clone();
    let grants = person.as_object_mut().and_then(|members| members.remove("grants"));
    let id = person.get("id").cloned().unwrap_or_default();
    let mut edits = vec![proposal(RecordKind::Person, person, now)?];
    for mut grant in grants.as_ref().and_then(Value::as_array).cloned().unwrap_or_default() {
        if let Some(members) = grant.as_object_mut() {
            members.insert("person_id".to_owned(), id.clone());
        }
        edits.push(proposal(RecordKind::Grant, grant, now)?);
    }
    Ok(edits)
}

/// Makes an organization with one person who administers it and runs its fleet.
pub(crate) async fn found(
    state: &State,
    name: &str,
    first_person: &str,
) -> Result<(OrganizationId, PersonId)> {
    let now = state.clock.now();
    let (id, first): (OrganizationId, PersonId) = (random::id(now), random::id(now));
    let grant = |role: &str| {
        let id = random::id::<kind::Grant>(now);
        json!({"id": id, "role": role, "sites": "all", "from": now})
    };
    let body = json!({"id": first, "name": first_person, "grants": [grant("admin"), grant("coordinator")]});
    // Everything is read before anything is made.
    let mut founding = vec![organization(id, name)?];
    founding.extend(person(&body, now)?);
    state.store.create_organization(id).await?;
    record(state, id, first, founding).await?;
    Ok((id, first))
}

/// Somebody who runs the whole fleet, for importing in their name.
pub(crate) fn coordinator(organization: OrganizationId, person: PersonId, now: Instant) -> Caller {
    let grant = Grant { role: Role::Coordinator, sites: SiteScope::All, from: now, until: None };
    Caller::new(Principal { person, organization, grants: vec![grant] }, now)
}

/// Records edits in one transaction in the name of `author`, whom nobody asks; says how many were new.
pub(crate) async fn record(
    state: &State,
    organization: OrganizationId,
    author: PersonId,
    edits: Vec<Proposal>,
) -> Result<usize> {
    let command = Command {
        organization,
        author,
        channel: Channel::Service,
        now: state.clock.now(),
        edits,
        permit: Permit(Arc::new(|_| Permission::Allowed)),
        dry_run: false,
        calling: None,
        together: false,
        slice: None,
    };
    let mut new = 0;
    for outcome in state.store.write(command).await? {
        match outcome {
            Outcome::Applied(_) => new += 1,
            Outcome::AlreadyApplied(_) => {}
            refused => return Err(anyhow!("refused: {refused:?}")),
        }
    }
    Ok(new)
}

fn proposal(kind: RecordKind, body: Value, now: Instant) -> Result<Proposal> {
    let salts = random::salts().map_err(|_| anyhow!("no randomness"))?;
    intake::new_record(kind, body, random::id(now), salts)
        .map_err(|errors| anyhow!("{}: {errors:?}", kind.as_str()))
}
