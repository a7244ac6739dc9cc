//! A week of three technicians. The program is killed after whatever it does, and between any two requests; the service is
//! started anew each morning. In the end devices and service have the same, and all that anybody entered is there.

use std::collections::BTreeSet;

use blackbox::{Backend, Town, World, on_both, service::is_clean, world::id_of};
use handset::{Ended, Kind, State, Wish, outside::CodeFor};
use model::PersonId;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::van::{Van, due_differs, event};

on_both!(a_week);

const DAYS: [&str; 7] = [
    "2026-06-15T12:00:00Z",
    "2026-06-16T12:00:00Z",
    "2026-06-17T12:00:00Z",
    "2026-06-18T12:00:00Z",
    "2026-06-19T12:00:00Z",
    "2026-06-20T12:00:00Z",
    "2026-06-21T12:00:00Z",
];
/// On Saturday the lent access is over.
const SATURDAY: usize = 5;
const TWO_YEARS: i64 = 2 * 365 * 24 * 3600;

const ADA: usize = 0;
const BEN: usize = 1;
const CYD: usize = 2;
/// The tablet that Ben's was copied to.
const SPARE: usize = 3;

/// What there is, and what was entered.
struct Week {
    world: World,
    town: Town,
    people: Vec<PersonId>,
    vans: Vec<Van>,
    /// Two units at each of three sites.
    units: Vec<[String; 2]>,
    entered: BTreeSet<String>,
}

fn a_week(backend: Backend) {
    let mut week = Week::new(backend);
    week.monday();
    week.tuesday();
    week.wednesday();
    week.thursday();
    let backup = week.friday();
    week.saturday(&backup);
    week.sunday();
}

impl Week {
    /// Ada works at the first two sites, Ben at the second, Cyd at the third; Ada and Ben also keep the data of the second.
    fn new(backend: Backend) -> Self {
        let world = World::at(backend, DAYS[0]);
        let town = world.town();
        let desk = town.coordinator();
        let third = json!({"name": "Radio Hill", "zone": "America/Denver"});
        let sites = [
            town.sites[0].clone(),
            town.sites[1].clone(),
            id_of(&desk.post("/v1/sites", &third).expect(201).json()),
        ];
        let mut units = Vec::new();
        for (number, site) in sites.iter().enumerate() {
            units.push(["a", "b"].map(|letter| in_service(&town, &format!("Set {number}{letter}"), site)));
        }
        let people = [
            vec![("technician", json!([sites[0], sites[1]])), ("coordinator", json!([sites[1]]))],
            vec![("technician", json!([sites[1]])), ("coordinator", json!([sites[1]]))],
            vec![("technician", json!([sites[2]]))],
        ];
        let people = people.iter().map(|grants| world.person(town.id, grants)).collect();
        let lent = json!({"role": "technician", "sites": [sites[1]], "from": "2026-06-19T00:00:00Z", "until": DAYS[SATURDAY]});
        let week = Self { world, town, people, vans: Vec::new(), units, entered: BTreeSet::new() };
        week.world.grant(week.town.id, week.people[CYD], lent);
        week
    }

    /// The vans are enrolled and filled; each person sees their sites, and what one enters the others see.
    fn monday(&mut self) {
        self.vans = self.people.iter().map(|person| Van::of(&self.world, &self.town, *person)).collect();
        for van in 0..3 {
            self.ends(van);
        }
        assert_eq!(self.seen(), [4, 2, 2]);
        for (van, site) in [(ADA, 0), (ADA, 1), (BEN, 1), (CYD, 2)] {
            let unit = self.units[site][0].clone();
            self.reads(van, &unit, 10.0);
        }
        self.all_end();
    }

    /// Ada drives where there is no signal; Ben's clock is two years fast.
    fn tuesday(&mut self) {
        self.morning(1);
        self.vans[ADA].wire.off = true;
        self.works(ADA, 0);
        assert_eq!(self.vans[ADA].sync().ended, Ended::Later);
        let shared = self.units[1][0].clone();
        self.sets(ADA, &shared, json!({"label": "Pump house 1"}));

        self.vans[BEN].around.fast = TWO_YEARS;
        self.vans[BEN].open("started with a wrong clock");
        self.vans[BEN].sync();
        let now = self.vans[BEN].now();
        let reading =
            json!({"kind": "reading", "occurred_at": now, "occurred_source": "clock", "meter_hours": 20});
        let read = self.writes(BEN, event(&shared, reading));
        self.sets(BEN, &shared, json!({"label": "Pump house, north"}));
        self.ends(BEN);
        assert_eq!(self.vans[BEN].unrecorded(), Vec::<String>::new());
        // The time is put right, and the device knows by how much.
        let told = self.town.coordinator().get(&format!("/v1/service-events/{read}")).expect(200).json();
        assert_eq!(told["occurred_at"], now, "{told}");
        assert!(told["happened_at"].as_str().unwrap().starts_with("2026-06-16T12:00:"), "{told}");
        let lacks = self.vans[BEN].handset().device().unwrap().offset_micros.unwrap() / 1_000_000;
        assert!((lacks + TWO_YEARS).abs() < 60, "{lacks}");
    }

