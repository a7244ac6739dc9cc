//! What is asked of an edit because a handset sent it: its stamp, its times, the gate.

use std::{borrow::Cow, collections::BTreeSet, sync::Arc};

use merge::{Base, FieldEdit, Flag, Happened, RETIRED, Reason, Record, Waits};
use model::{
    EditId, Instant, PersonId,
    edit::{Action, Target},
    event::{Details, ServiceEvent},
    read::FieldError,
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
    sent::{Calling, Decision, ParkedFor, Received, Sent},
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
        let body = Arc::new(Body::held(body, reason, None, &BTreeSet::new())?);
        let row = self.row_beside(proposal, &body);
        self.planned.push(Planned::new(row, body, Wrote::Refusal, None));
        Ok(Judged::Planned(self.planned.len() - 1))
    }

    /// The stamps of an edit; the service's own are above `highest`.
    pub(super) fn stamps(&self, proposal: &Proposal, highest: Option<Stamp>) -> Stamps {
        match (&proposal.sent, self.received(proposal)) {
            (Some(sent), Some(received)) => Stamps { raw: sent.raw, effective: received.effective },
            _ => {
                let stamp = Stamp::service(self.command.now, highest);
                Stamps { raw: stamp, effective: stamp }
            }
        }
    }

    /// What was fixed of a handset's edit when it first came in.
    pub(super) fn received<'w>(&'w self, proposal: &'w Proposal) -> Option<&'w Received> {
        let sent = proposal.sent.as_ref()?;
        let now = || self.caller.as_ref().and_then(|caller| caller.received(proposal.edit.id));
        sent.received.as_ref().or_else(now)
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

    /// An event with the instant that counts in the place of its handset's.
    pub(super) fn put_right<'e>(
        &self,
        proposal: &Proposal,
        event: &'e ServiceEvent,
    ) -> Cow<'e, ServiceEvent> {
        let counts = self.received(proposal).and_then(|received| received.occurred_at);
        match (counts, &event.occurred.when) {
            (Some(at), When::At { instant, .. }) if at != *instant => {
                let mut right = event.clone();
                right.put_right(at);
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

    /// Why a handset's edit waits for a person, as the gate says; none of any other, nor of one that is decided about.
    pub(super) fn gated(&self, proposal: &Proposal) -> Option<Reason> {
        let (Some(sent), Some(caller)) = (&proposal.sent, &self.caller) else { return None };
        let received = self.received(proposal)?;
        let happened = received.occurred_at.map(|at| Happened { at, doubtful: false });
        let facts = caller.facts(received.at, sent.raw, received.effective, happened, Some(sent));
        merge::gate(&facts).held
    }

    /// What is noted of a handset's edit that is taken.
    pub(super) fn flags(&self, proposal: &Proposal) -> BTreeSet<Flag> {
        self.received(proposal).map(|received| received.flags.clone()).unwrap_or_default()
    }

    /// Whether a handset can do its edit by itself: it counts as it was made, and the handset has seen what was before.
    pub(super) fn echoes(&self, proposal: &Proposal, row: &LogRow) -> bool {
        let exact = proposal.sent.as_ref().is_some_and(|sent| sent.exact && sent.received.is_none());
        exact && row.handset_edit.is_some() && row.stamp_raw == row.stamp_effective
    }

    /// What is said of a handset's edit before it is looked at; nothing of one that is judged.
    pub(super) fn before_judging(&mut self, proposal: &Proposal, body: &Body) -> Option<Judged> {
        let (Some(sent), Some(caller)) = (&proposal.sent, &self.caller) else { return None };
        if sent.decision.is_some() {
            return None;
        }
        if sent.raw.handset != caller.state.number.get() {
            self.keep_beside(proposal, body, Beside::Refused(Refusal::OtherHandset));
            return Some(Judged::Refused(Refusal::OtherHandset));
        }
        let tried = matches!(self.command.calling, Some(Calling::Again { together: Some(_), .. }));
        let group = sent.group.filter(|_| !tried)?;
        self.keep_beside(proposal, body, Beside::Parked(ParkedFor::GroupIncomplete));
        self.groups.push(group);
        Some(Judged::Parked(ParkedFor::GroupIncomplete))
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
            Refusal::Invalid(errors) => is_absent(errors),
            _ => false,
        };
        if missing && self.waited_too_long(proposal) {
            return self.hold(proposal, body, Reason::ParentMissing);
        }
        if missing {
            self.keep_beside(proposal, body, Beside::Parked(ParkedFor::MissingParent));
            return Ok(Judged::Parked(ParkedFor::MissingParent));
        }
        if matches!(refusal, Refusal::Forbidden) && is_correction(&proposal.edit.action) {
            return self.hold(proposal, body, Reason::CorrectionOfOthers);
        }
        self.keep_beside(proposal, body, Beside::Refused(refusal.clone()));
        Ok(Judged::Refused(refusal))
    }

    fn waited_too_long(&self, proposal: &Proposal) -> bool {
        let waits: Waits<(), (), ()> = Waits::Parents { missing: BTreeSet::new(), author: () };
        let since = self.received(proposal).map(|received| received.at);
        since.is_some_and(|since| merge::waited_too_long(&waits, since, self.command.now).is_some())
    }

    /// Keeps an edit that is not written to the log, with what was fixed when it came in.
    pub(super) fn keep_beside(&mut self, proposal: &Proposal, body: &Body, beside: Beside) {
        let (Some(sent), Some(received)) = (&proposal.sent, self.received(proposal)) else { return };
        let row = self.kept_row(proposal, sent, received, body, &beside);
        let edit_id = row.edit_id;
        let texts = body.sealed.iter().map(|text| TextRow::new(self.organization, edit_id, text)).collect();
        self.kept.push(Kept { row, texts, beside });
    }

    /// An edit as it is kept beside the log.
    pub(super) fn kept_row(
        &self,
        proposal: &Proposal,
        sent: &Sent,
        received: &Received,
        body: &Body,
        beside: &Beside,
    ) -> InboxRow {
        let action = &proposal.edit.action;
        InboxRow {
            organization: self.organization,
            edit_id: Key::from(proposal.edit.id),
            state: beside.state().to_owned(),
            reason: beside.reason().to_owned(),
            received_at: received.at.micros(),
            handset: Key::from(sent.handset),
            handset_edit: sent.number,
            author: Key::from(sent.author),
            wish: inbox::wish(action).to_owned(),
            record_kind: action.kind().as_str().to_owned(),
            record_id: Key(action.uuid()),
            base: sent.base.to_string(),
            stamp_raw: sent.raw.to_string(),
            stamp_effective: received.effective.to_string(),
            occurred_at: received.occurred_at.map(Instant::micros),
            body: body.text.clone(),
            content_hash: body.hash.as_bytes().to_vec(),
            chained: received.chained.into(),
            flags: words(&received.flags),
            group_id: sent.group.map(|group| Key(group.id)),
            group_size: sent.group.and_then(|group| i64::try_from(group.size).ok()),
            format: action.format().into(),
        }
    }

    /// Plans the row of an edit that waits for a person.
    pub(super) fn hold(&mut self, proposal: &Proposal, body: &Arc<Body>, reason: Reason) -> Result<Judged> {
        let group = proposal.sent.as_ref().and_then(|sent| sent.group);
        let body = Arc::new(Body::held(body, reason.as_str(), group, &self.flags(proposal))?);
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

/// Whether all that is wrong with an edit is that something it names is not there.
pub(super) fn is_absent(errors: &[FieldError]) -> bool {
    errors.iter().all(|error| error.code.starts_with("unknown_"))
}

fn is_correction(action: &Action) -> bool {
    matches!(action, Action::Event(event) if matches!(event.details, Details::Correction(_)))
}

/// How an edit is kept beside the log.
#[derive(Clone, Debug)]
pub(super) enum Beside {
    /// It waits.
    Parked(ParkedFor),
    /// It is refused.
    Refused(Refusal),
}

impl Beside {
    pub(super) fn state(&self) -> &'static str {
        if matches!(self, Self::Parked(_)) { inbox::PARKED } else { inbox::REFUSED }
    }

    pub(super) fn reason(&self) -> &'static str {
        match self {
            Self::Parked(reason) => reason.as_str(),
            Self::Refused(refusal) => refusal.code(),
        }
    }

    pub(super) fn judged(&self) -> Judged {
        match self {
            Self::Parked(reason) => Judged::Parked(*reason),
            Self::Refused(refusal) => Judged::Refused(refusal.clone()),
        }
    }
}

/// Flags as one text.
pub(super) fn words(flags: &BTreeSet<Flag>) -> String {
    flags.iter().map(|flag| flag.as_str()).collect::<Vec<_>>().join(" ")
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
