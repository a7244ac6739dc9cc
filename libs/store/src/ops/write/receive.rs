//! What is fixed of a handset's edits when they first come in: the stamp that counts, the time put right, whether they have
//! seen what their handset wrote before, and what is noted of them.

use std::collections::BTreeMap;

use merge::{Chain, Counted, Facts, Flag, Happened, Offset};
use model::{EditId, Instant, edit::Action, stamp::Stamp, time::When};

use super::super::super::Conn;
use super::super::{feed, handsets};
use super::{Planned, known::Known};
use crate::{
    command::Command,
    error::{Result, StoreError},
    key::Key,
    sent::{Calling, Push, Received, Sent},
    view::HandsetState,
};

/// A handset whose edits are judged, as it is known when they come.
pub(super) struct Caller {
    pub(super) state: HandsetState,
    /// What was fixed of those of its edits that came now for the first time.
    received: BTreeMap<EditId, Received>,
    /// The edits that came under numbers of its counter now for the first time.
    numbered: BTreeMap<i64, EditId>,
}

impl Caller {
    /// Loads the handset of a command, and receives the edits that it sends for the first time.
    pub(super) fn of(conn: &mut Conn, command: &Command, known: &Known) -> Result<Option<Self>> {
        let organization = Key::from(command.organization);
        let handset = match &command.calling {
            None => return Ok(None),
            Some(Calling::Push(push)) => push.handset,
            Some(Calling::Again { handset, .. }) => *handset,
        };
        let state = handsets::load(conn, organization, handset)?
            .ok_or_else(|| StoreError::corrupt("handset")(&"it is not enrolled"))?;
        let mut caller = Self { state, received: BTreeMap::new(), numbered: BTreeMap::new() };
        if let Some(Calling::Push(push)) = &command.calling {
            caller.state.signed_in.insert(push.person);
            caller.receive(conn, command, push, known)?;
        }
        Ok(Some(caller))
    }

    /// What was fixed of an edit when it first came in.
    pub(super) fn received(&self, edit: EditId) -> Option<&Received> {
        self.received.get(&edit)
    }

    /// Counts the edits that are new in the order of their numbers, whatever has to be judged first.
    fn receive(&mut self, conn: &mut Conn, command: &Command, push: &Push, known: &Known) -> Result<()> {
        let organization = Key::from(command.organization);
        let fits = push.mark.map_or(Ok(true), |mark| feed::fits(conn, organization, mark))?;
        let offset = offset(command);
        let mut new = Vec::new();
        for proposal in &command.edits {
            let Some(sent) = proposal.sent.as_deref().filter(|_| known.is_new(proposal.edit.id)) else {
                continue;
            };
            let happened = happened(&proposal.edit.action, sent, offset);
            new.push(((sent.number, proposal.edit.id), sent.previous, sent.raw, happened, Some(sent)));
        }
        let unread = push.unread.iter().filter(|unread| known.is_new(unread.id));
        new.extend(unread.map(|u| ((u.number, u.id), u.previous, u.raw, None, None)));
        new.sort_by_key(|(counted, ..)| *counted);
        new.dedup_by_key(|((_, edit), ..)| *edit);
        let numbers: Vec<i64> = new.iter().map(|((number, _), ..)| *number).collect();
        let mut under = handsets::edits_under(conn, organization, push.handset, &numbers)?;
        for ((number, edit), previous, raw, happened, sent) in new {
            // What has no number that can be read says nothing of the counter.
            let mut chained = false;
            if number > 0 {
                chained = self.count(number, edit, previous, under.get(&number).copied()) && fits;
                if under.insert(number, edit).is_none() {
                    self.numbered.insert(number, edit);
                }
            }
            let effective = merge::effective(raw, command.now);
            let facts = self.facts(command.now, raw, effective, happened, sent);
            let mut flags = merge::gate(&facts).flags;
            flags.extend(self.state.chain.forked().then_some(Flag::Forked));
            let occurred_at = happened.map(|happened| happened.at);
            self.received.insert(edit, Received { at: command.now, effective, occurred_at, chained, flags });
        }
        Ok(())
    }

    /// Whether an edit that is counted in has seen all that its handset wrote before.
    fn count(
        &mut self,
        number: i64,
        edit: EditId,
        previous: Option<EditId>,
        earlier: Option<EditId>,
    ) -> bool {
        let chain: &mut Chain = &mut self.state.chain;
        let counted = chain.count(number.unsigned_abs(), edit, previous, earlier);
        counted == Counted::Fresh { chained: true }
    }

    /// What the gate has to know of an edit that came at `at`.
    pub(super) fn facts(
        &self,
        at: Instant,
        raw: Stamp,
        effective: Stamp,
        happened: Option<Happened>,
        sent: Option<&Sent>,
    ) -> Facts {
        Facts {
            now: at,
            raw,
            effective,
            happened,
            revoked: self.state.revoked_at,
            emptied: self.state.emptied_at,
            author_known: sent.is_none_or(|sent| self.state.signed_in.contains(&sent.author)),
            // Whether the author may correct it is asked where the event is loaded.
            corrects_others: false,
        }
    }

    /// What is known of the handset now, with the numbers of its edits that have come.
    pub(super) fn noted(self, planned: &[Planned]) -> Noted {
        let versions: BTreeMap<Key, i64> = planned.iter().filter_map(Planned::echoed).collect();
        let version = |edit: &EditId| versions.get(&Key::from(*edit)).copied();
        let numbered = self.numbered.iter().map(|(number, edit)| (*number, *edit, version(edit))).collect();
        Noted { state: self.state, numbered }
    }
}

/// What is to be written down of the handset that calls.
pub(super) struct Noted {
    state: HandsetState,
    /// The edits that came under numbers of its counter, each with the version that its record came to by it.
    numbered: Vec<(i64, EditId, Option<i64>)>,
}

impl Noted {
    /// Writes down what the handset told of itself, and the numbers of its edits that have come.
    pub(super) fn write(self, conn: &mut Conn, command: &Command) -> Result<()> {
        let Some(Calling::Push(push)) = &command.calling else { return Ok(()) };
        let organization = Key::from(command.organization);
        handsets::sign_in(conn, organization, push.handset, push.person, command.now)?;
        handsets::note_edits(conn, organization, push.handset, &self.numbered)?;
        let mut state = self.state;
        state.last_seen_at = Some(command.now);
        state.offset_micros = Some(command.now.micros().saturating_sub(push.clock.micros()));
        state.boot = push.boot;
        if push.waiting <= push.sent {
            state.emptied_at = Some(command.now);
        }
        state.waiting = u64::try_from(push.waiting).unwrap_or(u64::MAX);
        state.oldest_waiting_at = push.oldest_waiting_at;
        handsets::store(conn, organization, &state)
    }
}

/// What has to be added to the clock of the handset that calls, as far as that says in which start it is.
pub(super) fn offset(command: &Command) -> Option<Offset> {
    let Some(Calling::Push(push)) = &command.calling else { return None };
    push.boot.map(|boot| Offset::measured(push.clock, command.now, boot))
}

/// When what an edit tells of happened, as far as that can be told; none of one of which only the day is known.
pub(super) fn happened(action: &Action, sent: &Sent, offset: Option<Offset>) -> Option<Happened> {
    let Action::Event(event) = action else { return None };
    let When::At { instant, .. } = &event.occurred.when else { return None };
    let measured = offset.filter(|offset| sent.boot == Some(offset.boot));
    Some(merge::happened(*instant, event.occurred.source, sent.boot.unwrap_or_default(), measured))
}
