//! Many units of one model, made in large commands as an import makes them.

use std::{
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread,
};

use blackbox::{
    Client, Town, World,
    service::NOW,
    world::{edition, fresh, id_of, new_id},
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

/// What one person writes at most: on SQLite the refolding comes after all requests.
const WRITES: usize = 100;

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
        self.write(now(), edits.collect());
        ids.iter().map(ToString::to_string).collect()
    }

    /// Records an event past the API, so also while no service runs.
    pub(super) fn record(&self, body: &Value) {
        self.record_at(now(), body);
    }

    /// Records it at another time than the world's.
    pub(super) fn record_at(&self, now: Instant, body: &Value) {
        self.write(now, vec![event(body)]);
    }

    fn write(&self, now: Instant, edits: Vec<Proposal>) {
        for edits in edits.chunks(COMMAND) {
            let command = Command {
                organization: self.town.id,
                author: self.town.people["coordinator"],
                channel: Channel::Import,
                now,
                edits: edits.to_vec(),
                permit: Permit(Arc::new(|_| Permission::Allowed)),
                dry_run: false,
                calling: None,
                together: false,
                slice: None,
            };
            for outcome in self.wait_for(self.store.write(command)).unwrap() {
                assert!(matches!(outcome, Outcome::Applied(_)), "{outcome:?}");
            }
        }
    }
}

/// When a world begins.
pub(super) fn now() -> Instant {
    Instant::parse(NOW).unwrap()
}

fn event(body: &Value) -> Proposal {
    let event = match whole(body, Mode::New, model::event::Posted::read).unwrap() {
        model::event::Posted::OfUnit(event) => Action::Event(event),
        model::event::Posted::OfModel(adoption) => Action::ModelAdoption(adoption),
    };
    proposal(EditId::from_uuid(event.uuid()), event)
}

fn proposal(id: EditId, action: Action) -> Proposal {
    Proposal { edit: Edit { id, action }, seen: None, salts: vec![[1; 16], [2; 16]], sent: None }
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
    json!({"id": new_id(), "kind": "adoption", "maker": "Alder", "model": model,
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

/// Four people write to units of the fleet until told to stop, or for a good while; gives what was recorded. Two of them send batches of a
/// reading in order and a service that comes late for another unit, so that one unit is added to and one folded whole.
pub(super) fn writing<'s>(
    scope: &'s thread::Scope<'s, '_>,
    client: &'s Client,
    units: &'s [String],
    over: &'s AtomicBool,
) -> Vec<thread::ScopedJoinHandle<'s, Vec<Value>>> {
    let write = move |writer: usize| {
        let mut written = Vec::new();
        let others = units.iter().rev().cycle();
        for (n, (unit, other)) in
            units.iter().skip(writer).step_by(4).cycle().zip(others).take(WRITES).enumerate()
        {
            if over.load(Ordering::SeqCst) {
                return written;
            }
            let round = n / units.len().div_ceil(4);
            let reading = json!({"id": new_id(), "kind": "reading", "unit_id": unit, "meter_hours": 1 + round,
                "occurred_at": format!("2026-05-{:02}T10:{:02}:00Z", 1 + round % 28, writer)});
            let late = json!({"id": new_id(), "kind": "service", "unit_id": other, "occurred_on": "2026-02-10",
                "jobs": [{"job": "plug_inspect"}]});
            let (events, path) = match writer {
                0 | 1 => (vec![reading], "/v1/service-events"),
                _ => (vec![reading, late], "/v1/service-events/batch"),
            };
            let body = if events.len() == 1 { events[0].clone() } else { json!({"events": events}) };
            let reply = client.post(path, &body);
            if reply.status == 503 {
                continue;
            }
            let reply = reply.expect(if events.len() == 1 { 201 } else { 207 }).json();
            let results = reply["results"].as_array().into_iter().flatten();
            assert!(results.clone().all(|result| result["result"] == "applied"), "{reply}");
            written.extend(events);
        }
        written
    };
    (0..4).map(|writer| scope.spawn(move || write(writer))).collect()
}
