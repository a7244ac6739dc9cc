//! Edits of a handset that count together or not at all: when what one of them waits for comes, and when somebody decides.

use std::{cell::Cell, thread};

use blackbox::{
    Backend, Client, Reply, Town, World, on_both,
    service::{NOW, is_clean},
    world::{self, id_of, new_id},
};
use serde_json::{Value, json};

on_both!(
    what_one_of_them_waits_for_brings_all,
    one_is_released_with_all_of_its_group,
    one_is_refused_with_all_of_its_group,
    one_that_has_become_impossible_keeps_all_waiting,
    nobody_decides_about_what_is_not_theirs,
    of_many_who_decide_about_a_group_one_does,
);

const HELD: &str = "/v1/held";

/// A town with a coordinator's handset.
struct Yard {
    world: World,
    town: Town,
    handset: Value,
    sent: Cell<u64>,
}

impl Yard {
    fn new(backend: Backend) -> Self {
        let world = World::new(backend);
        let town = world.town();
        let handset = town.handset(town.coordinator(), "Van 2");
        Self { world, town, handset, sent: Cell::new(0) }
    }

    fn boss(&self) -> &Client {
        self.town.coordinator()
    }

    /// Edits of one group, of service events with these bodies.
    fn group(&self, bodies: &[Value]) -> Vec<Value> {
        let group = json!({"id": new_id(), "size": bodies.len()});
        let edit = |body: &Value| {
            self.sent.set(self.sent.get() + 1);
            let mut edit = world::edit(
                &self.handset,
                self.sent.get(),
                &new_id(),
                "service_event",
                "create",
                body.clone(),
            );
            edit["group"] = group.clone();
            edit
        };
        bodies.iter().map(edit).collect()
    }

    /// A new unit, and a reading of it that lies ahead; the reading has the lower number.
    fn pair(&self) -> Vec<Value> {
        let unit = new_id();
        let fields = json!({"label": "FS-9", "home_site_id": self.town.sites[0], "fuel": "petrol"});
        let mut edits = self.group(&[ahead(&unit), fields]);
        edits[1]["kind"] = json!("unit");
        (edits[1]["id"], edits[1]["record_id"]) = (json!(unit), json!(unit));
        edits
    }

    /// The word and the reason for each.
    fn push(&self, edits: &[Value]) -> Vec<(String, String)> {
        let text = |result: &Value, name: &str| result[name].as_str().unwrap_or_default().to_owned();
        let results = world::push(self.boss(), NOW, &self.handset, edits);
        results.iter().map(|result| (text(result, "result"), text(result, "reason"))).collect()
    }

    #[track_caller]
    fn told(&self, edits: &[Value], word: &str, reason: &str) {
        let expected = vec![(word.to_owned(), reason.to_owned()); edits.len()];
        assert_eq!(self.push(edits), expected);
    }

    fn waiting(&self) -> Vec<Value> {
        self.boss().all(HELD, 100)
    }

    fn rows(&self) -> i64 {
        self.world.database.log_rows()
    }

    /// Whether what these edits make is there: all of it or nothing.
    #[track_caller]
    fn is_there(&self, edits: &[Value]) -> bool {
        let found = edits.iter().map(|edit| {
            let of = if edit["kind"] == "unit" { "units" } else { "service-events" };
            self.boss().get(&format!("/v1/{of}/{}", id_of(edit))).status == 200
        });
        let found: Vec<bool> = found.collect();
        assert!(found.iter().all(|one| *one == found[0]), "{found:?}");
        found[0]
    }
}

fn reading(unit: &str, at: &str) -> Value {
    json!({"kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": 5})
}

fn ahead(unit: &str) -> Value {
    reading(unit, "2026-06-16T12:00:00Z")
}

fn release(client: &Client, edit: &Value) -> Reply {
    client.post(&format!("{HELD}/{}/release", id_of(edit)), &json!({}))
}

fn refuse(client: &Client, edit: &Value) -> Reply {
    client.post(&format!("{HELD}/{}/refuse", id_of(edit)), &json!({"reason": "A slip"}))
}

/// One of a group names a unit that is made at the desk later: all count then, without being offered again.
fn what_one_of_them_waits_for_brings_all(backend: Backend) {
    let yard = Yard::new(backend);
    let (known, missing) = (yard.town.unit_in_service("FS-1", 0), new_id());
    let bodies = [&known, &missing].map(|unit| reading(unit, "2026-06-14T12:00:00Z"));
    let edits = yard.group(&bodies);
    let told = yard.push(&edits);
    assert_eq!(
        told.iter().map(|(_, reason)| reason.as_str()).collect::<Vec<_>>(),
        ["group_incomplete", "missing_parent"]
    );
    assert!(!yard.is_there(&edits));
    let unit = json!({"id": missing, "label": "FS-9", "home_site_id": yard.town.sites[0], "fuel": "petrol"});
    yard.boss().post("/v1/units", &unit).expect(201);
    assert!(yard.is_there(&edits), "what they waited for has come");
    yard.told(&edits, "already_applied", "");
    is_clean(&yard.world.database);
}

