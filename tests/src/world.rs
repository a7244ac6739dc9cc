//! A small world: an organization with people of every role, two sites, a schedule, and whatever units a test makes.

use std::{collections::BTreeMap, sync::Arc};

use access::{Audience, Claims, ClientId, Issuer, SigningKey, TokenId, keys, token};
use model::{
    EditId, Id, Instant, OrganizationId, PersonId,
    edit::{Action, Channel, Edit, Target},
};
use serde_json::{Map, Value, json};
use store::{
    Command, Store,
    command::{Outcome, Permission, Permit, Proposal},
};
use uuid::Uuid;

use crate::{
    Backend, Client, Database, Service,
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
    /// A service on a fresh database, with its clock at [`NOW`].
    pub fn new(backend: Backend) -> Self {
        Self::at(backend, NOW)
    }

    /// A service on a fresh database, with its clock at `clock`.
    pub fn at(backend: Backend, clock: &str) -> Self {
        let database = Database::new(backend);
        let key = SigningKey::from_seed(&[7; 32]).unwrap();
        std::fs::write(in_folder(&database, "jwks.json"), keys::jwks([key.public()]).to_string()).unwrap();
        let service = Service::start_at(&database, clock);
        Self { service, database, key }
    }

    /// A new organization with people, sites and a schedule.
    pub fn town(&self) -> Town {
        let id = fresh();
        block_on(async {
            let store = Store::open(&self.database.address(), 2).unwrap();
            assert!(store.create_organization(id, "Tarn Valley").await.unwrap());
        });
        let mut clients = BTreeMap::new();
        let mut people = BTreeMap::new();
        for role in ROLES {
            let person = self.person(id, &[(role, json!("all"))]);
            clients.insert(*role, self.service.client(&self.token(id, person)));
            people.insert(*role, person);
        }
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
        let person: PersonId = fresh();
        self.record(organization, person, Target::Person(person), json!({"name": "Somebody"}));
        for (role, sites) in grants {
            self.grant(
                organization,
                person,
                json!({"role": role, "sites": sites, "from": "2020-01-01T00:00:00Z"}),
            );
        }
        person
    }

    /// A grant `{role, sites, from, until}` for a person.
    pub fn grant(&self, organization: OrganizationId, person: PersonId, mut grant: Value) {
        grant["person_id"] = json!(person);
        self.record(organization, person, Target::Grant(fresh()), grant);
    }

    fn record(&self, organization: OrganizationId, author: PersonId, target: Target, fields: Value) {
        let fields: Map<String, Value> = fields.as_object().unwrap().clone();
        let edit = Edit { id: EditId::from_uuid(target.uuid()), action: Action::Create { target, fields } };
        let proposal = Proposal { edit, seen: None, salts: vec![[1; 16], [2; 16]] };
        let command = Command {
            organization,
            author,
            channel: Channel::Service,
            now: Instant::parse("2020-01-01T00:00:00Z").unwrap(),
            edits: vec![proposal],
            permit: Permit(Arc::new(|_| Permission::Allowed)),
        };
        block_on(async {
            let store = Store::open(&self.database.address(), 2).unwrap();
            let outcome = store.write(command).await.unwrap().pop();
            assert!(matches!(outcome, Some(Outcome::Applied(_))), "{outcome:?}");
        });
    }

    /// A token for a person, good for a day from [`NOW`].
    pub fn token(&self, organization: OrganizationId, person: PersonId) -> String {
        token::sign(&self.key, &claims(organization, person)).unwrap()
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
        self.record(json!({"kind": "commissioning", "unit_id": unit, "occurred_at": "2026-01-10T10:00:00-07:00", "site_id": self.sites[site], "meter_hours": 0}));
        self.record(json!({"kind": "adoption", "unit_id": unit, "occurred_at": "2026-01-10T10:00:00-07:00", "schedule_id": self.schedule, "edition_id": self.edition}));
        unit
    }

    /// Records an event as the coordinator; gives what was answered.
    pub fn record(&self, event: Value) -> Value {
        self.coordinator().post("/v1/service-events", &event).expect(201).json()
    }

    /// The due item of a task on a unit, with its trace.
    pub fn due(&self, unit: &str, task: &str) -> Value {
        let due = self.coordinator().get(&format!("/v1/units/{unit}/due?include=trace")).expect(200).json();
        let items = due["items"].as_array().unwrap();
        items.iter().find(|item| item["task"] == task).unwrap_or_else(|| panic!("no {task} in {due}")).clone()
    }
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

/// A fresh id.
pub fn fresh<K: model::id::Kind>() -> Id<K> {
    Id::from_uuid(Uuid::now_v7())
}

/// The id in a representation.
#[track_caller]
pub fn id_of(value: &Value) -> String {
    value["id"].as_str().unwrap_or_else(|| panic!("no id in {value}")).to_owned()
}

fn block_on<T>(work: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap().block_on(work)
}
