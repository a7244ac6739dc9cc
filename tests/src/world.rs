//! A small world: an organization with people of every role, two sites, a schedule, and whatever units a test makes.

use std::{collections::BTreeMap, sync::LazyLock};

use access::{Audience, Claims, ClientId, Issuer, Leaving, SigningKey, TokenId, keys, token};
use model::{Id, Instant, OrganizationId, PersonId, RecipientId, edit::Target, stamp::Stamp};
use serde_json::{Value, json};
use store::Command;
use uuid::Uuid;

use crate::{
    Backend, Bucket, Client, Database, Direct, OneProcess, Service, direct,
    service::{NOW, in_folder},
};

/// The issuer and audience that a service trusts by default.
pub const ISSUER: &str = "https://keepstart.example";
/// See [`ISSUER`].
pub const AUDIENCE: &str = "keepstart";

/// Every role there is.
pub const ROLES: &[&str] =
    &["viewer", "custodian", "technician", "coordinator", "planner", "auditor", "integrator", "admin"];

/// A running service with its database, and the key that signs tokens for it.
pub struct World {
    /// The service.
    pub service: Service,
    /// Its database.
    pub database: Database,
    /// The key.
    pub key: SigningKey,
    clock: String,
}

/// An organization in a world.
pub struct Town {
    /// Its id.
    pub id: OrganizationId,
    /// A client for each role, with a grant on all sites.
    pub clients: BTreeMap<&'static str, Client>,
    /// The people behind them.
    pub people: BTreeMap<&'static str, PersonId>,
    /// Two sites.
    pub sites: [String; 2],
    /// A schedule.
    pub schedule: String,
    /// Its edition: see [`edition`].
    pub edition: String,
}

impl World {
    /// The text with which a recipient leaves a mail list, as it stands in their mails.
    pub fn leaving(&self, organization: OrganizationId, recipient: &str) -> String {
        let store = Direct::open(&self.database, 2);
        let secret =
            store.ask(|store| async move { store.secret(Leaving::SECRET, Vec::new()).await }).unwrap();
        Leaving::new(&secret).text(organization, RecipientId::parse(recipient).unwrap())
    }

    /// A service on a fresh database, with its clock at [`NOW`].
    pub fn new(backend: Backend) -> Self {
        Self::at(backend, NOW)
    }

    /// A service on a fresh database, with its clock at `clock`.
    pub fn at(backend: Backend, clock: &str) -> Self {
        Self::served(backend, clock, |database| Service::start_at(database, clock))
    }

    /// The same with its clock at [`NOW`], of one process whatever is asked for.
    pub fn alone(backend: Backend, why: OneProcess) -> Self {
        Self::served(backend, NOW, |database| Service::alone(database, NOW, why))
    }

    /// A service on a fresh database, with its clock at [`NOW`], which keeps photos in a bucket.
    pub fn with_bucket(backend: Backend, bucket: &Bucket) -> Self {
        Self::served(backend, NOW, |database| Service::start_with(database, NOW, &bucket.arguments()))
    }

    fn served(backend: Backend, clock: &str, start: impl FnOnce(&Database) -> Service) -> Self {
        let database = Database::new(backend);
        let key = SigningKey::from_seed(&[7; 32]).unwrap();
        std::fs::write(in_folder(&database, "jwks.json"), keys::jwks([key.public()]).to_string()).unwrap();
        let service = start(&database);
        Self { service, database, key, clock: clock.to_owned() }
    }

    /// Ends the service at once and starts another on the same database, its clock beginning at `clock`.
    pub fn restart_at(&mut self, clock: &str) {
        self.service.kill();
        self.service = Service::start_at(&self.database, clock);
        self.clock = clock.to_owned();
    }

    /// Points a town's people at the service as it runs now, with tokens of its time.
    pub fn reach(&self, town: &mut Town) {
        for (role, person) in &town.people {
            town.clients.insert(role, self.client(town.id, *person));
        }
    }

