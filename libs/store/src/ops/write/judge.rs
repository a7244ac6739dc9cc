//! Judging one edit with what is read under the lock.

use std::{borrow::Cow, collections::BTreeSet, sync::Arc};

use merge::{Admitted, FieldEdit, Flag, Record, Refused, Wish};
use model::{
    EventId, SiteId, UnitId,
    edit::{Action, Target},
    event::{CorrectionAction, Details, ServiceEvent, UnitModel},
    external::LISTS,
    outage,
    read::{FieldError, Flaw},
    site::SiteFields,
    unit::UnitFields,
};
use serde_json::{Map, Value};

use super::super::super::Conn;
use super::super::{
    contexts::ContextId,
    events, external_ids,
    log::LogRow,
    records::{self, Stored},
    units::{self, Unit},
};
use super::{
    Kept, Planned, Work, Wrote,
    fold::{Touched, bears_on_others},
    outages,
    row::{note_time, resealed},
    sent::{Stamps, is_absent, received_before},
};
use crate::{
    body::Body,
    command::{Ask, Etag, Permission, Proposal, Refusal},
    error::{Result, StoreError},
    key::Key,
    sent::ParkedFor,
    view::EditionView,
};

/// What became of an edit, before anything is written.
pub(super) enum Judged {
    /// It will be written as this row.
    Planned(usize),
    /// An earlier edit of the same write, which will be written as this row, is the same.
    Twin(usize),
    /// It was recorded before, by this row.
    Repeat(Box<LogRow>),
    /// It was written before, and waits for a person or was refused by one.
    HeldBefore(Box<LogRow>),
    /// It waits for what it names.
    Parked(ParkedFor),
    /// It will not be written.
    Refused(Refusal),
}

/// How it is said that what an edit is about is not there, or may not be seen: an event names its unit in the body.
fn hidden(action: &Action) -> Refusal {
    match action {
        Action::Event(_) => {
            let flaw = Flaw::new("unknown_unit", "There is no such unit.");
            Refusal::Invalid(vec![FieldError::at("/unit_id", flaw)])
        }
        _ => Refusal::NotFound,
    }
}

/// Whether a row is of the very handset and author who send its edit again.
fn is_own(row: &LogRow, proposal: &Proposal) -> bool {
    proposal.sent.as_ref().is_some_and(|sent| {
        let author = Key::from(sent.author);
        row.handset == Some(Key::from(sent.handset))
            && (row.author == author || row.on_behalf_of == Some(author))
    })
}

