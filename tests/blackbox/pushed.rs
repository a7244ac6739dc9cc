//! What becomes in the store of edits that handsets made offline: how they merge, what waits for a person, and what waits
//! for its parent.

use std::collections::BTreeSet;

use blackbox::{
    Backend, Direct, World,
    direct::{self, create, set},
    on_both,
    service::is_clean,
    world::fresh,
};
use merge::{Base, Flag, Offset, Reason, Version};
use model::{
    EditId, HandsetId, Instant, OrganizationId, PersonId, SiteId, UnitId,
    edit::{Channel, RecordKind, Target},
    stamp::Stamp,
};
use serde_json::{Value, json};
use store::{
    Command, Recorded,
    command::{Outcome, Proposal, Refusal},
    sent::{Calling, Decision, Fate, ParkedFor, Sent},
    view::EventQuery,
};

on_both!(
    three_offline_edits_merge_alike_in_every_order,
    a_fast_clock_is_put_right,
    a_child_waits_for_its_parent,
    what_lies_ahead_waits_for_a_person,
    strangers_and_revoked_handsets_wait_for_a_person,
    a_batch_sent_again_changes_nothing,
    a_stamp_from_the_future_wins_for_minutes_only,
    a_refused_edit_is_kept_and_blocks_no_other,
);

const NOON: &str = "2026-06-15T12:00:00Z";

/// A handset with whoever has signed in on it, in an organization with a site and a unit.
struct Field {
    world: World,
    direct: Direct,
    organization: OrganizationId,
    site: SiteId,
    unit: UnitId,
    handset: HandsetId,
    person: PersonId,
    created: EditId,
    numbers: i64,
}

impl Field {
    fn new(backend: Backend) -> Self {
        let world = World::at(backend, NOON);
        let (organization, _) = world.organization();
        let direct = Direct::open(&world.database, 2);
        let (site, unit): (SiteId, UnitId) = (fresh(), fresh());
        let at = create(Target::Site(site), &json!({"name": "Fire Station", "zone": "America/Denver"}));
        let of =
            json!({"label": "FS-3", "home_site_id": site.to_string(), "fuel": "petrol", "rated_kw": 5.0});
        let made = create(Target::Unit(unit), &of);
        let created = made.edit.id;
        direct.apply(direct::command(organization, vec![at, made]));
        is_clean(&world.database);
        Self {
            world,
            direct,
            organization,
            site,
            unit,
            handset: fresh(),
            person: fresh(),
            created,
            numbers: 0,
        }
    }

    /// An edit as this handset sends it, stamped with `clock`.
    fn sent(&mut self, proposal: Proposal, clock: u64, base: Base) -> Proposal {
        self.numbers += 1;
        let sent = Sent {
            author: self.person,
            number: self.numbers,
            raw: Stamp { clock, handset: 7 },
            base,
            boot: Some(4),
            received: None,
            decision: None,
        };
        Proposal { sent: Some(Box::new(sent)), ..proposal }
    }

    fn reading(&mut self, unit: UnitId, at: &str, hours: f64) -> Proposal {
        let body = json!({"id": fresh::<model::id::kind::Event>().to_string(), "unit_id": unit.to_string(), "kind": "reading",
            "occurred_at": at, "occurred_source": "clock", "meter_hours": hours, "note": "behind the shed"});
        let clock = u64::try_from(self.numbers).unwrap() + 1;
        self.sent(direct::event(&body), clock, Base::default())
    }

    fn calling(&self) -> Calling {
        Calling {
            handset: self.handset,
            offset: None,
            signed_in: BTreeSet::from([self.person]),
            revoked: None,
            emptied: None,
            forked: false,
        }
    }

    fn push(&self, edits: Vec<Proposal>, calling: Calling) -> Recorded {
        let command = Command {
            now: Instant::parse(NOON).unwrap(),
            author: self.person,
            channel: Channel::Sync,
            calling: Some(calling),
            ..direct::command(self.organization, edits)
        };
        self.direct.ask(|store| async move { store.push(command).await }).unwrap()
    }

    fn outcomes(&self, edits: Vec<Proposal>) -> Vec<Outcome> {
        self.push(edits, self.calling()).outcomes
    }

    /// What the unit's creator wrote into a field, as somebody names it who has seen it.
    fn base(&self, field: &str) -> Base {
        let log = "SELECT stamp_raw AS t FROM change_log WHERE record_kind = 'unit'";
        let raw = Stamp::parse(&self.world.database.texts(log)[0]).unwrap();
        Base::from_iter([(field.to_owned(), BTreeSet::from([Version { raw, edit: self.created }]))])
    }

    fn events(&self) -> Vec<(Instant, Value)> {
        let query = EventQuery {
            organization: self.organization,
            unit: self.unit,
            kind: None,
            after: None,
            limit: 100,
        };
        let page = self.direct.ask(|store| async move { store.events(query).await }).unwrap();
        page.items.into_iter().map(|event| (event.occurred_at, Value::from(event.body))).collect()
    }

