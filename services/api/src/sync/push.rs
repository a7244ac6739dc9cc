//! The push half of a sync: a handset's edits are judged and recorded.

use std::collections::BTreeSet;

use model::{EditId, Instant, PersonId, edit::Channel, sync::SyncRequest};
use serde_json::Value;
use store::{
    Command,
    command::{Outcome, Proposal},
    sent::{Calling, Push},
    view::{HandsetState, Mark},
};

use super::{
    Authors, again,
    read::{self, From, Read},
    results::{self, SyncResult},
};
use crate::{
    extract::Caller,
    problem::{ApiError, ApiResult},
    state::State,
};

/// What a handset sends, and in what state it is.
pub(crate) struct Sending {
    /// The request; its edits are taken out of it.
    pub(crate) request: SyncRequest,
    /// The edits as they came.
    pub(crate) whole: Vec<Value>,
    /// The row of the log that its cursor names.
    pub(crate) mark: Option<Mark>,
    /// The most bytes that an edit may have.
    pub(crate) edit_bytes: usize,
}

/// Has the edits of a handset judged and recorded; one result for each, in order, and whether there are two copies
/// of it.
pub(crate) async fn push(
    state: &State,
    caller: &Caller,
    sending: Sending,
) -> ApiResult<(Vec<SyncResult>, bool)> {
    let organization = caller.organization();
    let Sending { mut request, whole, mark, edit_bytes } = sending;
    let from = From { handset: request.handset, person: caller.person() };
    let mut edits = Vec::new();
    let mut unread = Vec::new();
    let mut places = Vec::with_capacity(whole.len());
    for (n, (read, whole)) in std::mem::take(&mut request.edits).into_iter().zip(&whole).enumerate() {
        if whole.to_string().len() > edit_bytes {
            let error = results::too_large(n, edit_bytes);
            places.push(match read::too_large(read, whole, from)? {
                Some(edit) => {
                    unread.push(edit);
                    Place::Unread(unread.len() - 1, Some(error))
                }
                None => Place::Refused(error),
            });
            continue;
        }
        places.push(match read::edit(read, whole, from)? {
            Read::Proposal(proposal) => {
                edits.push(proposal);
                Place::Edit(edits.len() - 1)
            }
            Read::Unread(edit, error) => {
                unread.push(edit);
                Place::Unread(unread.len() - 1, error)
            }
            Read::Nameless(error) => Place::Refused(error),
        });
    }
    let waiting = request.waiting.map_or(whole.len(), |waiting| waiting as usize);
    let calling = Calling::Push(Push {
        handset: request.handset,
        person: caller.person(),
        clock: request.clock,
        boot: request.boot,
        waiting,
        sent: whole.len(),
        oldest_waiting_at: request.oldest_waiting_at,
        mark,
        unread,
    });
    let ids: Vec<EditId> = edits.iter().map(|proposal| proposal.edit.id).collect();
    let command = command(state, caller, edits, calling).await?;
    let recorded = state.store.push(command).await?;
    // A group is complete when its last edit has come, and what waited for one of these is tried, too.
    let later = again::again(&state.store, organization, recorded.ready, caller.now()).await?;
    let outcome = |(id, outcome): (EditId, Outcome)| later.get(&id).cloned().unwrap_or(outcome);
    let outcomes: Vec<Outcome> = ids.into_iter().zip(recorded.outcomes).map(outcome).collect();
    let result = |(n, place): (usize, Place)| {
        let id = whole.get(n).and_then(read::id_of);
        match place {
            Place::Edit(at) => results::of(n, id, outcomes.get(at)),
            Place::Unread(at, error) => results::of_unread(n, id, recorded.unread.get(at), error.as_ref()),
            Place::Refused(error) => Ok(results::refused(n, id, "invalid", &error)),
        }
    };
    let results: ApiResult<Vec<SyncResult>> = places.into_iter().enumerate().map(result).collect();
    Ok((results?, recorded.forked))
}

/// What becomes of one edit of a request.
enum Place {
    /// It is judged as this one.
    Edit(usize),
    /// It is kept as this one of those that cannot be read, and why.
    Unread(usize, Option<ApiError>),
    /// It is not kept at all.
    Refused(ApiError),
}

async fn command(
    state: &State,
    caller: &Caller,
    edits: Vec<Proposal>,
    calling: Calling,
) -> ApiResult<Command> {
    let now: Instant = caller.now();
    let authors: BTreeSet<PersonId> =
        edits.iter().filter_map(|proposal| proposal.sent.as_ref().map(|sent| sent.author)).collect();
    Ok(Command {
        organization: caller.organization(),
        author: caller.person(),
        channel: Channel::Sync,
        now,
        edits,
        permit: Authors::load(&state.store, caller.organization(), &authors, now).await?.permit(),
        dry_run: false,
        calling: Some(calling),
        together: false,
        slice: None,
    })
}

/// Whether a request has anything to write down: edits, or news of the handset itself.
pub(crate) fn has_news(request: &SyncRequest, known: &HandsetState, person: PersonId, now: Instant) -> bool {
    let waiting = request.waiting.map_or(request.edits.len() as u64, u64::from);
    !request.edits.is_empty()
        || !known.signed_in.contains(&person)
        || known.waiting != waiting
        || known.boot != request.boot
        || known.last_seen_at.is_none_or(|seen| now.seconds_since(seen) >= SEEN_AGAIN_AFTER)
}

/// A handset that only reads is written down as seen this often, in seconds, so that reading costs no write.
const SEEN_AGAIN_AFTER: i64 = 60;
