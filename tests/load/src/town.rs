//! An organization to measure in: sites, schedules of twelve tasks, and whoever writes.

use std::{collections::BTreeSet, sync::Arc};

use anyhow::{Context, Result, anyhow, ensure};
use blackbox::world::fresh;
use merge::{Base, Version};
use model::{
    EditId, EditionId, Instant, OrganizationId, PersonId, ScheduleId, SiteId, UnitId,
    edit::{Action, Channel, Edit, Target},
    event::ServiceEvent,
    read::{Mode, whole},
    schedule::Edition,
};
use serde_json::{Map, Value, json};
use store::{
    Command, Store, StoreError,
    command::{Outcome, Permission, Permit, Proposal},
    sent::{Fate, Received, Sent},
};

/// When everything is measured: the service's clock begins then.
pub(crate) const NOW: &str = "2026-06-15T12:00:00Z";

/// The jobs of the edition, with hours and months of each; figures made for measuring.
pub(crate) const JOBS: [(&str, u32, u32); 12] = [
    ("oil_change", 100, 12),
    ("oil_filter", 200, 12),
    ("air_filter_clean", 200, 6),
    ("air_filter_replace", 400, 24),
    ("plug_inspect", 250, 12),
    ("plug_replace", 500, 24),
    ("fuel_filter", 500, 24),
    ("fuel_line_inspect", 300, 12),
    ("valve_clearance", 500, 36),
    ("battery_check", 150, 6),
    ("coolant_check", 300, 12),
    ("load_test", 1000, 12),
];

/// As the service does, salts go with every edit, one for each place where its kind may hold private text.
const SALTS: [[u8; 16]; 2] = [[1; 16], [2; 16]];

/// How often a fleet's builder comes back to a busy store, which says so after five seconds.
const TRIES: usize = 12;

/// Sites of an organization.
const SITES: usize = 200;
/// Schedules of it, each with one edition: an adoption locks its schedule, and two writers must not wait for each other.
const SCHEDULES: usize = 4;

/// An organization.
#[derive(Clone)]
pub(crate) struct Town {
    pub(crate) store: Store,
    pub(crate) organization: OrganizationId,
    pub(crate) person: PersonId,
    pub(crate) places: Places,
}

/// Where units stand, and what they follow.
#[derive(Clone)]
pub(crate) struct Places {
    pub(crate) sites: Vec<SiteId>,
    pub(crate) schedules: Vec<(ScheduleId, EditionId)>,
}

impl Places {
    pub(crate) fn new() -> Self {
        Self::of_sites(SITES)
    }

    fn of_sites(sites: usize) -> Self {
        Self {
            sites: (0..sites).map(|_| fresh()).collect(),
            schedules: (0..SCHEDULES).map(|_| (fresh(), fresh())).collect(),
        }
    }
}

impl Town {
    /// Makes one, with a person who may do everything.
    pub(crate) async fn new(store: &Store) -> Result<Self> {
        Self::of_sites(store, SITES).await
    }

    /// The same with so many sites.
    pub(crate) async fn of_sites(store: &Store, sites: usize) -> Result<Self> {
        Self::of_sites_with(store, sites, &json!({})).await
    }

    /// The same with sites of which more is known.
    pub(crate) async fn of_sites_with(store: &Store, sites: usize, more: &Value) -> Result<Self> {
        let places = Places::of_sites(sites);
        let town = Self { store: store.clone(), organization: fresh(), person: fresh(), places };
        ensure!(store.create_organization(town.organization).await?, "an organization that is there already");
        let grant = json!({"person_id": town.person, "role": "coordinator", "sites": "all", "from": "2020-01-01T00:00:00Z"});
        let mut edits = vec![
            created(Target::Organization(town.organization), json!({"name": "Tarn Valley"}))?,
            created(Target::Person(town.person), json!({"name": "Somebody"}))?,
            created(Target::Grant(fresh()), grant)?,
        ];
        for (n, site) in town.places.sites.iter().enumerate() {
            let mut fields = members(json!({"name": format!("Site {n}"), "zone": "America/Denver"}))?;
            fields.extend(members(more.clone())?);
            edits.push(created(Target::Site(*site), fields.into())?);
        }
        for (n, (schedule, edition)) in town.places.schedules.iter().enumerate() {
            let fields = json!({"title": format!("Sets of kind {n}"), "publisher": "Tarn Valley", "basis": "common_practice"});
            edits.push(created(Target::Schedule(*schedule), fields)?);
            let action =
                Action::Edition { id: *edition, schedule: *schedule, edition: Box::new(twelve_tasks()?) };
            edits.push(Proposal {
                edit: Edit { id: edition.cast(), action },
                seen: None,
                salts: SALTS.to_vec(),
                sent: None,
            });
        }
        town.write(Channel::Import, Instant::parse("2025-01-01T00:00:00Z")?, edits).await?;
        Ok(town)
    }