    fn fields(&self) -> Value {
        let (organization, unit) = (self.organization, self.unit);
        let ask =
            self.direct.ask(|store| async move { store.record(organization, Target::Unit(unit)).await });
        Value::from(ask.unwrap().unwrap().fields)
    }

    fn contested(&self) -> Vec<(String, Vec<Value>)> {
        let organization = self.organization;
        let ask = self.direct.ask(|store| async move {
            store.contested(organization, RecordKind::Unit, None, None, 100).await
        });
        let fields = ask.unwrap().items.into_iter().flat_map(|record| record.fields);
        fields.map(|one| (one.field, one.values.into_iter().map(|value| value.value).collect())).collect()
    }

    fn held(&self) -> Vec<store::sent::Held> {
        let organization = self.organization;
        self.direct.ask(|store| async move { store.held(organization, None, 0, 100).await }).unwrap().items
    }

    /// Somebody decides about an edit that waits.
    fn decide(&self, held: &store::sent::Held, decision: Decision) -> Outcome {
        let mut proposal = held.proposal.clone();
        proposal.sent.as_mut().unwrap().decision = Some(decision);
        self.push(vec![proposal], self.calling()).outcomes.remove(0)
    }
}

fn fate(outcome: &Outcome) -> &Fate {
    let Outcome::OfHandset(fate) = outcome else { panic!("{outcome:?}") };
    fate
}

/// Whether an edit was taken, with which contested fields and flags.
fn taken(outcome: &Outcome) -> (Vec<String>, Vec<Flag>) {
    let Fate::Taken { contested, flags, .. } = fate(outcome) else { panic!("{outcome:?}") };
    (contested.clone(), flags.iter().copied().collect())
}

/// Worked example S04 with a describing field in the place of location: X and Z set it at 1000 and 1002, Y the rating at
/// 1001, each from what all had seen.
fn three_offline_edits_merge_alike_in_every_order(backend: Backend) {
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    for order in orders {
        let mut field = Field::new(backend);
        let edit = |field: &mut Field, clock: u64, name: &str, value: Value| {
            // Three people on three handsets; a handset has seen what it wrote itself.
            field.numbers = 0;
            let base = field.base(name);
            let proposal = set(Target::Unit(field.unit), &json!({ name: value }));
            let mut proposal = field.sent(proposal, clock << 40, base);
            proposal.sent.as_mut().unwrap().raw.handset = u32::try_from(clock).unwrap();
            proposal
        };
        let edits = [
            edit(&mut field, 1000, "label", json!("SH-1")),
            edit(&mut field, 1001, "rated_kw", json!(6.0)),
            edit(&mut field, 1002, "label", json!("PS-2")),
        ];
        let mut told = Vec::new();
        for at in order {
            told.extend(taken(&field.outcomes(vec![edits[at].clone()])[0]).0);
        }
        assert_eq!(told, ["label"], "{order:?}");
        let fields = field.fields();
        assert_eq!((&fields["label"], fields["rated_kw"].as_f64()), (&json!("PS-2"), Some(6.0)), "{order:?}");
        assert_eq!(
            field.contested(),
            [("label".to_owned(), vec![json!("PS-2"), json!("SH-1")])],
            "{order:?}"
        );
        is_clean(&field.world.database);
    }
}

/// Worked example S03: the handset's clock says 12:11 when it is 12:00, and 09:47 is 09:36.
fn a_fast_clock_is_put_right(backend: Backend) {
    let mut field = Field::new(backend);
    let reading = field.reading(field.unit, "2026-06-15T09:47:00Z", 5.0);
    let at = |text: &str| Instant::parse(text).unwrap();
    let offset = Offset::measured(at("2026-06-15T12:11:00Z"), at(NOON), 4);
    let calling = Calling { offset: Some(offset), ..field.calling() };
    assert_eq!(taken(&field.push(vec![reading], calling).outcomes[0]), (vec![], vec![]));
    let events = field.events();
    assert_eq!(events[0].0, at("2026-06-15T09:36:00Z"));
    assert_eq!(events[0].1["occurred_at"], "2026-06-15T09:47:00Z", "what was sent stays");

    // Measured in another start of the handset the offset says nothing.
    let mut reading = field.reading(field.unit, "2026-06-15T09:50:00Z", 5.1);
    reading.sent.as_mut().unwrap().boot = Some(3);
    let calling = Calling { offset: Some(offset), ..field.calling() };
    assert_eq!(taken(&field.push(vec![reading], calling).outcomes[0]), (vec![], vec![Flag::TimeDoubtful]));
    assert_eq!(field.events()[1].0, at("2026-06-15T09:50:00Z"));
    is_clean(&field.world.database);
}