    /// Cyd's handset is lost with work on it, revoked, found, and enrolled anew; what it sends is looked at by a person.
    fn wednesday(&mut self) {
        self.morning(2);
        self.vans[CYD].wire.off = true;
        self.works(CYD, 2);
        let id = self.vans[CYD].handset().enrolments().unwrap()[0].handset;
        self.town.coordinator().post(&format!("/v1/handsets/{id}/revoke"), &json!({})).expect(200);
        self.vans[CYD].wire.off = false;
        assert_eq!(self.vans[CYD].syncs_between_kills().ended, Ended::NeedsCode(CodeFor::Revoked));
        let held = self.town.coordinator().all("/v1/held", 100);
        let waits = self.vans[CYD].states().iter().filter(|state| **state == State::Held).count();
        assert!(waits >= 5 && held.len() == waits, "{held:?}");
        for edit in held {
            let id = edit["id"].as_str().unwrap();
            self.town.coordinator().post(&format!("/v1/held/{id}/release"), &json!({})).expect(200);
        }
        self.code(CYD);
        self.ends(CYD);
        self.ends(CYD);
        assert_eq!(self.vans[CYD].unrecorded(), Vec::<String>::new());
        self.works(ADA, 1);
    }

    /// Ada is back, and finds that two named the same unit; Ben's tablet is copied to a spare one, and both go on.
    fn thursday(&mut self) {
        self.morning(3);
        self.vans[ADA].wire.off = false;
        self.vans[BEN].around.fast = -40 * 60;
        self.vans[BEN].open("started with another wrong clock");
        self.ends(ADA);
        self.ends(BEN);
        let shared = self.units[1][0].clone();
        for van in [ADA, BEN] {
            let mut values = self.vans[van].contested(&shared, "label");
            values.sort_by_key(ToString::to_string);
            assert_eq!(values, ["Pump house 1", "Pump house, north"]);
        }
        self.sets(ADA, &shared, json!({"label": "Pump house, north"}));
        self.all_end();
        assert_eq!(self.vans[BEN].contested(&shared, "label").len(), 0);

        let spare = self.vans[BEN].copied();
        self.vans.push(spare);
        for van in [BEN, SPARE] {
            self.works(van, 1);
        }
        self.vans[BEN].syncs_between_kills();
        assert_eq!(self.vans[SPARE].syncs_between_kills().ended, Ended::NeedsCode(CodeFor::Forked));
        self.code(SPARE);
        self.ends(SPARE);
        self.works(BEN, 1);
        self.code(BEN);
        self.ends(BEN);
    }

    /// Cyd is lent to the second site for a day. A backup is made before anybody enters anything.
    fn friday(&mut self) -> blackbox::database::Backup {
        self.morning(4);
        self.world.service.kill();
        let backup = self.world.database.backup();
        self.morning(4);
        self.ends(CYD);
        assert_eq!(self.seen()[CYD], 4);
        for (van, site) in [(ADA, 0), (BEN, 1), (CYD, 1), (CYD, 2), (SPARE, 1)] {
            self.works(van, site);
        }
        self.all_end();
        // Cyd enters something at the lent site, and is without a signal until the access is over.
        self.vans[CYD].wire.off = true;
        self.works(CYD, 1);
        backup
    }

    /// The service is restored from the backup, and is given again what it has lost; Cyd's too, who is not lent any more.
    fn saturday(&mut self, backup: &blackbox::database::Backup) {
        self.world.service.kill();
        self.world.database.restore(backup);
        self.morning(SATURDAY);
        self.vans[CYD].wire.off = false;
        self.all_end();
        self.works(ADA, 1);
    }