fn one_is_released_with_all_of_its_group(backend: Backend) {
    let yard = Yard::new(backend);
    for asked in [0, 1] {
        let [edits, others] = [yard.pair(), yard.pair()];
        yard.told(&edits, "held", "future_event");
        yard.told(&others, "held", "future_event");
        let waiting = yard.waiting();
        assert_eq!(waiting.len(), 4);
        for (held, edit) in waiting.iter().zip(edits.iter().chain(&others)) {
            assert_eq!((&held["id"], &held["group"]), (&edit["id"], &edit["group"]), "{held}");
        }
        let rows = yard.rows();
        let released = release(yard.boss(), &edits[asked]).expect(200).json();
        assert_eq!(released["id"], edits[asked]["id"]);
        assert_eq!((yard.rows(), yard.is_there(&edits)), (rows + 2, true));
        // Again, by way of any of them: the same answer, by the same decision.
        for edit in &edits {
            let again = release(yard.boss(), edit).expect(200).json();
            assert_eq!((&again["id"], &again["decided"]), (&edit["id"], &released["decided"]));
            refuse(yard.boss(), edit).problem(409, "already_decided");
        }
        assert_eq!(yard.rows(), rows + 2);
        yard.told(&edits, "already_applied", "");
        // The other group waits on.
        assert_eq!(
            yard.waiting().iter().map(id_of).collect::<Vec<_>>(),
            others.iter().map(id_of).collect::<Vec<_>>()
        );
        refuse(yard.boss(), &others[asked]).expect(200);
    }
    is_clean(&yard.world.database);
}

fn one_is_refused_with_all_of_its_group(backend: Backend) {
    let yard = Yard::new(backend);
    let edits = yard.pair();
    yard.told(&edits, "held", "future_event");
    let rows = yard.rows();
    refuse(yard.boss(), &edits[0]).expect(200);
    assert_eq!((yard.rows(), yard.is_there(&edits), yard.waiting().len()), (rows + 2, false, 0));
    release(yard.boss(), &edits[1]).problem(409, "already_decided");
    refuse(yard.boss(), &edits[1]).expect(200);
    assert_eq!(yard.rows(), rows + 2);
    yard.told(&edits, "refused", "refused_by_person");
    is_clean(&yard.world.database);
}

fn one_that_has_become_impossible_keeps_all_waiting(backend: Backend) {
    let yard = Yard::new(backend);
    let unit = yard.town.unit_in_service("FS-1", 0);
    let moved = json!({"kind": "placement", "unit_id": unit, "occurred_at": "2026-06-14T12:00:00Z", "site_id": new_id()});
    let mut edits = yard.group(&[reading(&unit, "2026-06-14T13:00:00Z"), moved]);
    let stranger = new_id();
    edits.iter_mut().for_each(|edit| edit["author"] = json!(stranger));
    yard.told(&edits, "held", "unknown_author");
    let rows = yard.rows();
    for edit in &edits {
        let reply = release(yard.boss(), edit);
        let problem = reply.problem(409, "not_possible");
        assert_eq!(reply.errors(), [("/body/site_id".to_owned(), "unknown_site".to_owned())]);
        let names = problem["detail"].as_str().unwrap().contains(&id_of(&edits[1]));
        assert_eq!(names, edit["id"] == edits[0]["id"], "the other one is named: {problem}");
    }
    assert_eq!((yard.rows(), yard.is_there(&edits), yard.waiting().len()), (rows, false, 2));
    refuse(yard.boss(), &edits[0]).expect(200);
    assert_eq!((yard.rows(), yard.waiting().len()), (rows + 2, 0));
    is_clean(&yard.world.database);
}

fn nobody_decides_about_what_is_not_theirs(backend: Backend) {
    let yard = Yard::new(backend);
    let Yard { world, town, .. } = &yard;
    let units = [0, 1].map(|site| town.unit_in_service(&format!("FS-{site}"), site));
    let edits = yard.group(&units.each_ref().map(|unit| ahead(unit)));
    yard.told(&edits, "held", "future_event");
    let here = world.client(town.id, world.person(town.id, &[("coordinator", json!([town.sites[0]]))]));
    let rows = yard.rows();
    release(&here, &edits[0]).problem(403, "forbidden");
    refuse(&here, &edits[0]).problem(403, "forbidden");
    release(&here, &edits[1]).problem(404, "not_found");
    assert_eq!((yard.rows(), yard.waiting().len()), (rows, 2));
    let both = json!([town.sites[0], town.sites[1]]);
    let both = world.client(town.id, world.person(town.id, &[("coordinator", both)]));
    let rows = yard.rows();
    release(&both, &edits[0]).expect(200);
    assert_eq!((yard.rows(), yard.is_there(&edits)), (rows + 2, true));
    is_clean(&world.database);
}

fn of_many_who_decide_about_a_group_one_does(backend: Backend) {
    let yard = Yard::new(backend);
    for _ in 0..5 {
        let edits = yard.pair();
        yard.told(&edits, "held", "future_event");
        let rows = yard.rows();
        let statuses: Vec<(bool, u16)> = thread::scope(|scope| {
            let decide = |n: usize| {
                let (client, edit) = (yard.boss(), &edits[n / 2 % 2]);
                scope.spawn(move || {
                    let reply =
                        if n.is_multiple_of(2) { release(client, edit) } else { refuse(client, edit) };
                    (n.is_multiple_of(2), reply.status)
                })
            };
            let all: Vec<_> = (0..8).map(decide).collect();
            all.into_iter().map(|one| one.join().unwrap()).collect()
        });
        let won = statuses.iter().find(|(_, status)| *status == 200).expect("somebody decides").0;
        for (releases, status) in statuses {
            assert_eq!(status, if releases == won { 200 } else { 409 }, "{won}");
        }
        assert_eq!((yard.rows(), yard.is_there(&edits)), (rows + 2, won));
    }
    is_clean(&yard.world.database);
}
