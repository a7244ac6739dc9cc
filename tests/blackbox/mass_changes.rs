//! One change that concerns many units: an edition adopted for a model, the zone of a site. Single reads are right at
//! once, lists say how many units are pending, and whatever is written meanwhile is kept.

mod explained;
mod fleet;

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::atomic::{AtomicBool, Ordering},
    thread,
    time::{Duration, Instant},
};

use blackbox::{
    Backend, Client, Service, Town, World,
    nightly::NightShift,
    none_failed, on_both,
    service::{NOW, is_clean},
    world::{id_of, new_id},
};
use diesel::{Connection, PgConnection, RunQueryDsl, sql_query};
use serde_json::{Value, json};

use self::fleet::{Fleet, adoption, edition_with, single, writing};

on_both!(
    an_adoption_for_a_model_is_one_event,
    a_models_adoption_and_a_units_own_stand_beside_each_other,
    few_units_are_folded_at_once_and_many_later,
    an_edition_for_many_units_while_writes_go_on,
    a_zone_moves_the_days_of_many_units,
    a_mass_change_on_a_mass_change,
    a_refolding_that_was_cut_off_goes_on,
);

/// More than a write folds by itself, and many slices of the job.
const MANY: usize = 300;
/// How long a debug build may take to fold them anew.
const PATIENCE: Duration = Duration::from_secs(600);
/// When what a night shift took at [`NOW`], and was killed over, is free again.
const AFTER_THE_LEASE: &str = "2026-06-15T12:05:00Z";

/// The check by another process while the service writes. On SQLite it would wait for the file until it gives up.
fn is_clean_meanwhile(world: &World) {
    if world.database.backend() == Backend::Postgres {
        is_clean(&world.database);
    }
}

/// How many units a list says are pending.
fn pending(client: &Client) -> usize {
    let list = client.get("/v1/due?limit=1").expect(200).json();
    list.get("pending").map_or(0, |pending| usize::try_from(pending.as_u64().unwrap()).unwrap())
}

fn until_none_is_pending(client: &Client) {
    let began = Instant::now();
    while pending(client) > 0 {
        assert!(began.elapsed() < PATIENCE, "{} are still pending", pending(client));
        thread::sleep(Duration::from_millis(50));
    }
}

/// The items that a list shows of each unit.
fn listed(client: &Client) -> BTreeMap<String, BTreeSet<String>> {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for item in client.all("/v1/due", 500) {
        let unit = item["unit_id"].as_str().unwrap().to_owned();
        let line = json!([item["task"], item["state"], item["reason"], item["due_at"]]);
        assert!(found.entry(unit).or_default().insert(line.to_string()), "twice in the list: {item}");
    }
    found
}

/// With nothing pending, a list shows of each of these units what its single read says.
fn lists_agree(client: &Client, units: &[String]) {
    let listed = listed(client);
    let mut failures = Vec::new();
    for unit in units {
        let read = client.get(&format!("/v1/units/{unit}/due")).expect(200).json();
        let line =
            |item: &Value| json!([item["task"], item["state"], item["reason"], item["due_at"]]).to_string();
        let items: BTreeSet<String> = read["items"].as_array().unwrap().iter().map(line).collect();
        if listed.get(unit).unwrap_or(&BTreeSet::new()) != &items {
            failures.push(format!("{unit}: listed {:?}, read {items:?}", listed.get(unit)));
        }
    }
    none_failed(&failures);
}

fn edition_of(items: &[Value]) -> BTreeSet<&str> {
    items.iter().map(|item| item[0].as_str().unwrap()).collect()
}

