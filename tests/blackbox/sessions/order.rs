//! Commands that touch the same things in opposite order: both are applied, and no deadlock reaches who asked.

use blackbox::{
    Backend, Direct, World, direct, none_failed, on_both,
    service::is_clean,
    world::{edition, id_of, new_id},
};
use model::{ScheduleId, SiteId, UnitId, edit::Target};
use serde_json::{Value, json};
use store::{
    StoreError,
    command::{Outcome, Proposal},
};

use super::together;

on_both!(opposite_orders_are_both_applied);

/// What commands may touch.
struct Things {
    units: [String; 2],
    sites: [String; 2],
    schedules: [String; 2],
    editions: [String; 2],
}

/// What one of two does in a round; it begins with thing 0, the other with thing 1.
type Deed = fn(&Things, round: usize, first: usize) -> Vec<Proposal>;

const DEEDS: &[(&str, usize, Deed)] = &[
    ("events of two units", 30, |things, round, first| {
        in_order(first, |unit| {
            event(things, unit, round, first, json!({"kind": "reading", "meter_hours": 1}))
        })
    }),
    ("fields of two units", 15, |things, _, first| {
        in_order(first, |unit| direct::set(things.unit(unit), &json!({"serial": new_id()})))
    }),
    ("a field of one unit, and an event of the other", 15, |things, round, first| {
        let reading = json!({"kind": "reading", "meter_hours": 1});
        let field = direct::set(things.unit(first), &json!({"maker": new_id()}));
        vec![field, event(things, 1 - first, round, first, reading)]
    }),
    ("placements at each other's site", 15, |things, round, first| {
        in_order(first, |unit| {
            let place = json!({"kind": "placement", "site_id": things.sites[(unit + round) % 2]});
            event(things, unit, round, first, place)
        })
    }),
    ("zones of both sites, by which both units are folded anew", 8, |things, round, first| {
        let zone = ["America/Denver", "America/Chicago"][round % 2];
        in_order(first, |site| direct::set(things.site(site), &json!({"zone": zone})))
    }),
    ("the zone of one site, and an event at the other", 8, |things, round, first| {
        let zone = ["America/Denver", "America/Chicago"][round % 2];
        let place = json!({"kind": "placement", "site_id": things.sites[1 - first]});
        let mut both = vec![
            direct::set(things.site(first), &json!({"zone": zone})),
            event(things, 1 - first, round, first, place),
        ];
        if first == 1 {
            both.reverse();
        }
        both
    }),
    ("titles of two schedules, and an adoption after each", 8, |things, round, first| {
        let adopted = |unit| {
            let [schedule, edition] = [&things.schedules[unit], &things.editions[unit]];
            json!({"kind": "adoption", "schedule_id": schedule, "edition_id": edition})
        };
        let deed = |one| {
            let title = direct::set(Target::Schedule(things.schedule(one)), &json!({"title": new_id()}));
            [title, event(things, 1 - one, round, first, adopted(one))]
        };
        in_order(first, deed).into_iter().flatten().collect()
    }),
    ("editions that name new jobs, the later letter first", 3, |things, round, first| {
        // Each at a schedule of its own: only the table of jobs knows of both.
        let jobs = in_order(first, |job| format!("{}_{round}", ["air", "zinc"][job]));
        let new = |job: &String| direct::edition(things.schedule(first), &edition_with(job));
        jobs.iter().map(new).collect()
    }),
];

/// The same for 0 and 1, beginning with `first`.
fn in_order<T>(first: usize, deed: impl Fn(usize) -> T) -> Vec<T> {
    vec![deed(first), deed(1 - first)]
}

/// An event of a unit in a minute that no other has.
fn event(things: &Things, unit: usize, round: usize, first: usize, mut event: Value) -> Proposal {
    event["id"] = json!(new_id());
    event["unit_id"] = json!(things.units[unit]);
    event["occurred_at"] = json!(format!("2026-03-0{}T{unit:02}:{round:02}:00Z", 1 + first));
    direct::event(&event)
}

fn edition_with(job: &str) -> Value {
    let mut edition = edition();
    edition["edition"] = json!(job);
    for task in edition["tasks"].as_array_mut().unwrap() {
        task["job"] = json!(job);
        task.as_object_mut().unwrap().remove("satisfies");
    }
    edition
}

impl Things {
    fn unit(&self, at: usize) -> Target {
        Target::Unit(UnitId::parse(&self.units[at]).unwrap())
    }

    fn site(&self, at: usize) -> Target {
        Target::Site(SiteId::parse(&self.sites[at]).unwrap())
    }

    fn schedule(&self, at: usize) -> ScheduleId {
        ScheduleId::parse(&self.schedules[at]).unwrap()
    }
}

fn opposite_orders_are_both_applied(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let coordinator = town.coordinator();
    let other = json!({"title": "Standby sets", "publisher": "Tarn Valley", "basis": "common_practice"});
    let other = id_of(&coordinator.post("/v1/schedules", &other).expect(201).json());
    let path = format!("/v1/schedules/{other}/editions");
    let others_edition = id_of(&coordinator.post(&path, &edition()).expect(201).json());
    let things = Things {
        units: [town.unit_in_service("FS-1", 0), town.unit_in_service("SH-1", 1)],
        sites: town.sites.clone(),
        schedules: [town.schedule.clone(), other],
        editions: [town.edition.clone(), others_edition],
    };
    // Two stores, as two instances have.
    let stores = [Direct::open(&world.database, 4), Direct::open(&world.database, 4)];
    let mut failures = Vec::new();
    for (deed, rounds, edits) in DEEDS {
        for round in 0..*rounds {
            let rows = world.database.log_rows();
            let both = together(2, |first| {
                let command = direct::command(town.id, edits(&things, round, first));
                let wanted = command.edits.len();
                let done = stores[first].ask(|store| async move { store.write(command).await });
                (wanted, done)
            });
            failures.extend(
                both.iter().filter_map(|(_, done)| wrong(done)).map(|why| format!("{deed}, {round}: {why}")),
            );
            let wanted = both.iter().map(|(wanted, _)| i64::try_from(*wanted).unwrap()).sum::<i64>();
            let written = world.database.log_rows() - rows;
            if written != wanted {
                failures.push(format!("{deed}, {round}: {written} of {wanted} rows are in the log"));
            }
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// What is wrong with an answer, if anything is.
fn wrong(done: &Result<Vec<Outcome>, StoreError>) -> Option<String> {
    match done {
        Err(error) => Some(format!("{error:?}")),
        Ok(outcomes) => {
            let refused = outcomes.iter().find(|outcome| !matches!(outcome, Outcome::Applied(_)));
            refused.map(|outcome| format!("{outcome:?}"))
        }
    }
}
