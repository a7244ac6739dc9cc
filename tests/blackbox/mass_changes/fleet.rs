//! Many units of one model, made in large commands as an import makes them.

use std::sync::Arc;

use blackbox::{
    Client, Town, World,
    service::NOW,
    world::{edition, fresh, id_of},
};
use model::{
    EditId, Instant, UnitId,
    edit::{Action, Channel, Edit, Target},
    read::{Mode, whole},
};
use serde_json::{Value, json};
use store::{
    Command, Store,
    command::{Outcome, Permission, Permit, Proposal},
};

/// Edits of a command.
const COMMAND: usize = 500;

/// A way to a town's records past the API.
pub(super) struct Fleet<'a> {
    pub(super) store: Store,
    pub(super) town: &'a Town,
    runtime: tokio::runtime::Runtime,
}

impl<'a> Fleet<'a> {
    pub(super) fn new(world: &World, town: &'a Town) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let store = Store::open(&world.database.address(), 2).unwrap();
        Self { store, town, runtime: runtime.unwrap() }
    }

    pub(super) fn wait_for<T>(&self, work: impl Future<Output = T>) -> T {
        self.runtime.block_on(work)
    }

    /// Makes `n` units of a model at one of the town's sites, commissioned on a day of which the hour is not known.
    pub(super) fn units(&self, model: &str, n: usize, site: usize) -> Vec<String> {
        let site = &self.town.sites[site];
        let ids: Vec<UnitId> = (0..n).map(|_| fresh()).collect();
        let unit = |(n, id): (usize, &UnitId)| {
            let fields = json!({"label": format!("{model}-{n}"), "home_site_id": site, "fuel": "petrol",
                "maker": "Alder", "model": model});
            let action =
                Action::Create { target: Target::Unit(*id), fields: fields.as_object().unwrap().clone() };
            proposal(EditId::from_uuid(id.uuid()), action)
        };
        let commissioning = |id: &UnitId| {
            json!({"id": fresh::<model::id::kind::Event>(), "kind": "commissioning", "unit_id": id,
                "site_id": site, "occurred_on": "2026-01-10", "meter_hours": 0})
        };
        let edits = ids.iter().enumerate().map(unit).chain(ids.iter().map(|id| event(&commissioning(id))));
        self.write(edits.collect());
        ids.iter().map(ToString::to_string).collect()
    }

    /// Records an event past the API, so also while no service runs.
    pub(super) fn record(&self, body: &Value) {
        self.write(vec![event(body)]);
    }

    fn write(&self, edits: Vec<Proposal>) {
        for edits in edits.chunks(COMMAND) {
            let command = Command {
                organization: self.town.id,
                author: self.town.people["coordinator"],
                channel: Channel::Import,
                now: Instant::parse(NOW).unwrap(),
                edits: edits.to_vec(),
                permit: Permit(Arc::new(|_| Permission::Allowed)),
                dry_run: false,
            };
            for outcome in self.wait_for(self.store.write(command)).unwrap() {
                assert!(matches!(outcome, Outcome::Applied(_)), "{outcome:?}");
            }
        }
    }
}

fn event(body: &Value) -> Proposal {
    let event = match whole(body, Mode::New, model::event::Posted::read).unwrap() {
        model::event::Posted::OfUnit(event) => Action::Event(event),
        model::event::Posted::OfModel(adoption) => Action::ModelAdoption(adoption),
    };
    proposal(EditId::from_uuid(event.uuid()), event)
}

fn proposal(id: EditId, action: Action) -> Proposal {
    Proposal { edit: Edit { id, action }, seen: None, salts: vec![[1; 16], [2; 16]] }
}

/// An edition of the town's schedule that differs from its first: the oil after so many months.
pub(super) fn edition_with(town: &Town, label: &str, months: u32) -> String {
    let mut changed = edition();
    changed["edition"] = json!(label);
    changed["tasks"][0]["limits"]["months"] = json!(months);
    changed["tasks"][0]["first"] = Value::Null;
    let editions = format!("/v1/schedules/{}/editions", town.schedule);
    id_of(&town.coordinator().post(&editions, &changed).expect(201).json())
}

/// The adoption of an edition for a model.
pub(super) fn adoption(town: &Town, model: &str, edition: &str, at: &str) -> Value {
    json!({"id": blackbox::world::new_id(), "kind": "adoption", "maker": "Alder", "model": model,
        "schedule_id": town.schedule, "edition_id": edition, "occurred_at": at})
}

/// What a single read says of a unit, without what moves with the hour.
pub(super) fn single(client: &Client, unit: &str) -> Vec<Value> {
    let due = client.get(&format!("/v1/units/{unit}/due")).expect(200).json();
    let items = due["items"].as_array().unwrap().iter();
    items
        .map(|item| {
            json!([
                item["edition_id"],
                item["task"],
                item["state"],
                item["reason"],
                item["due_at"],
                item["calendar"]
            ])
        })
        .collect()
}
