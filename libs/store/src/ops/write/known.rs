//! What the transaction has read: in bulk before it judges, and one by one where an edit turns out to name more.

use std::collections::{BTreeMap, BTreeSet};

use model::{
    Code, EditId, EditionId, ScheduleId, SiteId, UnitId, Zone,
    edit::{Action, Target},
    schedule::Edition,
    site::SiteFields,
    unit::UnitFields,
};

use super::super::super::Conn;
use super::super::{
    editions,
    external_ids::{self, ExternalId},
    folds::{self, StateRow},
    inbox::{self, InboxRow},
    log::{self, LogRow},
    records::{self, Stored},
};
use super::named;
use crate::{
    command::{Command, Proposal},
    error::Result,
    key::Key,
    sent::Calling,
    view::EditionView,
};

/// Everything read so far; what was looked for and is not there is known too.
pub(super) struct Known {
    organization: Key,
    earlier: BTreeMap<Key, Option<LogRow>>,
    kept: BTreeMap<Key, InboxRow>,
    records: BTreeMap<Target, Option<Stored>>,
    states: BTreeMap<UnitId, Option<StateRow>>,
    fields: BTreeMap<UnitId, UnitFields>,
    zones: BTreeMap<SiteId, Option<Zone>>,
    editions: BTreeMap<EditionId, Option<EditionView>>,
    jobs: BTreeSet<String>,
    /// The records that have an id in another system, by that.
    holders: BTreeMap<ExternalId, BTreeSet<Key>>,
}

/// The edits of a command that cannot be read.
fn unread(command: &Command) -> impl Iterator<Item = EditId> {
    let push = if let Some(Calling::Push(push)) = &command.calling { Some(push) } else { None };
    push.into_iter().flat_map(|push| push.unread.iter().map(|unread| unread.id))
}

impl Known {
    /// Reads what the edits of a command name.
    pub(super) fn load(conn: &mut Conn, command: &Command) -> Result<Self> {
        let organization = Key::from(command.organization);
        let mut known = Self {
            organization,
            earlier: BTreeMap::new(),
            kept: BTreeMap::new(),
            records: BTreeMap::new(),
            states: BTreeMap::new(),
            fields: BTreeMap::new(),
            zones: BTreeMap::new(),
            editions: BTreeMap::new(),
            jobs: BTreeSet::new(),
            holders: BTreeMap::new(),
        };
        let actions = || command.edits.iter().map(|proposal| &proposal.edit.action);
        let events =
            || actions().filter_map(|action| if let Action::Event(e) = action { Some(&**e) } else { None });
        known.load_earlier(conn, command)?;
        let sent = command.edits.iter().filter(|proposal| proposal.sent.is_some());
        let sent = sent.map(|proposal| proposal.edit.id).chain(unread(command));
        let sent: Vec<Key> = sent.map(Key::from).collect();
        known.kept = inbox::of_edits(conn, organization, &sent)?;
        let mut targets: BTreeSet<Target> = actions().flat_map(named::targets).collect();
        let units: BTreeSet<UnitId> = targets
            .iter()
            .filter_map(|target| if let Target::Unit(id) = target { Some(*id) } else { None })
            .collect();
        known.load_states(conn, &units)?;
        let standing =
            known.states.values().flatten().flat_map(|state| [state.home_site, state.standing_site]);
        targets.extend(standing.map(|site| Target::Site(site.id())));
        let mut found = records::some(conn, organization, &targets)?;
        known.records = targets.into_iter().map(|target| (target, found.remove(&target))).collect();
        let jobs: BTreeSet<&Code> = events().flat_map(named::jobs).collect();
        if !jobs.is_empty() {
            known.jobs = editions::known_jobs(conn, organization, &jobs)?;
        }
        let named = actions().flat_map(named::external_ids);
        let named = named.map(|(kind, system, id)| ExternalId::new(kind, system, id)).collect();
        known.holders = external_ids::holders(conn, organization, named)?;
        Ok(known)
    }

    fn load_earlier(&mut self, conn: &mut Conn, command: &Command) -> Result<()> {
        let edits = command.edits.iter().map(|proposal| proposal.edit.id).chain(unread(command));
        let edits: Vec<Key> = edits.map(Key::from).collect();
        self.earlier = edits.iter().map(|edit| (*edit, None)).collect();
        for row in log::all_of_edits(conn, self.organization, &edits)? {
            // Of the rows about an edit the last says what became of it: held, then released or refused.
            self.earlier.insert(row.edit_id, Some(row));
        }
        Ok(())
    }

    fn load_states(&mut self, conn: &mut Conn, units: &BTreeSet<UnitId>) -> Result<()> {
        self.states.extend(units.iter().map(|unit| (*unit, None)));
        let keys: Vec<Key> = units.iter().map(|unit| Key::from(*unit)).collect();
        for state in folds::states_of(conn, self.organization, &keys)? {
            self.states.insert(state.unit_id.id(), Some(state));
        }
        Ok(())
    }

    /// The row that says what became of an edit, if it was recorded before.
    pub(super) fn earlier(&mut self, conn: &mut Conn, edit: Key) -> Result<Option<&LogRow>> {
        if !self.earlier.contains_key(&edit) {
            let last = log::all_of_edits(conn, self.organization, &[edit])?.pop();
            self.earlier.insert(edit, last);
        }
        Ok(self.earlier.get(&edit).and_then(Option::as_ref))
    }

    /// Whether an edit never came before.
    pub(super) fn is_new(&self, edit: EditId) -> bool {
        let edit = Key::from(edit);
        self.earlier.get(&edit).is_none_or(Option::is_none) && !self.kept.contains_key(&edit)
    }

