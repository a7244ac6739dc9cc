//! Founding an organization: its first people, before anybody can be asked whether they may.

use std::sync::Arc;

use access::{Grant, Principal};
use anyhow::{Result, anyhow};
use model::{
    Instant, OrganizationId, PersonId,
    edit::{Channel, RecordKind},
    person::{Role, SiteScope},
};
use serde_json::{Value, json};
use store::{
    Command,
    command::{Outcome, Permission, Permit, Proposal},
};

use crate::{extract::Caller, intake, random, state::State};

/// Makes an organization; says whether it is new.
pub(crate) async fn organization(state: &State, id: OrganizationId, name: &str) -> Result<bool> {
    Ok(state.store.create_organization(id, name).await?)
}

/// Records a person with grants, each `{id, role, sites, from, until}`, in the name of `author`.
pub(crate) async fn person(
    state: &State,
    organization: OrganizationId,
    author: PersonId,
    person: &Value,
) -> Result<()> {
    let mut person = person.clone();
    let grants = person.as_object_mut().and_then(|members| members.remove("grants"));
    let id = person.get("id").cloned().unwrap_or_default();
    record(state, organization, author, RecordKind::Person, person).await?;
    for mut grant in grants.as_ref().and_then(Value::as_array).cloned().unwrap_or_default() {
        if let Some(members) = grant.as_object_mut() {
            members.insert("person_id".to_owned(), id.clone());
        }
        record(state, organization, author, RecordKind::Grant, grant).await?;
    }
    Ok(())
}

/// Makes an organization with one person who administers it and runs its fleet.
pub(crate) async fn found(
    state: &State,
    name: &str,
    first_person: &str,
) -> Result<(OrganizationId, PersonId)> {
    let now = state.clock.now();
    let (id, first): (OrganizationId, PersonId) = (random::id(now), random::id(now));
    organization(state, id, name).await?;
    let grant = |role: &str| json!({"id": random::id::<model::id::kind::Grant>(now).to_string(), "role": role, "sites": "all", "from": now.to_string()});
    let body = json!({"id": first.to_string(), "name": first_person, "grants": [grant("admin"), grant("coordinator")]});
    person(state, id, first, &body).await?;
    Ok((id, first))
}

/// Somebody who runs the whole fleet, for importing in their name.
pub(crate) fn coordinator(organization: OrganizationId, person: PersonId, now: Instant) -> Caller {
    let grant = Grant { role: Role::Coordinator, sites: SiteScope::All, from: now, until: None };
    Caller::new(Principal { person, organization, grants: vec![grant] }, now)
}

async fn record(
    state: &State,
    organization: OrganizationId,
    author: PersonId,
    kind: RecordKind,
    body: Value,
) -> Result<()> {
    let now = state.clock.now();
    let salts = random::salts().map_err(|_| anyhow!("no randomness"))?;
    let proposal = intake::new_record(kind, body, random::id(now), salts)
        .map_err(|errors| anyhow!("{}: {errors:?}", kind.as_str()))?;
    submit(state, organization, author, proposal).await
}

async fn submit(
    state: &State,
    organization: OrganizationId,
    author: PersonId,
    proposal: Proposal,
) -> Result<()> {
    let command = Command {
        organization,
        author,
        channel: Channel::Service,
        now: state.clock.now(),
        edits: vec![proposal],
        permit: Permit(Arc::new(|_| Permission::Allowed)),
    };
    match state.store.write(command).await?.pop() {
        Some(Outcome::Applied(_) | Outcome::AlreadyApplied(_)) => Ok(()),
        other => Err(anyhow!("refused: {other:?}")),
    }
}