    /// A new organization with nothing but people, one of each role.
    pub fn organization(&self) -> (OrganizationId, BTreeMap<&'static str, PersonId>) {
        let id = fresh();
        let mut people = BTreeMap::new();
        let mut edits = vec![(Target::Organization(id), json!({"name": "Tarn Valley"}))];
        for role in ROLES {
            let (person, records) = person(&[(role, json!("all"))]);
            people.insert(*role, person);
            edits.extend(records);
        }
        let direct = Direct::open(&self.database, 2);
        assert!(direct.ask(|store| async move { store.create_organization(id).await }).unwrap());
        record(&direct, id, &edits);
        (id, people)
    }

    /// A new organization with people, sites and a schedule.
    pub fn town(&self) -> Town {
        let (id, people) = self.organization();
        let clients: BTreeMap<_, _> =
            people.iter().map(|(role, person)| (*role, self.client(id, *person))).collect();
        let coordinator = &clients["coordinator"];
        let site = |name: &str, zone: &str| {
            let made = coordinator.post("/v1/sites", &json!({"name": name, "zone": zone})).expect(201).json();
            made["id"].as_str().unwrap().to_owned()
        };
        let sites = [site("Fire Station", "America/Denver"), site("Shelter", "America/Chicago")];
        let schedule =
            json!({"title": "Portable sets", "publisher": "Tarn Valley", "basis": "common_practice"});
        let schedule = id_of(&coordinator.post("/v1/schedules", &schedule).expect(201).json());
        let edition = id_of(
            &coordinator.post(&format!("/v1/schedules/{schedule}/editions"), &edition()).expect(201).json(),
        );
        Town { id, clients, people, sites, schedule, edition }
    }

    /// A person with these grants, in force from 2020 on.
    pub fn person(&self, organization: OrganizationId, grants: &[(&str, Value)]) -> PersonId {
        let (person, records) = person(grants);
        record(&Direct::open(&self.database, 2), organization, &records);
        person
    }

    /// A grant `{role, sites, from, until}` for a person.
    pub fn grant(&self, organization: OrganizationId, person: PersonId, grant: Value) {
        record(&Direct::open(&self.database, 2), organization, &[of_person(person, grant)]);
    }

    /// A token for a person, good for a day from when the service's clock began.
    pub fn token(&self, organization: OrganizationId, person: PersonId) -> String {
        let now = Instant::parse(&self.clock).unwrap();
        let claims = Claims {
            issued_at: now,
            expires_at: now.plus_seconds(24 * 3600),
            ..claims(organization, person)
        };
        token::sign(&self.key, &claims).unwrap()
    }

    /// A client for a person.
    pub fn client(&self, organization: OrganizationId, person: PersonId) -> Client {
        self.service.client(&self.token(organization, person))
    }
}

impl Town {
    /// The client of the one who runs the fleet.
    pub fn coordinator(&self) -> &Client {
        &self.clients["coordinator"]
    }

    /// A new unit at the first site, with nothing known of it.
    pub fn unit(&self, label: &str) -> String {
        self.unit_at(label, 0)
    }

    /// A new unit at home at one of the two sites.
    pub fn unit_at(&self, label: &str, site: usize) -> String {
        let unit = json!({"label": label, "home_site_id": self.sites[site], "fuel": "petrol"});
        id_of(&self.coordinator().post("/v1/units", &unit).expect(201).json())
    }

    /// A new unit that was commissioned on 2026-01-10 with nothing on its meter and follows the schedule.
    pub fn unit_in_service(&self, label: &str, site: usize) -> String {
        let unit = self.unit_at(label, site);
        let commissioning = json!({"kind": "commissioning", "site_id": self.sites[site], "meter_hours": 0});
        self.happened(&unit, "2026-01-10T10:00:00-07:00", commissioning);
        self.happened(&unit, "2026-01-10T10:00:00-07:00", self.adoption());
        unit
    }

