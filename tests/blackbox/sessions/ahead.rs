//! On SQLite a write is planned before its turn: a plan that others have spoiled meanwhile is made again.

use std::sync::{
    Arc,
    atomic::{AtomicUsize, Ordering},
};

use blackbox::{
    Backend, Direct, World, direct,
    service::{NOW, is_clean},
    world::new_id,
};
use serde_json::{Value, json};
use store::{
    Command,
    command::{Outcome, Permission, Permit, Refusal},
};

/// A reading at `minute` past nine, of as many tenths of an hour.
fn reading(id: &str, unit: &str, minute: usize) -> Value {
    let at = format!("2026-05-01T09:{minute:02}:00Z");
    let hours = format!("0.{minute}").parse::<f64>().unwrap();
    json!({"id": id, "kind": "reading", "unit_id": unit, "occurred_at": at, "meter_hours": hours})
}

/// A command that asks whether its author may, and at the first time lets something happen before it is told.
fn interrupted(
    command: Command,
    asked: &Arc<AtomicUsize>,
    meanwhile: impl Fn() + Send + Sync + 'static,
) -> Command {
    let asked = Arc::clone(asked);
    let meanwhile = Arc::new(meanwhile);
    let permit = Permit(Arc::new(move |_| {
        if asked.fetch_add(1, Ordering::SeqCst) == 0 {
            let meanwhile = Arc::clone(&meanwhile);
            std::thread::spawn(move || meanwhile()).join().unwrap();
        }
        Permission::Allowed
    }));
    Command { permit, ..command }
}

#[test]
fn a_plan_that_others_spoil_is_made_again() {
    let mut world = World::new(Backend::Sqlite);
    let mut town = world.town();
    let [here, there] = [(); 2].map(|()| Arc::new(Direct::open(&world.database, 4)));
    let cases = [
        ("nothing happens to it", &here, false, 1),
        ("its unit changes", &here, true, 2),
        ("another process writes, whatever about", &there, false, 2),
    ];
    let units = cases.map(|(name, ..)| {
        ["a", "b"].map(|label| town.unit_in_service(&format!("{} {label}", &name[..7]), 0))
    });
    // It may write by itself, and is another process.
    world.service.kill();
    for ((name, writer, same_unit, judged), [unit, other]) in cases.into_iter().zip(&units) {
        // The first plan after others have written is made again whatever happens.
        let first = reading(&new_id(), unit, 1);
        here.apply(direct::command(town.id, vec![direct::event(&first)]));
        let changed = if same_unit { unit } else { other };
        let (writer, theirs) = (Arc::clone(writer), reading(&new_id(), changed, 2));
        let (organization, asked) = (town.id, Arc::new(AtomicUsize::new(0)));
        let ours = direct::command(town.id, vec![direct::event(&reading(&new_id(), unit, 3))]);
        let meanwhile = move || writer.apply(direct::command(organization, vec![direct::event(&theirs)]));
        here.apply(interrupted(ours, &asked, meanwhile));
        assert_eq!(asked.load(Ordering::SeqCst), judged, "{name}");
    }
    world.restart_at(NOW);
    world.reach(&mut town);
    for ((name, _, same_unit, _), [unit, _]) in cases.into_iter().zip(&units) {
        let listed = town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 500);
        assert_eq!(listed.len(), if same_unit { 3 } else { 2 }, "{name}");
    }
    is_clean(&world.database);
}

#[test]
fn of_two_edits_of_one_id_about_two_units_one_is_taken() {
    let world = World::new(Backend::Sqlite);
    let town = world.town();
    let store = Arc::new(Direct::open(&world.database, 4));
    let [unit, other] = ["FS-1", "FS-2"].map(|label| town.unit_in_service(label, 0));
    store.apply(direct::command(town.id, vec![direct::event(&reading(&new_id(), &unit, 1))]));
    let (id, asked): (String, _) = (new_id(), Arc::new(AtomicUsize::new(0)));
    let (theirs, writer, organization) = (reading(&id, &other, 2), Arc::clone(&store), town.id);
    let meanwhile = move || writer.apply(direct::command(organization, vec![direct::event(&theirs)]));
    let ours = direct::command(
        town.id,
        vec![direct::event(&reading(&id, &unit, 3)), direct::event(&reading(&new_id(), &unit, 4))],
    );
    let ours = interrupted(ours, &asked, meanwhile);
    let outcomes = store.ask(|store| async move { store.write(ours).await }).unwrap();
    assert!(
        matches!(outcomes.as_slice(), [Outcome::Refused(Refusal::IdReused(_)), Outcome::Applied(_)]),
        "{outcomes:?}"
    );
    let listed = |unit: &str| {
        town.coordinator().all(&format!("/v1/service-events?unit={unit}&kind=reading"), 500).len()
    };
    assert_eq!((listed(&unit), listed(&other)), (2, 1));
    is_clean(&world.database);
}