fn an_adoption_for_a_model_is_one_event(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let (units, others) = (fleet.units("P7", 3, 0), fleet.units("P9", 1, 0));
    let client = town.coordinator();
    let body = adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z");
    let rows = world.database.log_rows();
    let made = client.post("/v1/service-events", &body).expect(201);
    assert_eq!(world.database.log_rows(), rows + 1);
    assert_eq!(single(client, &others[0]), Vec::<Value>::new(), "another model");
    for unit in &units {
        assert_eq!(edition_of(&single(client, unit)), BTreeSet::from([town.edition.as_str()]));
    }
    lists_agree(client, &[units, others].concat());

    // It is an event like any other: read by everybody who reads events, recognised when it is sent again.
    let path = made.header("location").to_owned();
    let person = world.person(town.id, &[("viewer", json!([town.sites[1]]))]);
    for reader in [client, &world.client(town.id, person)] {
        let read = reader.get(&path).expect(200);
        assert_eq!(read.etag(), made.etag());
        assert_eq!((&read.json()["maker"], &read.json()["model"]), (&json!("Alder"), &json!("P7")));
    }
    let rows = world.database.log_rows();
    let again = client.post("/v1/service-events", &body).expect(200);
    assert_eq!((again.json(), again.etag()), (made.json(), made.etag()));
    let mut other = body.clone();
    other["model"] = json!("P9");
    client.post("/v1/service-events", &other).problem(409, "id_reused");
    assert_eq!(world.database.log_rows(), rows);
    world.town().coordinator().get(&path).problem(404, "not_found");
    let unit = fleet.units("P7", 1, 1).remove(0);
    assert_eq!(single(client, &unit).len(), 3, "a unit that comes later");
    let trace = town.due(&unit, "oil_change").to_string();
    assert!(trace.contains(body["id"].as_str().unwrap()), "{trace}");
    who_may_adopt_for_a_model(&world, &town, &unit, &body);
    is_clean(&world.database);
}

fn who_may_adopt_for_a_model(world: &World, town: &Town, unit: &str, known: &Value) {
    let of_a_site = world.person(town.id, &[("coordinator", json!([town.sites[0]]))]);
    let fresh = || adoption(town, "P7", &town.edition, "2026-03-02T10:00:00Z");
    for client in [&town.clients["technician"], &town.clients["planner"], &world.client(town.id, of_a_site)] {
        client.post("/v1/service-events", &fresh()).problem(403, "forbidden");
    }
    let client = town.coordinator();
    let cases = [
        ("a unit too", "unit_id", json!(unit), "/unit_id", "two_subjects"),
        ("no maker", "maker", Value::Null, "/maker", "required"),
        ("no such edition", "edition_id", json!(new_id()), "/edition_id", "unknown_edition"),
        ("no such schedule", "schedule_id", json!(new_id()), "/schedule_id", "unknown_schedule"),
        ("ahead", "occurred_at", json!("2026-06-17T12:00:00Z"), "/occurred_at", "occurred_in_future"),
        ("nobody", "on_behalf_of", json!(new_id()), "/on_behalf_of", "unknown_person"),
    ];
    for (name, member, value, pointer, code) in cases {
        let mut body = fresh();
        body[member] = value;
        let reply = client.post("/v1/service-events", &body);
        assert_eq!(reply.errors(), [(pointer.to_owned(), code.to_owned())], "{name}");
    }
    let correction = json!({"kind": "correction", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z",
        "action": "void", "target_id": known["id"], "reason": "a slip"});
    let reply = client.post("/v1/service-events", &correction);
    assert_eq!(reply.errors(), [("/target_id".to_owned(), "adoption_for_a_model".to_owned())]);
}

