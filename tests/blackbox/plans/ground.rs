//! A small town whose lists are asked for, and large ones beside it that give the planner a choice.

use std::sync::Arc;

use blackbox::{
    Backend, Database, Direct,
    captured::Captured,
    direct::{self, create, event},
    service::NOW,
    world::{edition, fresh, new_id},
};
use model::{
    EditionId, HandsetId, Instant, OrganizationId, PersonId, ScheduleId, SiteId, UnitId,
    edit::{Action, Target},
    handset::HandsetNumber,
    text::Label,
};
use serde_json::{Value, json};
use store::{
    Command,
    command::{Permission, Permit},
    handsets::{Code, Enrolled, Enrolment, Numbering},
};

use super::filler::LARGE;

/// A town with one of everything that a list shows, and an ear on what is asked of its database.
pub(super) struct Ground {
    pub(super) id: OrganizationId,
    pub(super) person: PersonId,
    pub(super) site: SiteId,
    pub(super) unit: UnitId,
    pub(super) schedule: ScheduleId,
    pub(super) handset: HandsetId,
    pub(super) direct: Direct,
    pub(super) captured: Captured,
    pub(super) database: Database,
}

impl Ground {
    pub(super) fn new(backend: Backend) -> Self {
        let database = Database::new(backend);
        store::migrate(&database.address()).unwrap();
        let captured = Captured::listen(&database);
        let direct = Direct::open(&database, 2);
        let (id, person, site, unit, schedule) = (fresh(), fresh(), fresh(), fresh(), fresh());
        let handset = fresh();
        assert!(direct.ask(|store| async move { store.create_organization(id).await }).unwrap());
        let ground = Self { id, person, site, unit, schedule, handset, direct, captured, database };
        ground.inhabit();
        ground
    }

    /// Values of the small town as those of a large one.
    pub(super) fn large(&self, values: &str) -> String {
        let Self { id, person, site, unit, schedule, handset, .. } = self;
        let ours = [id.uuid(), person.uuid(), site.uuid(), unit.uuid(), schedule.uuid(), handset.uuid()];
        ours.iter().fold(values.to_owned(), |values, ours| values.replace(&ours.to_string(), LARGE))
    }

    fn inhabit(&self) {
        let Self { id, person, site, unit, schedule, .. } = self;
        let grant = json!({"person_id": person, "role": "coordinator", "sites": "all", "from": "2020-01-01T00:00:00Z"});
        let unit_fields = json!({"label": "FS-1", "home_site_id": site, "fuel": "petrol", "maker": "Alder",
            "model": "P7", "note": "by the shed"});
        let title = json!({"title": "Portable sets", "publisher": "Tarn Valley", "basis": "common_practice"});
        let first = direct::edition(*schedule, &edition());
        let Action::Edition { id: adopted, .. } = &first.edit.action else { panic!("no edition") };
        let adopted: EditionId = *adopted;
        let happened = |mut body: Value| {
            body["id"] = json!(new_id());
            body["unit_id"] = json!(unit);
            event(&body)
        };
        let edits = vec![
            create(Target::Organization(*id), &json!({"name": "Tarn Valley"})),
            create(Target::Person(*person), &json!({"name": "Somebody"})),
            create(Target::Grant(fresh()), &grant),
            create(
                Target::Site(*site),
                &json!({"name": "Fire Station", "zone": "America/Denver", "note": "key at the desk"}),
            ),
            create(Target::Schedule(*schedule), &title),
            first,
            create(Target::Unit(*unit), &unit_fields),
            happened(
                json!({"kind": "commissioning", "site_id": site, "meter_hours": 0, "occurred_on": "2026-01-10"}),
            ),
            happened(
                json!({"kind": "adoption", "schedule_id": schedule, "edition_id": adopted, "occurred_on": "2026-01-10"}),
            ),
            happened(
                json!({"kind": "reading", "meter_hours": 30, "note": "by the shed", "occurred_at": "2026-06-01T12:00:00Z"}),
            ),
        ];
        for edit in edits {
            self.direct.apply(Command { now: now(), ..direct::command(*id, vec![edit]) });
        }
        let unseen = direct::set(Target::Unit(*unit), &json!({"label": "FS-2"}));
        self.direct.apply(Command { now: now(), ..direct::command(*id, vec![unseen]) });
        self.enrol();
        // Somebody has to decide about the last event, and somebody else about a field.
        self.database.sql(
            "INSERT INTO held SELECT organization, seq, edit_id, unit_id FROM change_log \
             WHERE record_kind = 'service_event' ORDER BY seq DESC LIMIT 1",
        );
        // As after a mass change: what the town's unit was folded with has another version now.
        self.database.sql("INSERT INTO context SELECT organization, kind, key, 1, 0 FROM unit_context");
    }
}

impl Ground {
    fn enrol(&self) {
        let (organization, person, handset) = (self.id, self.person, self.handset);
        let hash = proof::sha256("a code");
        let code =
            Code { organization, hash, made_by: person, made_at: now(), expires_at: now().plus_seconds(60) };
        self.direct.ask(|store| async move { store.make_code(code).await }).unwrap();
        let name = Label::parse("Van 2").unwrap();
        let number = Numbering::OneOf(HandsetNumber::new(7).into_iter().collect());
        let permit = Permit(Arc::new(|_| Permission::Allowed));
        let wish = Enrolment { organization, person, now: now(), code: hash, handset, name, number, permit };
        let enrolled = self.direct.ask(|store| async move { store.enrol(wish).await }).unwrap();
        assert!(matches!(enrolled, Enrolled::New(_)), "{enrolled:?}");
    }
}

/// The time of everything here.
pub(super) fn now() -> Instant {
    Instant::parse(NOW).unwrap()
}