    /// A new unit of the model P7 by Alder at the first site, commissioned with nothing on its meter.
    pub fn unit_of_model(&self, label: &str, commissioned_at: &str) -> String {
        let fields = json!({"label": label, "home_site_id": self.sites[0], "fuel": "petrol", "maker": "Alder", "model": "P7"});
        let unit = id_of(&self.coordinator().post("/v1/units", &fields).expect(201).json());
        let commissioning = json!({"kind": "commissioning", "site_id": self.sites[0], "meter_hours": 0});
        self.happened(&unit, commissioned_at, commissioning);
        unit
    }

    /// The town's schedule is adopted for all units of that model; gives what was answered.
    pub fn adopted_for_model(&self, at: &str) -> Value {
        let mut adoption = self.adoption();
        adoption["maker"] = json!("Alder");
        adoption["model"] = json!("P7");
        adoption["occurred_at"] = json!(at);
        self.record(adoption)
    }

    /// The first site turns out to lie in another zone.
    pub fn rezone(&self, zone: &str) {
        let site = format!("/v1/sites/{}", self.sites[0]);
        let etag = self.coordinator().get(&site).expect(200).etag();
        self.coordinator().patch(&site, &etag, &json!({ "zone": zone })).expect(200);
    }

    /// A code by which a handset can be enrolled.
    pub fn handset_code(&self) -> String {
        let made = self.coordinator().post("/v1/handsets/codes", &json!({})).expect(201).json();
        made["code"].as_str().unwrap().to_owned()
    }

    /// A new handset, enrolled by somebody.
    pub fn handset(&self, client: &Client, name: &str) -> Value {
        let handset = json!({"code": self.handset_code(), "name": name});
        client.post("/v1/handsets", &handset).expect(201).json()
    }

    /// An edit that waits for a person, by a new handset: a reading of a unit that lies ahead.
    pub fn held(&self, unit: &str) -> String {
        let (handset, id) = (self.handset(self.coordinator(), "Van 9"), new_id());
        push(self.coordinator(), NOW, &handset, &[ahead(&handset, 1, &id, unit)]);
        id
    }

    /// Records an event as the coordinator; gives what was answered.
    pub fn record(&self, event: Value) -> Value {
        self.coordinator().post("/v1/service-events", &event).expect(201).json()
    }

    /// The adoption of the town's schedule, to be completed by [`Self::happened`].
    pub fn adoption(&self) -> Value {
        json!({"kind": "adoption", "schedule_id": self.schedule, "edition_id": self.edition})
    }

    /// Records an event on a unit: `event` says neither which nor when.
    pub fn happened(&self, unit: &str, at: &str, mut event: Value) -> Value {
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!(at);
        self.record(event)
    }

    /// The due item of a task on a unit, with its trace.
    pub fn due(&self, unit: &str, task: &str) -> Value {
        let due = self.coordinator().get(&format!("/v1/units/{unit}/due?include=trace")).expect(200).json();
        let items = due["items"].as_array().unwrap();
        items.iter().find(|item| item["task"] == task).unwrap_or_else(|| panic!("no {task} in {due}")).clone()
    }
}

/// A reading that has not happened yet, as the edit `number` of a handset.
pub fn ahead(handset: &Value, number: u64, id: &str, unit: &str) -> Value {
    let body =
        json!({"kind": "reading", "unit_id": unit, "occurred_at": "2029-01-01T12:00:00Z", "meter_hours": 5});
    edit(handset, number, id, "service_event", "create", body)
}

/// An edit as a handset makes it, stamped long ago.
pub fn edit(handset: &Value, number: u64, id: &str, kind: &str, action: &str, body: Value) -> Value {
    let handset = u32::try_from(handset["number"].as_u64().unwrap()).unwrap();
    let stamp = Stamp { clock: number << 16, handset };
    json!({"id": id, "format": 1, "number": number, "stamp": stamp.to_string(), "kind": kind, "action": action,
        "body": body})
}