    /// An edit as it is kept beside the log, whoever sent it.
    pub(super) fn beside(&self, edit: EditId) -> Option<&InboxRow> {
        self.kept.get(&Key::from(edit))
    }

    /// A handset's edit as it is kept beside the log, if it came before and is not in it.
    pub(super) fn kept(&self, proposal: &Proposal) -> Option<&InboxRow> {
        proposal.sent.as_ref().and_then(|_| self.kept.get(&Key::from(proposal.edit.id)))
    }

    /// A record, as it is by now.
    pub(super) fn record(&mut self, conn: &mut Conn, target: Target) -> Result<Option<&Stored>> {
        if !self.records.contains_key(&target) {
            let stored = records::find(conn, self.organization, target)?;
            self.records.insert(target, stored);
        }
        Ok(self.records.get(&target).and_then(Option::as_ref))
    }

    /// Notes what an edit of this transaction made of a record.
    pub(super) fn changed(&mut self, target: Target, stored: Stored) {
        match target {
            Target::Site(site) => drop(self.zones.remove(&site)),
            Target::Unit(unit) => drop(self.fields.remove(&unit)),
            _ => {}
        }
        self.records.insert(target, Some(stored));
    }

    /// The records that have an id in another system by now.
    pub(super) fn holders(&mut self, conn: &mut Conn, id: &ExternalId) -> Result<&BTreeSet<Key>> {
        if !self.holders.contains_key(id) {
            self.holders.extend(external_ids::holders(conn, self.organization, [id.clone()].into())?);
        }
        Ok(self.holders.entry(id.clone()).or_default())
    }

    /// Notes which ids a record has in other systems after an edit of this transaction, and which it had before.
    pub(super) fn have(&mut self, target: Target, before: &[(String, String)], after: &[(String, String)]) {
        let (kind, key) = (target.kind(), Key(target.uuid()));
        let named = |(system, id): &(String, String)| ExternalId::new(kind, system, id);
        for gone in before.iter().filter(|id| !after.contains(id)) {
            self.holders.get_mut(&named(gone)).map(|holders| holders.remove(&key));
        }
        // What nobody has asked about is looked up when somebody does, and the record is among what is judged then.
        for new in after.iter().filter(|id| !before.contains(id)) {
            self.holders.entry(named(new)).or_default().insert(key);
        }
    }

    /// The stored state of a unit, as it was before this transaction.
    pub(super) fn state(&mut self, conn: &mut Conn, unit: UnitId) -> Result<Option<&StateRow>> {
        if !self.states.contains_key(&unit) {
            self.load_states(conn, &[unit].into())?;
        }
        Ok(self.states.get(&unit).and_then(Option::as_ref))
    }

    /// The sites that had a unit in scope before this transaction; none for a new unit.
    pub(super) fn scope(&mut self, conn: &mut Conn, unit: UnitId) -> Result<BTreeSet<SiteId>> {
        let state = self.state(conn, unit)?;
        Ok(state
            .map(|state| BTreeSet::from([state.home_site.id(), state.standing_site.id()]))
            .unwrap_or_default())
    }

    /// The fields of a unit that is there.
    pub(super) fn unit_fields(&mut self, conn: &mut Conn, unit: UnitId) -> Result<Option<UnitFields>> {
        if let Some(fields) = self.fields.get(&unit) {
            return Ok(Some(fields.clone()));
        }
        let Some(stored) = self.record(conn, Target::Unit(unit))? else { return Ok(None) };
        let fields = records::fields(&stored.record, UnitFields::read)?;
        self.fields.insert(unit, fields.clone());
        Ok(Some(fields))
    }

    /// The zone of a site, if it is there and has one.
    pub(super) fn zone(&mut self, conn: &mut Conn, site: SiteId) -> Result<Option<&Zone>> {
        if !self.zones.contains_key(&site) {
            let stored = self.record(conn, Target::Site(site))?;
            let fields =
                stored.map(|stored| records::fields(&stored.record, SiteFields::read)).transpose()?;
            self.zones.insert(site, fields.and_then(|fields| fields.zone));
        }
        Ok(self.zones.get(&site).and_then(Option::as_ref))
    }

    /// An edition.
    pub(super) fn edition(&mut self, conn: &mut Conn, id: EditionId) -> Result<Option<&EditionView>> {
        if !self.editions.contains_key(&id) {
            let edition = editions::find(conn, self.organization, id)?;
            self.editions.insert(id, edition);
        }
        Ok(self.editions.get(&id).and_then(Option::as_ref))
    }

    /// Whether some edition of a schedule has this task.
    pub(super) fn has_task(&mut self, conn: &mut Conn, schedule: ScheduleId, task: &Code) -> Result<bool> {
        let has = |edition: &Edition| edition.tasks.iter().any(|known| known.task == *task);
        let brought =
            self.editions.values().flatten().any(|view| view.schedule == schedule && has(&view.edition));
        Ok(brought
            || editions::all_of_schedule(conn, self.organization, schedule)?.iter().any(|known| has(known)))
    }

    /// Whether some edition names this job.
    pub(super) fn has_job(&self, job: &Code) -> bool {
        self.jobs.contains(job.as_str())
    }

    /// What an edition of this transaction brings.
    pub(super) fn added(&mut self, view: EditionView) {
        self.jobs.extend(editions::jobs_of(&view.edition).into_iter().map(|job| job.as_str().to_owned()));
        self.editions.insert(view.id, Some(view));
    }
}
