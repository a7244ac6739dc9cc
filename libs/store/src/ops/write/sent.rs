//! What is asked of an edit because a handset sent it: its stamp, its times, the gate.

use std::{borrow::Cow, collections::BTreeSet, sync::Arc};

use merge::{Base, Facts, FieldEdit, Flag, Happened, Passage, RETIRED, Reason, Record};
use model::{
    EditId, PersonId,
    edit::{Action, Target},
    event::{Details, ServiceEvent},
    stamp::Stamp,
    time::When,
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::{
    inbox::{self, InboxRow},
    log::{self, LogRow},
    private_texts::TextRow,
    scope,
};
use super::{Kept, Planned, Work, Wrote, judge::Judged, row::note_time};
use crate::{
    body::Body,
    command::{Ask, Permission, Proposal, Refusal},
    error::Result,
    key::Key,
    sent::{Decision, ParkedFor},
};

impl Work<'_> {
    /// Who asks for an edit: whoever made it, or whoever decides about it after it was held.
    pub(super) fn author(&self, proposal: &Proposal) -> PersonId {
        let sent = proposal.sent.as_ref().filter(|sent| sent.decision.is_none());
        sent.map_or(self.command.author, |sent| sent.author)
    }

    /// The kind of row that an edit becomes which counts, or is decided about.
    pub(super) fn row_kind(&self, proposal: &Proposal) -> &'static str {
        match proposal.sent.as_ref().and_then(|sent| sent.decision.as_ref()) {
            None => log::EDIT,
            Some(Decision::Release) => log::RELEASED,
            Some(Decision::Refuse(_)) => log::REFUSED,
        }
    }

    /// Judges what a person decides about an edit that was held.
    pub(super) fn decide(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        earlier: Option<&LogRow>,
    ) -> Result<Judged> {
        if earlier.is_none_or(|row| row.row_kind != log::HELD) {
            return Ok(Judged::Refused(Refusal::Exists));
        }
        let decision = proposal.sent.as_ref().and_then(|sent| sent.decision.as_ref());
        let Some(Decision::Refuse(reason)) = decision else {
            return self.judge_wish(conn, proposal, body);
        };
        let sites = self.sites_asked(conn, proposal)?;
        match self.permission(&proposal.edit.action, &sites, false) {
            Permission::Allowed => {}
            Permission::Forbidden => return Ok(Judged::Refused(Refusal::Forbidden)),
            Permission::Hidden => return Ok(Judged::Refused(Refusal::NotFound)),
        }
        let body = Arc::new(Body::held(body, reason)?);
        let row = self.row_beside(proposal, &body);
        self.planned.push(Planned::new(row, body, Wrote::Refusal, None));
        Ok(Judged::Planned(self.planned.len() - 1))
    }

    /// The stamps of an edit; the service's own are above `highest`.
    pub(super) fn stamps(&self, proposal: &Proposal, highest: Option<Stamp>) -> Stamps {
        match &proposal.sent {
            None => {
                let stamp = Stamp::service(self.command.now, highest);
                Stamps { raw: stamp, effective: stamp }
            }
            Some(sent) => {
                let effective = sent.received.map(|received| received.effective);
                let effective = effective.unwrap_or_else(|| merge::effective(sent.raw, self.command.now));
                Stamps { raw: sent.raw, effective }
            }
        }
    }

    /// What the author of an edit of fields had seen of them.
    pub(super) fn base(&self, proposal: &Proposal, record: &Record, fields: &Map<String, Value>) -> Base {
        let retires = fields.get(RETIRED) == Some(&Value::Bool(true));
        let seen = match (&proposal.sent, &proposal.seen) {
            (Some(sent), _) => sent.base.clone(),
            (None, Some(_)) => record.seen(),
            (None, None) => return Base::default(),
        };
        if retires { seen } else { seen.only(fields) }
    }

    /// When a handset's event happened, as far as that can be told; none of one of which only the day is known.
    fn happened(&self, proposal: &Proposal, event: &ServiceEvent) -> Option<Happened> {
        let (Some(sent), When::At { instant, .. }) = (&proposal.sent, &event.occurred.when) else {
            return None;
        };
        if let Some(received) = sent.received {
            return Some(Happened { at: received.occurred_at.unwrap_or(*instant), doubtful: false });
        }
        let offset = self.command.calling.as_ref().and_then(|calling| calling.offset);
        let offset = offset.filter(|offset| sent.boot == Some(offset.boot));
        Some(merge::happened(*instant, event.occurred.source, sent.boot.unwrap_or_default(), offset))
    }

    /// An event with the instant that counts in the place of its handset's.
    pub(super) fn put_right<'e>(
        &self,
        proposal: &Proposal,
        event: &'e ServiceEvent,
    ) -> Cow<'e, ServiceEvent> {
        match (self.happened(proposal, event), &event.occurred.when) {
            (Some(found), When::At { instant, .. }) if found.at != *instant => {
                let mut right = event.clone();
                if let When::At { instant, .. } = &mut right.occurred.when {
                    *instant = found.at;
                }
                Cow::Owned(right)
            }
            _ => Cow::Borrowed(event),
        }
    }

    /// Whether a handset's event could be recorded by its author when it happened, where the unit stood then.
    pub(super) fn was_allowed(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        event: &ServiceEvent,
        own: bool,
    ) -> Result<bool> {
        let (Some(_), When::At { instant, .. }) = (&proposal.sent, &event.occurred.when) else {
            return Ok(false);
        };
        let Some(fields) = self.known.unit_fields(conn, event.unit_id)? else { return Ok(false) };
        let touched = self.touch(conn, event.unit_id, &fields, true)?;
        let sites = touched.unit.as_ref().map(|unit| scope::of_unit_at(unit, *instant)).transpose()?;
        let Some(sites) = sites else { return Ok(false) };
        let ask = Ask::Write {
            author: self.asking,
            action: &proposal.edit.action,
            sites: &sites,
            own,
            at: *instant,
        };
        Ok((self.command.permit.0)(ask) == Permission::Allowed)
    }

    /// Those of the edits that a field edit has seen and that are not held which were accepted before.
    pub(super) fn accepted(
        &mut self,
        conn: &mut Conn,
        target: Target,
        record: &Record,
        edit: &FieldEdit,
    ) -> Result<BTreeSet<EditId>> {
        let asked: Vec<Key> = record.unheld(edit).into_iter().map(Key::from).collect();
        if asked.is_empty() {
            return Ok(BTreeSet::new());
        }
        let about = |kind: &str, id: Key| kind == target.kind().as_str() && id == Key(target.uuid());
        let rows = log::of_edits(conn, self.organization, &asked)?;
        let earlier = rows.iter().filter(|row| about(&row.record_kind, row.record_id)).map(|row| row.edit_id);
        let planned = self.planned.iter().map(|planned| &planned.row);
        let now = planned.filter(|row| about(&row.record_kind, row.record_id)).map(|row| row.edit_id);
        Ok(earlier.chain(now).filter(|id| asked.contains(id)).map(Key::id).collect())
    }

    /// What the gate says of a handset's edit; none of any other, nor of one that a person decides about.
    pub(super) fn passage(&self, proposal: &Proposal) -> Option<Passage> {
        let (Some(sent), Some(calling)) = (&proposal.sent, &self.command.calling) else { return None };
        if sent.decision.is_some() {
            return None;
        }
        let happened = match &proposal.edit.action {
            Action::Event(event) => self.happened(proposal, event),
            _ => None,
        };
        let Stamps { raw, effective } = self.stamps(proposal, None);
        let mut passage = merge::gate(&Facts {
            now: self.command.now,
            raw,
            effective,
            happened,
            revoked: calling.revoked,
            emptied: calling.emptied,
            author_known: calling.signed_in.contains(&sent.author),
            // Whether the author may correct it is asked where the event is loaded.
            corrects_others: false,
        });
        passage.flags.extend(calling.forked.then_some(Flag::Forked));
        Some(passage)
    }

    /// What is noted of a handset's edit that is taken.
    pub(super) fn flags(&self, proposal: &Proposal) -> BTreeSet<Flag> {
        self.passage(proposal).map(|passage| passage.flags).unwrap_or_default()
    }

    /// What becomes of a handset's edit that would be refused: one that names what is not there waits for that, and a
    /// correction that its author may not make waits for somebody who may.
    pub(super) fn unless_it_waits(
        &mut self,
        proposal: &Proposal,
        body: &Arc<Body>,
        refusal: Refusal,
    ) -> Result<Judged> {
        let missing = match &refusal {
            Refusal::NotFound => true,
            Refusal::Invalid(errors) => errors.iter().all(|error| error.code.starts_with("unknown_")),
            _ => false,
        };
        if missing {
            self.keep_beside(proposal, body, None);
            return Ok(Judged::Parked(ParkedFor::MissingParent));
        }
        if matches!(refusal, Refusal::Forbidden) && is_correction(&proposal.edit.action) {
            return self.hold(proposal, body, Reason::CorrectionOfOthers);
        }
        self.keep_beside(proposal, body, Some(refusal.clone()));
        Ok(Judged::Refused(refusal))
    }

    /// Keeps an edit that is not written to the log, with what was fixed when it came in.
    fn keep_beside(&mut self, proposal: &Proposal, body: &Body, refusal: Option<Refusal>) {
        let (Some(sent), Some(calling)) = (&proposal.sent, &self.command.calling) else { return };
        let parked = (inbox::PARKED, ParkedFor::MissingParent.as_str());
        let (state, reason) = refusal.as_ref().map_or(parked, |refusal| (inbox::REFUSED, refusal.code()));
        let Stamps { raw, effective } = self.stamps(proposal, None);
        let action = &proposal.edit.action;
        let happened = if let Action::Event(event) = action { self.happened(proposal, event) } else { None };
        let edit_id = Key::from(proposal.edit.id);
        let row = InboxRow {
            organization: self.organization,
            edit_id,
            state: state.to_owned(),
            reason: reason.to_owned(),
            received_at: self.command.now.micros(),
            handset: Key::from(calling.handset),
            handset_edit: sent.number,
            author: Key::from(sent.author),
            wish: inbox::wish(action).to_owned(),
            record_kind: action.kind().as_str().to_owned(),
            record_id: Key(action.uuid()),
            base: sent.base.to_string(),
            stamp_raw: raw.to_string(),
            stamp_effective: effective.to_string(),
            occurred_at: happened.map(|happened| happened.at.micros()),
            body: body.text.clone(),
            content_hash: body.hash.as_bytes().to_vec(),
        };
        let texts = body.sealed.iter().map(|text| TextRow::new(self.organization, edit_id, text)).collect();
        self.kept.push(Kept { row, texts, refusal });
    }

    /// Plans the row of an edit that waits for a person.
    pub(super) fn hold(&mut self, proposal: &Proposal, body: &Arc<Body>, reason: Reason) -> Result<Judged> {
        let body = Arc::new(Body::held(body, reason.as_str())?);
        let row = LogRow { row_kind: log::HELD.into(), ..self.row_beside(proposal, &body) };
        self.planned.push(Planned::new(row, body, Wrote::Held(reason), None));
        Ok(Judged::Planned(self.planned.len() - 1))
    }

    /// A row that counts for nothing but itself: that an edit is held, or refused.
    fn row_beside(&self, proposal: &Proposal, body: &Body) -> LogRow {
        let unit = match &proposal.edit.action {
            Action::Event(event) => Some(Key::from(event.unit_id)),
            Action::Create { target: Target::Unit(id), .. }
            | Action::Set { target: Target::Unit(id), .. } => Some(Key::from(*id)),
            _ => None,
        };
        let mut row = self.row(proposal, body, unit, self.stamps(proposal, None));
        if let (Action::Set { .. }, Some(sent)) = (&proposal.edit.action, &proposal.sent) {
            row.base = Some(sent.base.to_string());
        }
        if let Action::Event(event) = &proposal.edit.action {
            note_time(&mut row, &self.put_right(proposal, event).occurred);
        }
        row
    }
}

fn is_correction(action: &Action) -> bool {
    matches!(action, Action::Event(event) if matches!(event.details, Details::Correction(_)))
}

/// An edit that came before, with what was fixed then.
pub(super) fn received_before(proposal: &Proposal, kept: &InboxRow) -> Result<Proposal> {
    let mut again = proposal.clone();
    if let Some(sent) = &mut again.sent {
        sent.received = Some(kept.received()?);
    }
    Ok(again)
}

/// The two stamps of an edit.
#[derive(Clone, Copy)]
pub(super) struct Stamps {
    /// As its author's device made it.
    pub(super) raw: Stamp,
    /// The one that counts.
    pub(super) effective: Stamp,
}