/// Sends edits as a handset does; gives the result of each.
pub fn push(client: &Client, clock: &str, handset: &Value, edits: &[Value]) -> Vec<Value> {
    let body = json!({"handset": handset["id"], "clock": clock, "edits": edits, "pull": false});
    client.post("/v1/sync", &body).expect(200).json()["results"].as_array().unwrap().clone()
}

/// A person with grants, as records to be made.
fn person(grants: &[(&str, Value)]) -> (PersonId, Vec<(Target, Value)>) {
    let person: PersonId = fresh();
    let mut records = vec![(Target::Person(person), json!({"name": "Somebody"}))];
    for (role, sites) in grants {
        let grant = json!({"role": role, "sites": sites, "from": "2020-01-01T00:00:00Z"});
        records.push(of_person(person, grant));
    }
    (person, records)
}

fn of_person(person: PersonId, mut grant: Value) -> (Target, Value) {
    grant["person_id"] = json!(person);
    (Target::Grant(fresh()), grant)
}

/// Makes records as the service's own commands do, before there is anybody who could be asked.
fn record(direct: &Direct, organization: OrganizationId, records: &[(Target, Value)]) {
    let edits = records.iter().map(|(target, fields)| direct::create(*target, fields)).collect();
    let now = Instant::parse("2020-01-01T00:00:00Z").unwrap();
    direct.apply(Command { now, ..direct::command(organization, edits) });
}

/// The edition of every town: oil at 100 h or 6 months (first 20 h or 1 month), plugs at 300 h or 12 months.
pub fn edition() -> Value {
    json!({
        "edition": "A", "effective_from": "2020-01-01", "source": "common practice",
        "tasks": [
            {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6},
             "first": {"hours": 20, "months": 1}},
            {"task": "plug_replace", "job": "plug_replace", "title": "Replace the plug", "limits": {"hours": 300, "months": 12},
             "satisfies": ["plug_inspect"]},
            {"task": "plug_inspect", "job": "plug_inspect", "title": "Inspect the plug", "limits": {"hours": 100, "months": 6}},
        ]
    })
}

/// Claims that a service trusts, good for a day from [`NOW`].
pub fn claims(organization: OrganizationId, person: PersonId) -> Claims {
    let now = Instant::parse(NOW).unwrap();
    Claims {
        issuer: Issuer::parse(ISSUER).unwrap(),
        audience: Audience::parse(AUDIENCE).unwrap(),
        subject: person,
        organization,
        client_id: ClientId::parse("tests").unwrap(),
        token_id: TokenId::parse(&Uuid::new_v4().to_string()).unwrap(),
        issued_at: now,
        expires_at: now.plus_seconds(24 * 3600),
    }
}

/// The description of the API, as it is checked in.
pub fn description() -> &'static Value {
    static DESCRIPTION: LazyLock<Value> = LazyLock::new(|| {
        let file = crate::service::root().join("openapi/keepstart.json");
        serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
    });
    &DESCRIPTION
}

/// A fresh id.
pub fn fresh<K: model::id::Kind>() -> Id<K> {
    Id::from_uuid(Uuid::now_v7())
}

/// A fresh id as text.
pub fn new_id() -> String {
    Uuid::now_v7().to_string()
}

/// The id in a representation.
#[track_caller]
pub fn id_of(value: &Value) -> String {
    value["id"].as_str().unwrap_or_else(|| panic!("no id in {value}")).to_owned()
}

/// A value with its numbers written in one way, so that 5 and 5.0 compare as equal.
pub fn plain(value: &Value) -> Value {
    match value {
        Value::Number(number) => json!(number.as_f64()),
        Value::Array(items) => items.iter().map(plain).collect(),
        Value::Object(members) => members.iter().map(|(name, value)| (name.clone(), plain(value))).collect(),
        other => other.clone(),
    }
}
