//! Parked edits, tried again: when what they name has come, and from time to time.

use std::{
    collections::{BTreeMap, BTreeSet},
    time::Duration,
};

use model::{EditId, HandsetId, Instant, OrganizationId, PersonId, edit::Channel};
use store::{
    Command, Store,
    command::{Outcome, Proposal},
    sent::{Calling, Group, ParkedEdit},
};

use super::{
    Authors,
    read::{self, From},
};
use crate::{problem::ApiResult, state::State};

/// How often it is looked for edits that have waited too long.
const EVERY: Duration = Duration::from_secs(300);
/// How many edits are tried in one go.
const AT_ONCE: i64 = 500;
/// How many times what was tried may bring others in its wake.
const ROUNDS: usize = 20;

/// Decides about parked edits for which nothing came in time, or whose format is known by now.
pub(crate) async fn keep_trying(state: State) {
    let mut tick = tokio::time::interval(EVERY);
    loop {
        tick.tick().await;
        if let Err(error) = try_overdue(&state).await {
            tracing::error!(%error, "parked edits could not be tried again");
        }
    }
}

async fn try_overdue(state: &State) -> ApiResult<()> {
    for organization in state.store.organizations().await? {
        let now = state.clock.now();
        let since = now.plus_seconds(-merge::PARKED_AT_MOST_DAYS * 24 * 3600);
        let overdue = state.store.overdue(organization, since, AT_ONCE).await?;
        again(&state.store, organization, overdue, now).await?;
    }
    Ok(())
}

/// The same where nobody waits for what comes of it: it is tried again at the latest when its handset offers it again.
pub(crate) async fn afterwards(state: &State, organization: OrganizationId, ready: BTreeSet<EditId>) {
    quietly(&state.store, organization, ready, state.clock.now()).await;
}

/// The same at an instant.
pub(crate) async fn quietly(
    store: &Store,
    organization: OrganizationId,
    ready: BTreeSet<EditId>,
    now: Instant,
) {
    if !ready.is_empty()
        && let Err(error) = again(store, organization, ready, now).await
    {
        tracing::error!(%error, organization.id = %organization, "parked edits could not be tried again");
    }
}

/// Tries parked edits, and those that come in their wake; says what became of them.
pub(crate) async fn again(
    store: &Store,
    organization: OrganizationId,
    mut ready: BTreeSet<EditId>,
    now: Instant,
) -> ApiResult<BTreeMap<EditId, Outcome>> {
    let mut became = BTreeMap::new();
    for _ in 0..ROUNDS {
        if ready.is_empty() {
            break;
        }
        let mut next = BTreeSet::new();
        for (together, edits) in sorted(store, organization, ready).await? {
            let ids: Vec<EditId> = edits.iter().map(|proposal| proposal.edit.id).collect();
            let authors: BTreeSet<PersonId> = edits.iter().filter_map(author_of).collect();
            let Some(author) = authors.first().copied() else { continue };
            let (handset, group) = together;
            let command = Command {
                organization,
                author,
                channel: Channel::Sync,
                now,
                edits,
                permit: Authors::load(store, organization, &authors, now).await?.permit(),
                dry_run: false,
                calling: Some(Calling::Again { handset, together: group.map(|(_, size)| size) }),
                together: false,
                slice: None,
            };
            let recorded = store.push(command).await?;
            became.extend(ids.into_iter().zip(recorded.outcomes));
            next.extend(recorded.ready);
        }
        ready = next;
    }
    Ok(became)
}

/// Whose edits are tried in one transaction: those of a handset, or of a group of its edits.
type Together = (HandsetId, Option<(uuid::Uuid, usize)>);

async fn sorted(
    store: &Store,
    organization: OrganizationId,
    ready: BTreeSet<EditId>,
) -> ApiResult<BTreeMap<Together, Vec<Proposal>>> {
    let mut sorted: BTreeMap<Together, Vec<Proposal>> = BTreeMap::new();
    for parked in store.parked(organization, ready).await? {
        let proposal = match parked.edit {
            ParkedEdit::Read(proposal) => proposal,
            ParkedEdit::Unread { author, text } => {
                let from = From { handset: parked.handset, person: author };
                let Some(proposal) = read::parked(&text, from)? else { continue };
                proposal
            }
        };
        let group = proposal.sent.as_ref().and_then(|sent| sent.group);
        let group = group.map(|Group { id, size }| (id, size));
        sorted.entry((parked.handset, group)).or_default().push(proposal);
    }
    Ok(sorted)
}

fn author_of(proposal: &Proposal) -> Option<PersonId> {
    proposal.sent.as_ref().map(|sent| sent.author)
}
