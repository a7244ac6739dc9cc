//! What somebody is told who may not see everything, and what when that changes.

use std::collections::BTreeSet;

use blackbox::{Backend, Client, Direct, Town, World, direct, on_both, world::fresh};
use model::{GrantId, PersonId, edit::Target};
use serde_json::json;
use store::Command;

use super::{Replica, change, lively};

on_both!(
    a_unit_that_moves_is_seen_by_those_who_may,
    a_site_that_is_gained_comes_and_one_that_is_lost_goes,
    sites_that_change_twice_begin_afresh,
    who_may_see_nothing_is_told_nothing,
);

/// Somebody with a grant of their own on sites, which can be changed.
struct Person {
    direct: Direct,
    town: model::OrganizationId,
    person: PersonId,
    grant: GrantId,
    client: Client,
}

impl Person {
    fn new(world: &World, town: &Town, sites: &[usize]) -> Self {
        let direct = Direct::open(&world.database, 2);
        let (person, grant) = (world.person(town.id, &[]), fresh());
        let fields = json!({"person_id": person, "role": "technician", "sites": sites_of(town, sites), "from": "2020-01-01T00:00:00Z"});
        direct.apply(direct::command(town.id, vec![direct::create(Target::Grant(grant), &fields)]));
        Self { direct, town: town.id, person, grant, client: world.client(town.id, person) }
    }

    /// From now on they see these sites.
    fn sees(&self, town: &Town, sites: &[usize]) {
        let fields = json!({"sites": sites_of(town, sites)});
        let command: Command =
            direct::command(self.town, vec![direct::set(Target::Grant(self.grant), &fields)]);
        self.direct.apply(command);
        let _ = self.person;
    }
}

fn sites_of(town: &Town, sites: &[usize]) -> Vec<String> {
    sites.iter().map(|site| town.sites[*site].clone()).collect()
}

/// The copy has what somebody has who begins now.
#[track_caller]
fn complete(replica: &mut Replica, client: &Client, case: &str) {
    replica.follow();
    let mut fresh = Replica::new(client, 100);
    fresh.follow();
    assert_eq!(replica.live(), fresh.live(), "{case}");
}

fn units(replica: &Replica) -> BTreeSet<String> {
    replica.of_kind("unit").iter().map(|unit| unit["id"].as_str().unwrap().to_owned()).collect()
}

fn a_unit_that_moves_is_seen_by_those_who_may(backend: Backend) {
    let world = World::new(backend);
    let (town, [unit, ..]) = lively(&world);
    let people = [&[0][..], &[1], &[0, 1]].map(|sites| Person::new(&world, &town, sites));
    let mut replicas: Vec<Replica> = people.iter().map(|person| Replica::new(&person.client, 5)).collect();
    let mut all = |case: &str, seen: [bool; 3]| {
        for ((replica, person), seen) in replicas.iter_mut().zip(&people).zip(seen) {
            complete(replica, &person.client, case);
            assert_eq!(units(replica).contains(&unit), seen, "{case}");
        }
    };
    let at = format!("/v1/units/{unit}");
    let stands = |day: &str, site: usize| {
        town.happened(
            &unit,
            &format!("2026-04-{day}T12:00:00Z"),
            json!({"kind": "placement", "site_id": town.sites[site]}),
        );
    };
    all("at home", [true, false, true]);
    stands("01", 1);
    all("away", [true, true, true]);
    change(town.coordinator(), &at, &json!({"home_site_id": town.sites[1]}));
    all("moved", [false, true, true]);
    stands("02", 0);
    stands("03", 1);
    stands("04", 0);
    all("to and fro", [true, true, true]);
    change(town.coordinator(), &at, &json!({"retired": true}));
    stands("05", 1);
    all("retired and gone", [false, true, true].map(|seen| seen));
    change(town.coordinator(), &at, &json!({"retired": null}));
    all("revived", [false, true, true]);
}

fn a_site_that_is_gained_comes_and_one_that_is_lost_goes(backend: Backend) {
    let world = World::new(backend);
    let (town, [unit, other, _]) = lively(&world);
    let person = Person::new(&world, &town, &[0]);
    let mut replica = Replica::new(&person.client, 3);
    complete(&mut replica, &person.client, "one");
    let told = replica.told;

    person.sees(&town, &[0, 1]);
    complete(&mut replica, &person.client, "gained");
    assert!(units(&replica).contains(&other));
    // Only the site gained is told, and its unit with five events.
    assert_eq!(replica.told - told, 7);

    // Something moves while the sites change.
    person.sees(&town, &[1]);
    replica.page();
    town.happened(&unit, "2026-04-01T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    complete(&mut replica, &person.client, "lost");
    assert!(units(&replica).contains(&unit));
    assert!(!replica.records.contains_key(&("site".to_owned(), town.sites[0].clone())));

    let told = replica.told;
    person.sees(&town, &[1]);
    complete(&mut replica, &person.client, "the same");
    assert_eq!(replica.told, told);
}

fn sites_that_change_twice_begin_afresh(backend: Backend) {
    let world = World::new(backend);
    let (town, _) = lively(&world);
    let person = Person::new(&world, &town, &[0]);
    let mut replica = Replica::new(&person.client, 2);
    replica.page();
    person.sees(&town, &[1]);
    let page = replica.ask();
    assert_eq!(page["pull"], json!({"status": "reset", "reason": "scope_changed"}), "{page}");
    complete(&mut replica, &person.client, "while it was filled");
    person.sees(&town, &[0]);
    replica.page();
    person.sees(&town, &[0, 1]);
    assert_eq!(replica.ask()["pull"]["reason"], "scope_changed");
    complete(&mut replica, &person.client, "while the sites changed");
}

fn who_may_see_nothing_is_told_nothing(backend: Backend) {
    let world = World::new(backend);
    let (town, _) = lively(&world);
    let person = Person::new(&world, &town, &[1]);
    let nobody = world.client(town.id, world.person(town.id, &[]));
    let mut replica = Replica::new(&nobody, 100);
    replica.follow();
    assert!(replica.records.is_empty());
    let mut replica = Replica::new(&person.client, 100);
    replica.follow();
    let text = format!("{:?}", replica.records);
    assert!(!text.contains("FS-1") && text.contains("SH-1"), "{text}");
    // Nobody is told of people, grants and handsets.
    let kinds: BTreeSet<&str> = replica.records.keys().map(|(kind, _)| kind.as_str()).collect();
    assert_eq!(kinds, BTreeSet::from(["edition", "schedule", "service_event", "site", "unit"]));
}