fn a_models_adoption_and_a_units_own_stand_beside_each_other(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let unit = fleet.units("P7", 1, 0).remove(0);
    let client = town.coordinator();
    let (second, third) = (edition_with(&town, "B", 3), edition_with(&town, "C", 4));
    let holds = |edition: Option<&str>, why: &str| {
        let items = single(client, &unit);
        assert_eq!(edition_of(&items), edition.into_iter().collect(), "{why}");
        lists_agree(client, std::slice::from_ref(&unit));
    };
    town.record(adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z"));
    holds(Some(&town.edition), "the model's");
    let mut own = town.adoption();
    own["edition_id"] = json!(second);
    town.happened(&unit, "2026-04-01T10:00:00Z", own);
    holds(Some(&second), "the unit's own, decided later");
    town.record(adoption(&town, "P7", &third, "2026-03-20T10:00:00Z"));
    holds(Some(&second), "the model's, decided before the unit's own");
    let mut ending = adoption(&town, "P7", &third, "2026-05-01T10:00:00Z");
    ending["effective_until"] = json!("2026-07-01");
    town.record(ending);
    holds(Some(&third), "the model's again, until July");
    let change = |fields: Value| {
        let path = format!("/v1/units/{unit}");
        let etag = client.get(&path).expect(200).etag();
        client.patch(&path, &etag, &fields).expect(200);
    };
    change(json!({"model": "P8"}));
    holds(Some(&second), "of another model it has its own");
    change(json!({"model": "P7"}));
    holds(Some(&third), "and again");
    change(json!({"maker": null}));
    holds(Some(&second), "without a maker it is of no model");
    let mut on_a_day = adoption(&town, "P7", &town.edition, "2026-06-01T10:00:00Z");
    on_a_day["occurred_on"] = json!("2026-06-01");
    on_a_day.as_object_mut().unwrap().remove("occurred_at");
    town.record(on_a_day);
    change(json!({"maker": "Alder"}));
    holds(Some(&town.edition), "decided on a day");
    is_clean(&world.database);
}

/// No service runs, so what is not folded at once stays.
fn few_units_are_folded_at_once_and_many_later(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let edition = edition_with(&town, "B", 3);
    world.service.kill();
    for (model, units, left) in [("P50", 50, 0), ("P51", 51, 51)] {
        let fleet = Fleet::new(&world, &town);
        let ids = fleet.units(model, units, 0);
        fleet.record(&adoption(&town, model, &town.edition, "2026-03-01T10:00:00Z"));
        fleet.record(&adoption(&town, model, &edition, "2026-04-01T10:00:00Z"));
        let behind = "SELECT count(DISTINCT u.unit_id) AS n FROM unit_context u JOIN context c ON c.organization = u.organization \
            AND c.kind = u.kind AND c.key = u.key AND u.version < c.version";
        assert_eq!(world.database.number(behind), left, "{units} units");
        is_clean(&world.database);
        // A write to a stale unit folds it whole.
        let reading = json!({"id": new_id(), "kind": "reading", "unit_id": ids[0], "meter_hours": 3,
            "occurred_at": "2026-05-01T10:00:00Z"});
        fleet.record(&reading);
        assert_eq!(world.database.number(behind), (left - 1).max(0), "{units} units, one of them written to");
        is_clean(&world.database);
        drop(fleet);
        world.service = Service::start(&world.database);
        world.reach(&mut town);
        let night = NightShift::start(&world.database, NOW);
        until_none_is_pending(town.coordinator());
        lists_agree(town.coordinator(), &ids);
        assert_eq!(edition_of(&single(town.coordinator(), &ids[7])), BTreeSet::from([edition.as_str()]));
        drop(night);
        world.service.kill();
        is_clean(&world.database);
    }
}

fn all_are_kept(client: &Client, written: &[Value]) {
    assert!(written.len() > 20, "only {} were written", written.len());
    for body in written {
        let read = client.get(&format!("/v1/service-events/{}", id_of(body))).expect(200).json();
        assert_eq!(read["unit_id"], body["unit_id"]);
    }
}

fn an_edition_for_many_units_while_writes_go_on(backend: Backend) {
    let world = World::new(backend);
    let _night = NightShift::start(&world.database, NOW);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let units = fleet.units("P7", MANY, 0);
    let client = town.coordinator();
    town.record(adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z"));
    until_none_is_pending(client);
    let edition = edition_with(&town, "B", 3);
    let over = AtomicBool::new(false);
    let written = thread::scope(|scope| {
        let writers = writing(scope, client, &units, &over);
        adopted_by_all(&world, &town, &units, &edition);
        over.store(true, Ordering::SeqCst);
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect::<Vec<_>>()
    });
    all_are_kept(client, &written);
    until_none_is_pending(client);
    lists_agree(client, &units);
    is_clean(&world.database);
}

/// A large fleet, once: a debug build takes its time.
#[test]
fn an_edition_for_five_thousand_units() {
    let world = World::new(Backend::Sqlite);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let units = fleet.units("P7", 5000, 0);
    adopted_by_all(&world, &town, &units, &town.edition);
    let some: Vec<String> = units.into_iter().step_by(25).collect();
    lists_agree(town.coordinator(), &some);
    is_clean(&world.database);
}

/// Adopts an edition for the model of these units: some are read while they are stale, and again when none is.
fn adopted_by_all(world: &World, town: &Town, units: &[String], edition: &str) {
    let client = town.coordinator();
    town.record(adoption(town, "P7", edition, "2026-04-01T10:00:00Z"));
    let left = pending(client);
    assert!(left > 0 && left <= units.len(), "{left} are pending");
    let _night = NightShift::start(&world.database, NOW);
    // Only what a list asks about, and its reader may see, is counted.
    let elsewhere = world.person(town.id, &[("viewer", json!([town.sites[1]]))]);
    assert_eq!(pending(&world.client(town.id, elsewhere)), 0);
    let there = client.get(&format!("/v1/due?limit=1&site={}", town.sites[1])).expect(200).json();
    assert_eq!(there.get("pending"), None);
    // The first and the last to be folded anew, and some between.
    let read = |unit: &String| (unit.clone(), single(client, unit));
    let early: Vec<(String, Vec<Value>)> = units.iter().step_by(units.len() / 20).map(read).collect();
    is_clean_meanwhile(world);
    until_none_is_pending(client);
    for (unit, early) in early {
        assert_eq!(edition_of(&early), BTreeSet::from([edition]), "{unit}");
        // Of the task that the edition changes, and nobody's late service.
        let oil =
            |items: &[Value]| items.iter().find(|item| item[1] == "oil_change").map(|item| item[5].clone());
        assert_eq!(oil(&early), oil(&single(client, &unit)), "{unit}");
    }
}

fn a_zone_moves_the_days_of_many_units(backend: Backend) {
    let world = World::new(backend);
    let _night = NightShift::start(&world.database, NOW);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let units = fleet.units("P7", MANY / 3, 0);
    // Another site's units keep their days, but for one that has stood here.
    let others = fleet.units("P7", 2, 1);
    let client = town.coordinator();
    town.record(adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z"));
    town.happened(&others[0], "2026-02-01T10:00:00Z", json!({"kind": "placement", "site_id": town.sites[0]}));
    town.happened(&others[0], "2026-03-01T10:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    let on_a_day = json!({"kind": "service", "occurred_on": "2026-02-10", "jobs": [{"job": "oil_change"}], "unit_id": others[0]});
    town.record(on_a_day);
    until_none_is_pending(client);
    let day = |unit: &String, kind: &str| {
        let sql = "SELECT occurred_at AS n FROM service_event WHERE kind = ";
        let unit = match backend {
            Backend::Sqlite => format!("x'{}'", unit.replace('-', "")),
            Backend::Postgres => format!("'{unit}'"),
        };
        world.database.number(&format!("{sql}'{kind}' AND unit_id = {unit}"))
    };
    let before: Vec<i64> = units.iter().map(|unit| day(unit, "commissioning")).collect();
    let there = (day(&others[0], "service"), day(&others[1], "commissioning"));
    let etag = client.get(&format!("/v1/sites/{}", town.sites[0])).expect(200).etag();
    let over = AtomicBool::new(false);
    let written = thread::scope(|scope| {
        let writers = writing(scope, client, &units, &over);
        let zone = json!({"zone": "Pacific/Auckland"});
        client.patch(&format!("/v1/sites/{}", town.sites[0]), &etag, &zone).expect(200);
        let left = pending(client);
        assert!(left > 0 && left <= units.len() + 1, "{left} are pending");
        for unit in units.iter().step_by(20).chain(&others[..1]) {
            let due = single(client, unit).iter().find(|item| item[1] == "plug_replace").unwrap()[4].clone();
            // Due a year after the day of commissioning, at midnight where the unit stands.
            let expected = if unit == &others[0] { "2027-01-10T06:00:00Z" } else { "2027-01-09T11:00:00Z" };
            assert_eq!(due, expected, "{unit}");
        }
        is_clean_meanwhile(&world);
        until_none_is_pending(client);
        over.store(true, Ordering::SeqCst);
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect::<Vec<_>>()
    });
    all_are_kept(client, &written);
    until_none_is_pending(client);
    // From midnight in Denver (UTC-7) to midnight in Auckland (UTC+13 in summer).
    const HOUR: i64 = 3_600_000_000;
    for (unit, before) in units.iter().zip(before) {
        assert_eq!(day(unit, "commissioning"), before - 20 * HOUR, "{unit}");
    }
    assert_eq!(day(&others[0], "service"), there.0 - 20 * HOUR, "while it stood there");
    assert_eq!(day(&others[1], "commissioning"), there.1, "never there");
    lists_agree(client, &[units, others].concat());
    is_clean(&world.database);
}

fn a_mass_change_on_a_mass_change(backend: Backend) {
    let world = World::new(backend);
    let _night = NightShift::start(&world.database, NOW);
    let town = world.town();
    let fleet = Fleet::new(&world, &town);
    let units = fleet.units("P7", MANY / 3, 0);
    let client = town.coordinator();
    let editions = ["B", "C", "D"].map(|label| edition_with(&town, label, 3));
    let over = AtomicBool::new(false);
    let written = thread::scope(|scope| {
        let writers = writing(scope, client, &units, &over);
        // Each while the units are still stale from the one before; the zone comes back to what it was.
        for (n, edition) in editions.iter().enumerate() {
            town.record(adoption(&town, "P7", edition, &format!("2026-04-0{}T10:00:00Z", n + 1)));
            let path = format!("/v1/sites/{}", town.sites[0]);
            let etag = client.get(&path).expect(200).etag();
            let zone = ["Pacific/Auckland", "Europe/Berlin", "America/Denver"][n];
            client.patch(&path, &etag, &json!({"zone": zone})).expect(200);
            assert!(pending(client) > 0);
        }
        until_none_is_pending(client);
        over.store(true, Ordering::SeqCst);
        writers.into_iter().flat_map(|writer| writer.join().unwrap()).collect::<Vec<_>>()
    });
    all_are_kept(client, &written);
    until_none_is_pending(client);
    assert_eq!(edition_of(&single(client, &units[0])), BTreeSet::from([editions[2].as_str()]));
    lists_agree(client, &units);
    is_clean(&world.database);
}

fn a_refolding_that_was_cut_off_goes_on(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let units = Fleet::new(&world, &town).units("P7", MANY, 0);
    town.record(adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z"));
    let mut night = NightShift::start(&world.database, NOW);
    let started = Instant::now();
    let all = loop {
        let left = pending(town.coordinator());
        assert!(left > 0 && started.elapsed() < PATIENCE, "{left} are pending");
        if left < units.len() {
            break left;
        }
    };
    night.kill();
    world.service.kill();
    assert!(all > 0);
    // What is stale is out of date, and no difference.
    is_clean(&world.database);
    world.restart_at(AFTER_THE_LEASE);
    let _night = NightShift::start(&world.database, AFTER_THE_LEASE);
    world.reach(&mut town);
    until_none_is_pending(town.coordinator());
    lists_agree(town.coordinator(), &units);
    is_clean(&world.database);
}

#[test]
fn two_instances_fold_side_by_side() {
    let mut world = World::new(Backend::Postgres);
    let mut town = world.town();
    let fleet = Fleet::new(&world, &town);
    let units = fleet.units("P7", MANY, 0);
    let edition = edition_with(&town, "B", 3);
    world.service.kill();
    fleet.record(&adoption(&town, "P7", &edition, "2026-03-01T10:00:00Z"));
    drop(fleet);
    let outbox = "SELECT count(*) AS n FROM outbox";
    let told = world.database.number(outbox);
    // Both find the stale units.
    let _nights = [NOW, NOW].map(|clock| NightShift::start(&world.database, clock));
    let second = Service::start(&world.database);
    world.restart_at(NOW);
    world.reach(&mut town);
    let token = world.token(town.id, town.people["coordinator"]);
    for client in [town.coordinator(), &second.client(&token)] {
        until_none_is_pending(client);
        lists_agree(client, &units);
    }
    // Three new items of each unit, told once.
    let items = i64::try_from(3 * units.len()).unwrap();
    assert_eq!(world.database.number(outbox), told + items);
    is_clean(&world.database);
}

/// A unit comes to a model while an edition is adopted for it, and is recorded after it with what it read before it.
#[test]
fn a_write_that_is_overtaken_leaves_the_unit_to_be_found() {
    let world = World::new(Backend::Postgres);
    let _night = NightShift::start(&world.database, NOW);
    let town = world.town();
    let unit = Fleet::new(&world, &town).units("P8", 1, 0).remove(0);
    let client = town.coordinator();
    let path = format!("/v1/units/{unit}");
    let etag = client.get(&path).expect(200).etag();
    // Somebody holds the unit's state, so that the write stops after it has read what the unit is folded with.
    let mut holder = PgConnection::establish(world.database.url()).unwrap();
    let run = |conn: &mut PgConnection, text: &str| sql_query(text).execute(conn).unwrap();
    run(&mut holder, "BEGIN");
    run(&mut holder, &format!("SELECT 1 FROM unit_state WHERE unit_id = '{unit}' FOR UPDATE"));
    thread::scope(|scope| {
        let change = scope.spawn(|| client.patch(&path, &etag, &json!({"model": "P7"})));
        let waits = "SELECT count(*) AS n FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'";
        let began = Instant::now();
        while world.database.number(waits) == 0 {
            assert!(began.elapsed() < Duration::from_secs(4), "the write does not wait");
        }
        town.record(adoption(&town, "P7", &town.edition, "2026-03-01T10:00:00Z"));
        run(&mut holder, "COMMIT");
        change.join().unwrap().expect(200);
    });
    assert_eq!(single(client, &unit).len(), 3);
    until_none_is_pending(client);
    lists_agree(client, &[unit]);
    is_clean(&world.database);
}