impl Work<'_> {
    /// Judges one edit, and plans its row if it is to be written.
    pub(super) fn judge(&mut self, conn: &mut Conn, proposal: &Proposal, body: &Arc<Body>) -> Result<Judged> {
        self.asking = self.author(proposal);
        self.offline = proposal.sent.is_some();
        let earlier = self.known.earlier(conn, Key::from(proposal.edit.id))?.cloned();
        if let Some(twin) =
            self.planned.iter().position(|planned| planned.row.edit_id == Key::from(proposal.edit.id))
        {
            return self.twin(conn, proposal, body, twin);
        }
        // Sent twice in one push, and not accepted the first time: judged once more it would be kept twice.
        if let Some(twin) = self.kept.iter().position(|kept| kept.row.edit_id == Key::from(proposal.edit.id))
        {
            return self.kept_twin(conn, proposal, body, twin);
        }
        let kept = self.known.kept(proposal).cloned();
        let body = self.body(conn, proposal, body, earlier.is_some() || kept.is_some())?;
        let (again, body) = match &kept {
            // Whoever sends it now writes it as it can be read.
            Some(kept) if kept.is_unread() => (Some(received_before(proposal, kept)?), body),
            Some(kept) if body.hash.as_bytes().as_slice() != kept.content_hash => {
                return self.refuse_reused(conn, proposal, &body, Refusal::IdReused(proposal.edit.id));
            }
            Some(kept) => (Some(received_before(proposal, kept)?), Arc::new(kept.body()?)),
            None => (None, body),
        };
        let proposal = again.as_ref().unwrap_or(proposal);
        let judged = self.judge_new(conn, proposal, &body, earlier)?;
        if kept.is_some() && matches!(judged, Judged::Planned(_)) {
            self.done_waiting.push(Key::from(proposal.edit.id));
        }
        Ok(judged)
    }

    /// Judges an edit that is not another of the same command.
    fn judge_new(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        earlier: Option<LogRow>,
    ) -> Result<Judged> {
        if proposal.sent.as_ref().is_some_and(|sent| sent.decision.is_some()) {
            return self.decide(conn, proposal, body, earlier.as_ref());
        }
        let (wish, exists) = self.wish(conn, &proposal.edit.action)?;
        let known = earlier.as_ref().map(|row| row.content_hash.as_slice());
        let admitted = merge::admit(known, body.hash.as_bytes().as_slice(), wish, exists);
        match admitted {
            Ok(Admitted::Repeat) if earlier.as_ref().is_some_and(|row| !row.is_accepted()) => {
                let row = earlier.filter(|_| proposal.sent.is_some());
                let reused = Judged::Refused(Refusal::IdReused(proposal.edit.id));
                return Ok(row.map_or(reused, |row| Judged::HeldBefore(Box::new(row))));
            }
            Ok(Admitted::Repeat) => return self.repeated(conn, proposal, earlier),
            Err(Refused::OtherContent) => {
                let refusal = self.reused(conn, proposal, earlier)?;
                return self.refuse_reused(conn, proposal, body, refusal);
            }
            // Whether something is there is told only to those who may see it, so the actions say it after asking.
            Ok(Admitted::New) | Err(Refused::Exists | Refused::Absent) => {}
        }
        if let Some(judged) = self.before_judging(proposal, body) {
            return Ok(judged);
        }
        if let Some(reason) = self.gated(proposal) {
            return self.hold(proposal, body, reason);
        }
        self.judge_wish(conn, proposal, body)
    }

    /// Judges what an edit wishes, and plans its row.
    pub(super) fn judge_wish(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
    ) -> Result<Judged> {
        let to_write = Arc::clone(body);
        let refused = match &proposal.edit.action {
            Action::Create { target, fields } => self.create(conn, proposal, *target, fields, to_write)?,
            Action::Set { target, .. } => self.set(conn, proposal, *target, to_write)?,
            Action::Event(event) => self.event(conn, proposal, event, to_write)?,
            Action::ModelAdoption(adoption) => self.model_adoption(conn, proposal, adoption, to_write)?,
            Action::Edition { id, schedule, edition } => {
                let view = EditionView { id: *id, schedule: *schedule, edition: (**edition).clone() };
                self.edition(conn, proposal, view, to_write)?
            }
        };
        match refused {
            None => Ok(Judged::Planned(self.planned.len() - 1)),
            Some(refusal) if proposal.sent.as_ref().is_some_and(|sent| sent.decision.is_none()) => {
                self.unless_it_waits(proposal, body, refusal)
            }
            Some(refusal) => Ok(Judged::Refused(refusal)),
        }
    }

    /// The same edit twice in one command.
    fn twin(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        twin: usize,
    ) -> Result<Judged> {
        let first = self.planned.get(twin).map(|planned| Arc::clone(&planned.body));
        let first = first.ok_or_else(|| StoreError::corrupt("plan")(&"a row is missing"))?;
        let salt =
            |pointer: &str| first.sealed.iter().find(|text| text.pointer == pointer).map(|text| text.salt);
        let body = resealed(proposal, body, salt)?;
        if first.hash == body.hash {
            return Ok(Judged::Twin(twin));
        }
        self.refuse_reused(conn, proposal, &body, Refusal::IdReused(proposal.edit.id))
    }

    /// The same edit twice in one command, which was kept beside the log the first time.
    fn kept_twin(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        body: &Arc<Body>,
        twin: usize,
    ) -> Result<Judged> {
        let first = self.kept.get(twin);
        let Kept { row, texts, beside } =
            first.ok_or_else(|| StoreError::corrupt("plan")(&"a row is missing"))?;
        let salt = |pointer: &str| {
            let text = texts.iter().find(|text| text.pointer == pointer);
            text.and_then(|text| text.salt.as_slice().try_into().ok())
        };
        let body = resealed(proposal, body, salt)?;
        if row.content_hash == body.hash.as_bytes() {
            return Ok(beside.judged());
        }
        self.refuse_reused(conn, proposal, &body, Refusal::IdReused(proposal.edit.id))
    }

    /// That an id was used for something else is told only to those who may do what they ask, and see what it names.
    fn reused(&mut self, conn: &mut Conn, proposal: &Proposal, earlier: Option<LogRow>) -> Result<Refusal> {
        let sites = self.sites_asked(conn, proposal)?;
        match self.permission(&proposal.edit.action, &sites, false) {
            Permission::Allowed => {}
            Permission::Forbidden => return Ok(Refusal::Forbidden),
            Permission::Hidden => return Ok(hidden(&proposal.edit.action)),
        }
        let names = earlier.and_then(|row| row.unit_id).map(Key::id);
        let scope = names.map(|unit| self.known.scope(conn, unit)).transpose()?;
        let seen = scope.is_none_or(|sites| sites.into_iter().any(|site| self.sees(site)));
        Ok(if seen { Refusal::IdReused(proposal.edit.id) } else { Refusal::NotFound })
    }

    /// Whether the author may see a site.
    pub(super) fn sees(&self, site: SiteId) -> bool {
        (self.command.permit.0)(Ask::See { author: self.asking, site }) == Permission::Allowed
    }

    /// The sites by which it is asked whether an edit of something that is there may be written.
    pub(super) fn sites_asked(&mut self, conn: &mut Conn, proposal: &Proposal) -> Result<BTreeSet<SiteId>> {
        match &proposal.edit.action {
            Action::Create { target, .. } | Action::Set { target, .. } => self.sites_of(conn, *target),
            Action::Event(event) => self.sites_of(conn, Target::Unit(event.unit_id)),
            Action::ModelAdoption(_) | Action::Edition { .. } => Ok(BTreeSet::new()),
        }
    }

    /// What an edit wants of its record, and whether that is there.
    fn wish(&mut self, conn: &mut Conn, action: &Action) -> Result<(Wish, bool)> {
        Ok(match action {
            Action::Create { target, .. } => (Wish::Add, self.known.record(conn, *target)?.is_some()),
            Action::Set { target, .. } => (Wish::Set, self.known.record(conn, *target)?.is_some()),
            // An event's edit has the event's id: one that is there is a repeat, or reuses the id.
            Action::Event(_) | Action::ModelAdoption(_) => (Wish::Add, false),
            Action::Edition { id, .. } => (Wish::Add, self.known.edition(conn, *id)?.is_some()),
        })
    }

    /// A repeat is answered only to those who may see what it wrote, and to the handset that wrote it: what that was answered
    /// first it knew already, and told that its edit is refused its user would enter it again.
    fn repeated(&mut self, conn: &mut Conn, proposal: &Proposal, row: Option<LogRow>) -> Result<Judged> {
        if let Some(row) = row.as_ref().filter(|row| is_own(row, proposal)) {
            return Ok(Judged::Repeat(Box::new(row.clone())));
        }
        let sites = self.sites_asked(conn, proposal)?;
        let own = row.as_ref().is_some_and(|row| row.author == Key::from(self.asking));
        match (self.permission(&proposal.edit.action, &sites, own), row) {
            (Permission::Allowed, Some(row)) => Ok(Judged::Repeat(Box::new(row))),
            (Permission::Forbidden, _) => Ok(Judged::Refused(Refusal::Forbidden)),
            _ => Ok(Judged::Refused(hidden(&proposal.edit.action))),
        }
    }

    fn create(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        target: Target,
        fields: &Map<String, Value>,
        body: Arc<Body>,
    ) -> Result<Option<Refusal>> {
        let sites = match target {
            Target::Site(id) => BTreeSet::from([id]),
            Target::Unit(_) => {
                fields.get("home_site_id").and_then(|id| SiteId::read(id).ok()).into_iter().collect()
            }
            _ => outage::places(target.kind(), fields),
        };
        let errors = self.reference_errors(conn, target, fields)?;
        if !errors.is_empty() {
            return Ok(Some(Refusal::Invalid(errors)));
        }
        if self.permission(&proposal.edit.action, &sites, false) != Permission::Allowed {
            return Ok(Some(Refusal::Forbidden));
        }
        if self.known.record(conn, target)?.is_some() {
            return Ok(Some(Refusal::Exists));
        }
        if let Some(refusal) = self.external_ids_refused(conn, target, None, fields)? {
            return Ok(Some(refusal));
        }
        self.merge(conn, proposal, target, None, body).map(|()| None)
    }

    fn set(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        target: Target,
        body: Arc<Body>,
    ) -> Result<Option<Refusal>> {
        let Some(stored) = self.known.record(conn, target)?.cloned() else {
            return Ok(Some(Refusal::NotFound));
        };
        let sites = self.sites_of(conn, target)?;
        match self.permission(&proposal.edit.action, &sites, false) {
            Permission::Hidden => return Ok(Some(Refusal::NotFound)),
            Permission::Forbidden => return Ok(Some(Refusal::Forbidden)),
            Permission::Allowed => {}
        }
        if proposal.seen.as_ref().is_some_and(|seen: &Etag| *seen != stored.etag()) {
            return Ok(Some(Refusal::Stale(stored.etag())));
        }
        let fields = body.value.as_object().cloned().unwrap_or_default();
        let mut errors = self.reference_errors(conn, target, &fields)?;
        let after = outages::fields_after(&stored, &fields);
        errors.extend(outages::span_error(target, &after));
        if !errors.is_empty() {
            return Ok(Some(Refusal::Invalid(errors)));
        }
        // Nobody moves one to where they could not have made it.
        if outages::is_placed_by_fields(target) {
            let sites = outage::places(target.kind(), &after);
            if self.permission(&proposal.edit.action, &sites, false) != Permission::Allowed {
                return Ok(Some(Refusal::Forbidden));
            }
        }
        if let Some(refusal) = self.external_ids_refused(conn, target, Some(&stored), &fields)? {
            return Ok(Some(refusal));
        }
        self.merge(conn, proposal, target, Some(stored), body).map(|()| None)
    }

    /// Merges an edit of fields into its record, and notes which units have to be folded.
    fn merge(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        target: Target,
        stored: Option<Stored>,
        body: Arc<Body>,
    ) -> Result<()> {
        let fields = merge::flatten(body.value.as_object().cloned().unwrap_or_default(), LISTS);
        let (version, record) =
            stored.map_or_else(|| (0, Record::default()), |stored| (stored.version, stored.record));
        let stamps = self.stamps(proposal, record.highest());
        let mut row = self.row(proposal, &body, None, stamps);
        let base = self.base(proposal, &record, &fields);
        row.base = (version > 0).then(|| base.to_string());
        let Stamps { raw, effective } = stamps;
        let chained = row.handset_edit.is_some();
        let edit = FieldEdit { edit: proposal.edit.id, effective, raw, fields, base, chained };
        let knows_all = record.unheld(&edit).is_empty();
        let accepted = self.accepted(conn, target, &record, &edit)?;
        let was_retired = record.is_retired();
        let before = external_ids::of_record(&record);
        let merged = merge::apply(record, &edit, |id| accepted.contains(&id));
        let after = external_ids::of_record(&merged.record);
        let shares = self.offline && self.shares_ids(conn, target, &before, &after)?;
        self.known.have(target, &before, &after);
        let next = Stored { version: version + 1, record: merged.record };
        let mut moved = None;
        match target {
            Target::Unit(id) => {
                row.unit_id = Some(Key::from(id));
                moved = Some(self.reset_unit(conn, id, records::fields(&next.record, UnitFields::read)?)?);
            }
            Target::Site(id) if body.value.get("zone").is_some() => {
                self.zones
                    .extend(records::fields(&next.record, SiteFields::read)?.zone.map(|zone| (id, zone)));
                // A new site has no unit yet but such as this transaction brings.
                if version > 0 {
                    self.change_context(conn, ContextId::of_site(id))?;
                }
            }
            _ => {}
        }
        self.known.changed(target, next.clone());
        let revived = was_retired && !next.record.is_retired();
        let wrote = Wrote::Record(target, next);
        let mut flags = self.flags(proposal);
        flags.extend(shares.then_some(Flag::PossibleDuplicate));
        let echoes = knows_all && merged.contested.is_empty() && self.echoes(proposal, &row);
        self.planned.push(Planned {
            contested: merged.contested,
            echoes,
            flags,
            revived,
            ..Planned::new(row, body, wrote, moved)
        });
        Ok(())
    }

    /// A unit's fields are set; it is folded if they bear on what is due.
    fn reset_unit(
        &mut self,
        conn: &mut Conn,
        id: UnitId,
        fields: UnitFields,
    ) -> Result<(BTreeSet<SiteId>, BTreeSet<SiteId>)> {
        let before = self.known.unit_fields(conn, id)?;
        let bears = match &before {
            None => true,
            Some(before) => {
                units::facts(before)? != units::facts(&fields)?
                    || UnitModel::of(before) != UnitModel::of(&fields)
                    || before.retired != fields.retired
            }
        };
        let touched = self.touch(conn, id, before.as_ref().unwrap_or(&fields), bears)?;
        touched.folds |= bears;
        if let Some(unit) = &mut touched.unit {
            unit.fields = fields.clone();
        }
        touched.fields = fields;
        touched.moved()
    }

    fn event(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        event: &ServiceEvent,
        body: Arc<Body>,
    ) -> Result<Option<Refusal>> {
        let Some(fields) = self.known.unit_fields(conn, event.unit_id)? else {
            return Ok(Some(hidden(&proposal.edit.action)));
        };
        let sites = self.sites_of(conn, Target::Unit(event.unit_id))?;
        let own = self.is_own_target(conn, event)?;
        let event = self.put_right(proposal, event);
        let moved_in_time = matches!(event, Cow::Owned(_));
        let mut flags = self.flags(proposal);
        match self.permission(&proposal.edit.action, &sites, own) {
            Permission::Allowed => {}
            now => {
                if self.was_allowed(conn, proposal, &event, own)? {
                    flags.insert(Flag::LateScope);
                } else if now == Permission::Hidden {
                    return Ok(Some(hidden(&proposal.edit.action)));
                } else {
                    // Whose entry a correction is about shows only when that has come.
                    let errors = self.event_errors(conn, &event)?;
                    let waits = self.offline && !errors.is_empty() && is_absent(&errors);
                    return Ok(Some(if waits { Refusal::Invalid(errors) } else { Refusal::Forbidden }));
                }
            }
        }
        let errors = self.event_errors(conn, &event)?;
        if !errors.is_empty() {
            return Ok(Some(Refusal::Invalid(errors)));
        }
        let stamps = self.stamps(proposal, None);
        let mut row = self.row(proposal, &body, Some(Key::from(event.unit_id)), stamps);
        row.on_behalf_of = row.on_behalf_of.or(event.on_behalf_of.map(Key::from));
        note_time(&mut row, &event.occurred);
        // What was sealed is read back as the log holds it; otherwise the event is what it says already.
        let sealed_event = if body.sealed.is_empty() {
            event.clone().into_owned()
        } else {
            events::read(&body.text, row.occurred_at)?
        };
        let moves = bears_on_others(&event.details) || matches!(event.details, Details::Correction(_));
        let touched = self.touch(conn, event.unit_id, &fields, moves)?;
        touched.add(sealed_event.clone());
        let moved = touched.moved()?;
        let wrote = Wrote::Event(Box::new(sealed_event));
        let echoes = !moved_in_time && self.echoes(proposal, &row);
        self.planned.push(Planned { flags, echoes, ..Planned::new(row, body, wrote, Some(moved)) });
        Ok(None)
    }

    fn edition(
        &mut self,
        conn: &mut Conn,
        proposal: &Proposal,
        view: EditionView,
        body: Arc<Body>,
    ) -> Result<Option<Refusal>> {
        if self.known.record(conn, Target::Schedule(view.schedule))?.is_none() {
            return Ok(Some(Refusal::NotFound));
        }
        match self.permission(&proposal.edit.action, &BTreeSet::new(), false) {
            Permission::Allowed => {}
            Permission::Forbidden => return Ok(Some(Refusal::Forbidden)),
            Permission::Hidden => return Ok(Some(Refusal::NotFound)),
        }
        if self.known.edition(conn, view.id)?.is_some() {
            return Ok(Some(Refusal::Exists));
        }
        let row = self.row(proposal, &body, None, self.stamps(proposal, None));
        self.known.added(view.clone());
        self.planned.push(Planned::new(row, body, Wrote::Edition(view), None));
        Ok(None)
    }

    /// Whether the author may write this to a thing in scope of these sites.
    pub(super) fn permission(&self, action: &Action, sites: &BTreeSet<SiteId>, own: bool) -> Permission {
        (self.command.permit.0)(Ask::Write { author: self.asking, action, sites, own, at: self.command.now })
    }

    /// Whether a correction is of the author's own entry, which nobody else has corrected since.
    fn is_own_target(&self, conn: &mut Conn, event: &ServiceEvent) -> Result<bool> {
        let Details::Correction(correction) = &event.details else { return Ok(false) };
        let Some(target) = correction.action.target() else { return Ok(false) };
        let is_of_one = matches!(
            correction.action,
            CorrectionAction::Void { .. }
                | CorrectionAction::Reinstate { .. }
                | CorrectionAction::Amend { .. }
        );
        if !is_of_one {
            return Ok(false);
        }
        let mut concerned = vec![target];
        for row in events::of_unit(conn, self.organization, event.unit_id)? {
            let earlier = events::read(&row.body, Some(row.occurred_at))?;
            if matches!(&earlier.details, Details::Correction(other) if other.action.target() == Some(target))
            {
                concerned.push(earlier.id);
            }
        }
        // What this very write records is its author's.
        let author = Key::from(self.asking);
        let own = |new: &Planned, id: EventId| new.row.edit_id == Key::from(id) && new.row.author == author;
        concerned.retain(|id| !self.planned.iter().any(|new| own(new, *id)));
        for id in concerned {
            if events::author(conn, self.organization, id)? != Some(Key::from(self.asking)) {
                return Ok(false);
            }
        }
        Ok(true)
    }

    /// The sites in whose scope a record is.
    pub(super) fn sites_of(&mut self, conn: &mut Conn, target: Target) -> Result<BTreeSet<SiteId>> {
        Ok(match target {
            Target::Site(id) => BTreeSet::from([id]),
            Target::Unit(id) => match self.units.get(&id) {
                Some(touched) => touched.sites.clone(),
                None => self.known.scope(conn, id)?,
            },
            Target::Incident(_) | Target::Promise(_) => match self.known.record(conn, target)? {
                Some(stored) => outage::places(target.kind(), &merge::nest(stored.record.values())),
                None => BTreeSet::new(),
            },
            _ => BTreeSet::new(),
        })
    }

    /// A unit that this transaction writes about; loaded with all its events if it `moves`.
    pub(super) fn touch(
        &mut self,
        conn: &mut Conn,
        id: UnitId,
        fields: &UnitFields,
        moves: bool,
    ) -> Result<&mut Touched> {
        if !self.units.contains_key(&id) {
            let sites = self.known.scope(conn, id)?;
            // A new unit has no events yet, so that none need to be looked for.
            let unit = sites.is_empty().then(|| Unit::new(id, fields.clone(), Vec::new()));
            let touched = Touched { fields: fields.clone(), unit, sites, fresh: Vec::new(), folds: false };
            self.units.insert(id, touched);
        }
        let touched =
            self.units.get_mut(&id).ok_or_else(|| StoreError::corrupt("plan")(&"a unit is missing"))?;
        if moves && touched.unit.is_none() {
            let mut units =
                units::with_events(conn, self.organization, [(id, touched.fields.clone())].into())?;
            touched.unit = units.remove(&id);
            if let Some(unit) = &mut touched.unit {
                unit.events.append(&mut touched.fresh);
            }
        }
        Ok(touched)
    }
}