    /// Everybody comes home.
    fn sunday(&mut self) {
        self.morning(6);
        for _ in 0..2 {
            self.all_end();
        }
        assert_eq!(self.seen(), [4, 2, 2, 2]);
        for (van, person) in self.vans.iter_mut().zip([ADA, BEN, CYD, BEN]) {
            van.agrees();
            assert_eq!(van.unrecorded(), Vec::<String>::new());
            let (records, client) = (van.records(), self.world.client(self.town.id, self.people[person]));
            for unit in van.handset().ids(Kind::Unit).unwrap() {
                let differ = due_differs(&records, &client, &unit.to_string(), "");
                assert_eq!(differ, Vec::<String>::new(), "{unit}");
            }
        }
        let copies = self.vans[BEN].told();
        assert_eq!(copies, self.vans[SPARE].told());
        let of_second_site = |(kind, _, _): &&(String, Uuid, String)| kind == "site";
        assert_eq!(copies.iter().filter(of_second_site).count(), 1);
        assert_eq!(self.entered.difference(&self.recorded()).collect::<Vec<_>>(), Vec::<&String>::new());
        is_clean(&self.world.database);
    }

    /// The service is started on another day, and the vans with it.
    fn morning(&mut self, day: usize) {
        self.world.restart_at(DAYS[day]);
        self.world.reach(&mut self.town);
        for (van, person) in self.vans.iter_mut().zip([ADA, BEN, CYD, BEN]) {
            van.reach(&self.world, &self.town, self.people[person], DAYS[day]);
        }
    }

    /// A round at a site: on each unit there a reading, a run, fuel, a battery check, a service and a finding.
    fn works(&mut self, van: usize, site: usize) {
        for unit in self.units[site].clone() {
            let hours = 10.0 + f64::from(u32::try_from(self.entered.len()).unwrap()) / 10.0;
            self.reads(van, &unit, hours);
            let ended = self.vans[van].true_time(-1800);
            let began = self.vans[van].true_time(-3600);
            for what in [
                json!({"kind": "run", "phase": "whole", "reason": "test", "occurred_at": began, "stopped_at": ended}),
                json!({"kind": "fuel", "action": "filled", "occurred_at": ended, "litres": 5}),
                json!({"kind": "battery", "occurred_at": ended, "result": "passed", "volts": 12.7}),
                json!({"kind": "service", "occurred_at": ended, "jobs": [{"job": "oil_change"}]}),
                json!({"kind": "finding", "occurred_at": ended, "action": "opened", "severity": "minor", "finding": "oil_leak"}),
            ] {
                self.writes(van, event(&unit, what));
            }
        }
    }

    fn reads(&mut self, van: usize, unit: &str, hours: f64) {
        let at = self.vans[van].true_time(-3600);
        self.writes(van, event(unit, json!({"kind": "reading", "occurred_at": at, "meter_hours": hours})));
    }

    fn sets(&mut self, van: usize, unit: &str, fields: Value) {
        self.vans[van].set(unit, fields);
        self.vans[van].killed();
    }

    /// Somebody enters something, and the program is killed.
    fn writes(&mut self, van: usize, wish: Wish) -> String {
        let id = self.vans[van].write(wish);
        self.vans[van].killed();
        self.entered.insert(id.clone());
        id
    }

    fn code(&mut self, van: usize) {
        let code = self.town.handset_code();
        self.vans[van].people.codes.push_back(code);
    }

    /// A van syncs, between kills, until nothing is left; then it has what the service has.
    #[track_caller]
    fn ends(&mut self, van: usize) {
        let synced = self.vans[van].syncs_between_kills();
        assert_eq!((synced.ended, synced.mended), (Ended::Done, 0), "{:?}", self.vans[van].wire.asked);
        self.vans[van].agrees();
    }

    #[track_caller]
    fn all_end(&mut self) {
        for van in 0..self.vans.len() {
            self.ends(van);
        }
    }

    /// How many units each van has.
    fn seen(&mut self) -> Vec<usize> {
        self.vans.iter_mut().map(|van| van.handset().ids(Kind::Unit).unwrap().len()).collect()
    }

    /// The ids of all service events that the service has.
    fn recorded(&self) -> BTreeSet<String> {
        let of = |unit: &String| self.town.coordinator().all(&format!("/v1/service-events?unit={unit}"), 200);
        self.units.iter().flatten().flat_map(of).map(|event| id_of(&event)).collect()
    }
}

/// A unit at home at a site, which was commissioned in January with nothing on its meter and follows the town's schedule.
fn in_service(town: &Town, label: &str, site: &str) -> String {
    let unit = json!({"label": label, "home_site_id": site, "fuel": "petrol"});
    let unit = id_of(&town.coordinator().post("/v1/units", &unit).expect(201).json());
    let commissioning = json!({"kind": "commissioning", "site_id": site, "meter_hours": 0});
    town.happened(&unit, "2026-01-10T10:00:00-07:00", commissioning);
    town.happened(&unit, "2026-01-10T10:00:00-07:00", town.adoption());
    unit
}