fn a_child_waits_for_its_parent(backend: Backend) {
    let mut field = Field::new(backend);
    let new: UnitId = fresh();
    let child = field.reading(new, "2026-06-15T09:00:00Z", 5.0);
    for _ in 0..2 {
        let pushed = field.outcomes(vec![child.clone()]);
        assert!(matches!(fate(&pushed[0]), Fate::Parked(ParkedFor::MissingParent)), "{pushed:?}");
    }
    is_clean(&field.world.database);
    // The same id with another content is another edit.
    let mut other = field.reading(new, "2026-06-15T09:00:00Z", 6.0);
    other.edit = direct::event(
        &json!({"id": child.edit.id.to_string(), "unit_id": new.to_string(), "kind": "reading",
        "occurred_at": "2026-06-15T09:00:00Z", "meter_hours": 6.0}),
    )
    .edit;
    let reused = field.outcomes(vec![other]);
    assert!(matches!(&reused[0], Outcome::Refused(Refusal::IdReused(_))), "{reused:?}");

    let of = json!({"label": "FS-9", "home_site_id": field.site.to_string(), "fuel": "petrol"});
    let made = field.sent(create(Target::Unit(new), &of), 9, Base::default());
    let pushed = field.push(vec![made], field.calling());
    assert_eq!(taken(&pushed.outcomes[0]), (vec![], vec![]));
    assert_eq!(pushed.ready, BTreeSet::from([child.edit.id]));
    let (organization, ready) = (field.organization, pushed.ready);
    let parked = field.direct.ask(|store| async move { store.parked(organization, ready).await }).unwrap();
    assert_eq!(parked[0].handset, field.handset);
    let tried = field.outcomes(parked.into_iter().map(|parked| parked.proposal).collect());
    assert_eq!(taken(&tried[0]), (vec![], vec![]));
    field.unit = new;
    assert_eq!(field.events()[0].1["note"], "behind the shed", "private text has waited with it");
    assert!(matches!(field.outcomes(vec![child])[0], Outcome::AlreadyApplied(_)));
    is_clean(&field.world.database);
}

fn what_lies_ahead_waits_for_a_person(backend: Backend) {
    let mut field = Field::new(backend);
    let near = field.reading(field.unit, "2026-06-15T12:10:00Z", 5.0);
    let [far, farther] =
        ["2026-06-15T12:10:01Z", "2026-06-16T12:00:00Z"].map(|at| field.reading(field.unit, at, 6.0));
    let pushed = field.outcomes(vec![near, far.clone(), farther.clone()]);
    assert_eq!(taken(&pushed[0]).0, Vec::<String>::new());
    for held in &pushed[1..] {
        assert!(matches!(fate(held), Fate::Held(Reason::FutureEvent)), "{held:?}");
    }
    assert_eq!(field.events().len(), 1);
    let waiting = field.held();
    let told: Vec<(EditId, Reason)> =
        waiting.iter().map(|held| (held.proposal.edit.id, held.reason)).collect();
    assert_eq!(told, [(far.edit.id, Reason::FutureEvent), (farther.edit.id, Reason::FutureEvent)]);
    assert_eq!(waiting[0].body["note"], "behind the shed");
    let again = field.outcomes(vec![far.clone()]);
    assert!(matches!(fate(&again[0]), Fate::Held(Reason::FutureEvent)), "{again:?}");
    is_clean(&field.world.database);

    taken(&field.decide(&waiting[0], Decision::Release));
    let refused = field.decide(&waiting[1], Decision::Refuse("a slip".into()));
    assert!(matches!(fate(&refused), Fate::RefusedByPerson), "{refused:?}");
    assert_eq!(field.held().len(), 0);
    // Nothing is decided twice, and the handset learns what was decided.
    for (held, decision) in waiting.iter().zip([Decision::Refuse("no".into()), Decision::Release]) {
        let twice = field.decide(held, decision);
        assert!(matches!(twice, Outcome::Refused(Refusal::Exists)), "{twice:?}");
    }
    let learnt = field.outcomes(vec![far, farther]);
    assert!(matches!(learnt[0], Outcome::AlreadyApplied(_)), "{learnt:?}");
    assert!(matches!(fate(&learnt[1]), Fate::RefusedByPerson), "{learnt:?}");
    assert_eq!(field.events().len(), 2);
    assert_eq!(field.events()[1].1["note"], "behind the shed");
    is_clean(&field.world.database);
}

