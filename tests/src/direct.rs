//! The store without the service before it: several edits in one command, for which there is no route.

use std::sync::Arc;

use model::{
    EditId, EditionId, HandsetId, Instant, OrganizationId, PersonId, ScheduleId,
    edit::{Action, Channel, Edit, Target},
    event::ServiceEvent,
    handset::HandsetNumber,
    read::{Mode, whole},
    schedule::Edition,
    text::Label,
};
use serde_json::{Map, Value};
use store::{
    Command, Store, StoreError,
    command::{Outcome, Permission, Permit, Proposal},
    handsets::{Code, Enrolled, Enrolment, Numbering},
};
use tokio::runtime::Runtime;

use crate::{Database, service::NOW, world::fresh};

/// A store opened on the database of a running service, as a second instance would.
pub struct Direct {
    runtime: Runtime,
    store: Store,
}

impl Direct {
    /// Opens it with `connections` at most.
    pub fn open(database: &Database, connections: u32) -> Self {
        let runtime =
            tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
        Self { runtime, store: Store::open(&database.address(), connections).unwrap() }
    }

    /// Waits for what the store answers.
    pub fn ask<T, F: Future<Output = T>>(&self, question: impl FnOnce(Store) -> F) -> T {
        self.runtime.block_on(question(self.store.clone()))
    }

    /// Writes a command, of which every edit must be applied; asks until there is room.
    #[track_caller]
    pub fn apply(&self, command: Command) {
        let outcomes = loop {
            let command = command.clone();
            match self.ask(|store| async move { store.write(command).await }) {
                Err(StoreError::Busy) => {}
                done => break done.unwrap(),
            }
        };
        for outcome in outcomes {
            assert!(matches!(outcome, Outcome::Applied(_)), "{outcome:?}");
        }
    }
}

impl Direct {
    /// Enrols a handset with this number, on which `person` is signed in.
    pub fn enrol(&self, organization: OrganizationId, person: PersonId, number: u32) -> HandsetId {
        let (now, handset) = (Instant::parse(NOW).unwrap(), fresh());
        let hash = proof::sha256(handset.to_string());
        let expires_at = now.plus_seconds(900);
        let code = Code { organization, hash, made_by: person, made_at: now, expires_at };
        let wanted = Enrolment {
            organization,
            person,
            now,
            code: hash,
            handset,
            name: Label::parse(&format!("Van {number}")).unwrap(),
            number: Numbering::Again(HandsetNumber::new(number).unwrap()),
            permit: Permit(Arc::new(|_| Permission::Allowed)),
        };
        self.ask(|store| async move {
            store.make_code(code).await.unwrap();
            let enrolled = store.enrol(wanted).await.unwrap();
            assert!(matches!(enrolled, Enrolled::New(_)), "{enrolled:?}");
        });
        handset
    }
}

/// A command of somebody whom nobody asks whether they may.
pub fn command(organization: OrganizationId, edits: Vec<Proposal>) -> Command {
    Command {
        organization,
        author: fresh(),
        channel: Channel::Service,
        now: Instant::parse(NOW).unwrap(),
        edits,
        permit: Permit(Arc::new(|_| Permission::Allowed)),
        dry_run: false,
        calling: None,
        together: false,
        slice: None,
    }
}

/// A new record; the edit has its id.
pub fn create(target: Target, fields: &Value) -> Proposal {
    let action = Action::Create { target, fields: members(fields) };
    proposal(EditId::from_uuid(target.uuid()), action)
}

/// Fields of a record, by somebody who has not seen what they were.
pub fn set(target: Target, fields: &Value) -> Proposal {
    proposal(fresh(), Action::Set { target, fields: members(fields) })
}

/// A service event with its id.
pub fn event(body: &Value) -> Proposal {
    let event = whole(body, Mode::New, ServiceEvent::read).unwrap_or_else(|wrong| panic!("{wrong:?}"));
    proposal(event.id.cast(), Action::Event(Box::new(event)))
}

/// A new edition of a schedule.
pub fn edition(schedule: ScheduleId, body: &Value) -> Proposal {
    let edition = whole(body, Mode::New, Edition::read).unwrap_or_else(|wrong| panic!("{wrong:?}"));
    let id: EditionId = fresh();
    proposal(id.cast(), Action::Edition { id, schedule, edition: Box::new(edition) })
}

fn members(fields: &Value) -> Map<String, Value> {
    fields.as_object().unwrap().clone()
}

fn proposal(id: EditId, action: Action) -> Proposal {
    Proposal { edit: Edit { id, action }, seen: None, salts: vec![[1; 16], [2; 16]], sent: None }
}