    /// Records edits, all of which must be taken; comes back later while the store is busy.
    pub(crate) async fn write(&self, channel: Channel, now: Instant, edits: Vec<Proposal>) -> Result<()> {
        let command = self.command(channel, now, edits);
        for _ in 0..TRIES {
            match self.push(command.clone()).await {
                Err(error) if matches!(error.downcast_ref(), Some(StoreError::Busy)) => {}
                other => return other,
            }
        }
        Err(StoreError::Busy.into())
    }

    /// Edits as they go to the store.
    pub(crate) fn command(&self, channel: Channel, now: Instant, edits: Vec<Proposal>) -> Command {
        let permit = Permit(Arc::new(|_| Permission::Allowed));
        Command {
            organization: self.organization,
            author: self.person,
            channel,
            now,
            edits,
            permit,
            dry_run: false,
            calling: None,
            together: false,
            slice: None,
        }
    }

    /// Sends a command to the store; every edit must be taken.
    pub(crate) async fn push(&self, command: Command) -> Result<()> {
        for outcome in self.store.write(command).await? {
            let applied = match &outcome {
                Outcome::Applied(_) => true,
                Outcome::OfHandset(Fate::Taken { contested, .. }) => contested.is_empty(),
                _ => false,
            };
            ensure!(applied, "not applied: {outcome:?}");
        }
        Ok(())
    }
}

/// The edition of every schedule.
pub(crate) fn twelve_tasks() -> Result<Edition> {
    let task = |(job, hours, months): &(&str, u32, u32)| json!({"task": job, "job": job, "title": job.replace('_', " "), "limits": {"hours": hours, "months": months}});
    let tasks: Vec<Value> = JOBS.iter().map(task).collect();
    let edition = json!({"edition": "A", "effective_from": "2020-01-01", "source": "figures made for measuring", "tasks": tasks});
    whole(&edition, Mode::New, Edition::read).map_err(|errors| anyhow!("edition: {errors:?}"))
}

/// A new record with these fields.
pub(crate) fn created(target: Target, fields: Value) -> Result<Proposal> {
    let fields = members(fields)?;
    let edit = Edit { id: EditId::from_uuid(target.uuid()), action: Action::Create { target, fields } };
    Ok(Proposal { edit, seen: None, salts: SALTS.to_vec(), sent: None })
}

/// A new unit, as a handset sends it.
pub(crate) fn created_offline(unit: UnitId, fields: Value, made: Version) -> Result<Proposal> {
    let action = Action::Create { target: Target::Unit(unit), fields: members(fields)? };
    offline(action, made, Base::default())
}

/// Fields of a unit set, as a handset sends it, by somebody who had seen `seen` of each.
pub(crate) fn set_offline(unit: UnitId, fields: Value, made: Version, seen: Version) -> Result<Proposal> {
    let fields = members(fields)?;
    let base = fields.keys().map(|field| (field.clone(), [seen].into())).collect();
    offline(Action::Set { target: Target::Unit(unit), fields }, made, base)
}

/// An edit as a handset sends it, that came in when it was made.
fn offline(action: Action, made: Version, base: Base) -> Result<Proposal> {
    let received = Received {
        at: Instant::parse(NOW)?,
        effective: made.raw,
        occurred_at: None,
        chained: false,
        flags: BTreeSet::new(),
    };
    let sent = Sent {
        handset: fresh(),
        author: fresh(),
        number: 1,
        previous: None,
        raw: made.raw,
        base,
        boot: None,
        exact: true,
        group: None,
        received: Some(received),
        decision: None,
    };
    let edit = Edit { id: made.edit, action };
    Ok(Proposal { edit, seen: None, salts: SALTS.to_vec(), sent: Some(Box::new(sent)) })
}

/// A service event from its JSON.
pub(crate) fn event(value: &Value) -> Result<ServiceEvent> {
    whole(value, Mode::New, ServiceEvent::read).map_err(|errors| anyhow!("event {value}: {errors:?}"))
}

/// The proposal of a service event.
pub(crate) fn happened(event: ServiceEvent) -> Proposal {
    let edit = Edit { id: event.id.cast(), action: Action::Event(Box::new(event)) };
    Proposal { edit, seen: None, salts: SALTS.to_vec(), sent: None }
}

pub(crate) fn members(fields: Value) -> Result<Map<String, Value>> {
    if let Value::Object(fields) = fields { Some(fields) } else { None }.context("fields are an object")
}