fn strangers_and_revoked_handsets_wait_for_a_person(backend: Backend) {
    let mut field = Field::new(backend);
    let mut stranger = field.reading(field.unit, "2026-06-15T09:00:00Z", 5.0);
    stranger.sent.as_mut().unwrap().author = fresh();
    let own = field.reading(field.unit, "2026-06-15T10:00:00Z", 6.0);
    let pushed = field.outcomes(vec![stranger, own]);
    assert!(matches!(fate(&pushed[0]), Fate::Held(Reason::UnknownAuthor)), "{pushed:?}");
    taken(&pushed[1]);
    let late = field.reading(field.unit, "2026-06-15T11:00:00Z", 7.0);
    let pushed =
        field.push(vec![late], Calling { revoked: Some(Instant::FIRST), ..field.calling() }).outcomes;
    assert!(matches!(fate(&pushed[0]), Fate::Held(Reason::HandsetRevoked)), "{pushed:?}");
    assert_eq!(field.events().len(), 1);
    is_clean(&field.world.database);
}

/// Worked example A36: 37 events, the answer lost, all of them sent again.
fn a_batch_sent_again_changes_nothing(backend: Backend) {
    let mut field = Field::new(backend);
    let edits: Vec<Proposal> = (0..37_u32)
        .map(|n| {
            field.reading(
                field.unit,
                &format!("2026-06-12T{:02}:{:02}:00Z", n / 4, n % 4),
                f64::from(n) / 100.0,
            )
        })
        .collect();
    let first = field.outcomes(edits.clone());
    assert!(first.iter().all(|outcome| matches!(fate(outcome), Fate::Taken { .. })), "{first:?}");
    let rows = field.world.database.log_rows();
    let second = field.outcomes(edits);
    assert!(second.iter().all(|outcome| matches!(outcome, Outcome::AlreadyApplied(_))), "{second:?}");
    assert_eq!((second.len(), field.world.database.log_rows()), (37, rows));
    assert_eq!(field.events().len(), 37);
}

/// A stamp two years ahead counts as five minutes ahead, so that an edit of an hour later wins over it.
fn a_stamp_from_the_future_wins_for_minutes_only(backend: Backend) {
    let mut field = Field::new(backend);
    let clock = |text: &str| (Instant::parse(text).unwrap().micros().unsigned_abs() / 1000) << 16;
    let label = |value: &str| json!({"label": value});
    let wrong = set(Target::Unit(field.unit), &label("Ahead"));
    let wrong = field.sent(wrong, clock("2028-06-15T12:00:00Z"), Base::default());
    let (contested, flags) = taken(&field.outcomes(vec![wrong.clone()])[0]);
    assert_eq!((contested, flags), (vec!["label".to_owned()], vec![Flag::ClockSuspect]));
    let later = set(Target::Unit(field.unit), &label("Later"));
    let mut later = field.sent(later, clock("2026-06-15T12:06:00Z"), Base::default());
    later.sent.as_mut().unwrap().raw.handset = 8;
    later.sent.as_mut().unwrap().received = None;
    let command = Command {
        now: Instant::parse("2026-06-15T12:06:00Z").unwrap(),
        author: field.person,
        channel: Channel::Sync,
        calling: Some(field.calling()),
        ..direct::command(field.organization, vec![later, wrong])
    };
    let outcomes = field.direct.ask(|store| async move { store.push(command).await }).unwrap().outcomes;
    taken(&outcomes[0]);
    assert!(matches!(outcomes[1], Outcome::AlreadyApplied(_)), "{outcomes:?}");
    assert_eq!(field.fields()["label"], "Later");
    assert_eq!(field.contested()[0].1, [json!("Later"), json!("Ahead"), json!("FS-3")]);
    is_clean(&field.world.database);
}

fn a_refused_edit_is_kept_and_blocks_no_other(backend: Backend) {
    let mut field = Field::new(backend);
    let early = field.reading(field.unit, "2026-06-15T09:00:00Z", 5.0);
    let taken_id = create(
        Target::Unit(field.unit),
        &json!({"label": "Twin", "home_site_id": field.site.to_string(), "fuel": "petrol"}),
    );
    let mut twin = field.sent(taken_id, 5, Base::default());
    twin.edit.id = fresh();
    let late = field.reading(field.unit, "2026-06-15T10:00:00Z", 6.0);
    let waits = field.reading(fresh(), "2026-06-15T11:00:00Z", 7.0);
    let pushed = field.outcomes(vec![early, twin.clone(), late, twin, waits.clone(), waits]);
    taken(&pushed[0]);
    taken(&pushed[2]);
    // Sent twice in one push an edit has the same fate twice, and is kept once.
    for refused in [&pushed[1], &pushed[3]] {
        assert!(matches!(refused, Outcome::Refused(Refusal::Exists)), "{pushed:?}");
    }
    for parked in &pushed[4..] {
        assert!(matches!(fate(parked), Fate::Parked(ParkedFor::MissingParent)), "{pushed:?}");
    }
    let kept = field.world.database.texts("SELECT reason AS t FROM inbox WHERE state = 'refused'");
    assert_eq!(kept, ["already_exists"]);
    is_clean(&field.world.database);
}
