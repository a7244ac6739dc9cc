//! What becomes in the store of edits that handsets made offline: how they merge, what waits for a person, and what waits
//! for its parent.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{
    Backend, Direct, World,
    direct::{self, create, set},
    on_both,
    service::is_clean,
    world::fresh,
};
use merge::{Base, Flag, Reason, Version};
use model::{
    EditId, HandsetId, Instant, OrganizationId, PersonId, SiteId, UnitId,
    edit::{Channel, RecordKind, Target},
    stamp::Stamp,
};
use serde_json::{Value, json};
use store::{
    Command, Recorded,
    command::{Outcome, Proposal, Refusal},
    sent::{Calling, Decision, Fate, Group, ParkedEdit, ParkedFor, Push, Sent, Unread},
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
    a_child_comes_after_its_parent_in_one_push,
    a_group_is_taken_together_or_not_at_all,
    what_cannot_be_read_is_kept,
    two_copies_of_a_handset_are_found_out,
    a_parent_that_never_comes_is_for_a_person,
);

const NOON: &str = "2026-06-15T12:00:00Z";

/// A handset with whoever has signed in on it, in an organization with a site and a unit.
struct Field {
    world: World,
    direct: Direct,
    organization: OrganizationId,
    site: SiteId,
    unit: UnitId,
    /// The handsets by number.
    handsets: BTreeMap<u32, HandsetId>,
    person: PersonId,
    created: EditId,
    numbers: i64,
    /// What the handset wrote last.
    previous: Option<EditId>,
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
        let person: PersonId = fresh();
        let enrol = |number: u32| (number, direct.enrol(organization, person, number));
        let handsets = [7, 8, 1000, 1001, 1002].map(enrol).into();
        Self {
            world,
            direct,
            organization,
            site,
            unit,
            handsets,
            person,
            created,
            numbers: 0,
            previous: None,
        }
    }

    /// An edit as this handset sends it, stamped with `clock`.
    fn sent(&mut self, proposal: Proposal, clock: u64, base: Base) -> Proposal {
        self.numbers += 1;
        let sent = Sent {
            handset: self.handsets[&7],
            author: self.person,
            number: self.numbers,
            previous: self.previous.replace(proposal.edit.id).filter(|_| self.numbers > 1),
            raw: Stamp { clock, handset: 7 },
            base,
            boot: Some(4),
            exact: true,
            group: None,
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

    /// What the handset of this number says of itself, its clock being right.
    fn calling(&self, number: u32) -> Push {
        Push {
            handset: self.handsets[&number],
            person: self.person,
            clock: at(NOON),
            boot: Some(4),
            waiting: 0,
            sent: 0,
            oldest_waiting_at: None,
            mark: None,
            unread: Vec::new(),
        }
    }

    fn push(&self, edits: Vec<Proposal>, calling: Push) -> Recorded {
        self.push_at(NOON, edits, Some(Calling::Push(calling)))
    }

    fn push_at(&self, now: &str, edits: Vec<Proposal>, calling: Option<Calling>) -> Recorded {
        let command = Command {
            now: at(now),
            author: self.person,
            channel: Channel::Sync,
            calling,
            together: false,
            slice: None,
            ..direct::command(self.organization, edits)
        };
        self.direct.ask(|store| async move { store.push(command).await }).unwrap()
    }

    fn outcomes(&self, edits: Vec<Proposal>) -> Vec<Outcome> {
        self.push(edits, self.calling(7)).outcomes
    }

    /// Parked edits, tried again.
    fn again(&self, now: &str, ready: BTreeSet<EditId>, together: Option<usize>) -> Recorded {
        let organization = self.organization;
        let parked = self.direct.ask(|store| async move { store.parked(organization, ready).await }).unwrap();
        assert!(parked.iter().all(|parked| parked.handset == self.handsets[&7]));
        let read = |parked: store::sent::Parked| match parked.edit {
            ParkedEdit::Read(proposal) => proposal,
            unread => panic!("{unread:?}"),
        };
        let edits = parked.into_iter().map(read).collect();
        self.push_at(now, edits, Some(Calling::Again { handset: self.handsets[&7], together }))
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
            store.contested(organization, RecordKind::Unit, vec![], None, 100).await
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
        self.push_at(NOON, vec![proposal], None).outcomes.remove(0)
    }
}

fn at(text: &str) -> Instant {
    Instant::parse(text).unwrap()
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
            let number = u32::try_from(clock).unwrap();
            let sent = proposal.sent.as_mut().unwrap();
            (sent.raw.handset, sent.handset) = (number, field.handsets[&number]);
            (number, proposal)
        };
        let edits = [
            edit(&mut field, 1000, "label", json!("SH-1")),
            edit(&mut field, 1001, "rated_kw", json!(6.0)),
            edit(&mut field, 1002, "label", json!("PS-2")),
        ];
        let mut told = Vec::new();
        for at in order {
            let (number, edit) = edits[at].clone();
            told.extend(taken(&field.push(vec![edit], field.calling(number)).outcomes[0]).0);
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
    let fast = Push { clock: at("2026-06-15T12:11:00Z"), boot: Some(4), ..field.calling(7) };
    assert_eq!(taken(&field.push(vec![reading], fast.clone()).outcomes[0]), (vec![], vec![]));
    let events = field.events();
    assert_eq!(events[0].0, at("2026-06-15T09:36:00Z"));
    assert_eq!(events[0].1["occurred_at"], "2026-06-15T09:47:00Z", "what was sent stays");

    // Measured in another start of the handset the offset says nothing.
    let mut reading = field.reading(field.unit, "2026-06-15T09:50:00Z", 5.1);
    reading.sent.as_mut().unwrap().boot = Some(3);
    assert_eq!(taken(&field.push(vec![reading], fast).outcomes[0]), (vec![], vec![Flag::TimeDoubtful]));
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
    let pushed = field.push(vec![made], field.calling(7));
    assert_eq!(taken(&pushed.outcomes[0]), (vec![], vec![]));
    assert_eq!(pushed.ready, BTreeSet::from([child.edit.id]));
    let tried = field.again(NOON, pushed.ready, None).outcomes;
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
        assert!(matches!(fate(held), Fate::Held { reason: Reason::FutureEvent, .. }), "{held:?}");
    }
    assert_eq!(field.events().len(), 1);
    let waiting = field.held();
    let told: Vec<(EditId, Reason)> =
        waiting.iter().map(|held| (held.proposal.edit.id, held.reason)).collect();
    assert_eq!(told, [(far.edit.id, Reason::FutureEvent), (farther.edit.id, Reason::FutureEvent)]);
    assert_eq!(waiting[0].body["note"], "behind the shed");
    let again = field.outcomes(vec![far.clone()]);
    assert!(matches!(fate(&again[0]), Fate::Held { reason: Reason::FutureEvent, .. }), "{again:?}");
    is_clean(&field.world.database);

    taken(&field.decide(&waiting[0], Decision::Release));
    let refused = field.decide(&waiting[1], Decision::Refuse("a slip".into()));
    assert!(matches!(fate(&refused), Fate::RefusedByPerson { .. }), "{refused:?}");
    assert_eq!(field.held().len(), 0);
    // Nothing is decided twice, and the handset learns what was decided.
    for (held, decision) in waiting.iter().zip([Decision::Refuse("no".into()), Decision::Release]) {
        let twice = field.decide(held, decision);
        assert!(matches!(twice, Outcome::Refused(Refusal::Exists)), "{twice:?}");
    }
    let learnt = field.outcomes(vec![far, farther]);
    assert!(matches!(fate(&learnt[0]), Fate::Released { .. }), "{learnt:?}");
    assert!(matches!(fate(&learnt[1]), Fate::RefusedByPerson { .. }), "{learnt:?}");
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
    assert!(matches!(fate(&pushed[0]), Fate::Held { reason: Reason::UnknownAuthor, .. }), "{pushed:?}");
    taken(&pushed[1]);
    let late = field.reading(field.unit, "2026-06-15T11:00:00Z", 7.0);
    let lost = set(Target::Handset(field.handsets[&7]), &json!({"revoked": true}));
    field.direct.apply(direct::command(field.organization, vec![lost]));
    let pushed = field.outcomes(vec![late]);
    assert!(matches!(fate(&pushed[0]), Fate::Held { reason: Reason::HandsetRevoked, .. }), "{pushed:?}");
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
    let sent = later.sent.as_mut().unwrap();
    (sent.raw.handset, sent.handset) = (8, field.handsets[&8]);
    for (edit, number) in [(later, 8), (wrong, 7)] {
        let calling = Some(Calling::Push(field.calling(number)));
        let outcomes = field.push_at("2026-06-15T12:06:00Z", vec![edit], calling).outcomes;
        let repeat = matches!(outcomes[0], Outcome::AlreadyApplied(_));
        assert!(repeat == (number == 7) && (repeat || taken(&outcomes[0]).1.is_empty()), "{outcomes:?}");
    }
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

fn a_child_comes_after_its_parent_in_one_push(backend: Backend) {
    let mut field = Field::new(backend);
    let new: UnitId = fresh();
    let child = field.reading(new, "2026-06-15T09:00:00Z", 5.0);
    let of = json!({"label": "FS-9", "home_site_id": field.site.to_string(), "fuel": "petrol"});
    let parent = field.sent(create(Target::Unit(new), &of), 9, Base::default());
    let pushed = field.outcomes(vec![child, parent]);
    assert!(pushed.iter().all(|outcome| taken(outcome) == (vec![], vec![])), "{pushed:?}");
    is_clean(&field.world.database);
}

/// A unit and its first reading are a group of two: neither counts before both are there, nor if one of them may not.
fn a_group_is_taken_together_or_not_at_all(backend: Backend) {
    let mut field = Field::new(backend);
    let group = |id: u128| Some(Group { id: uuid::Uuid::from_u128(id), size: 2 });
    let pair = |field: &mut Field, id: u128, at: &str| {
        let new: UnitId = fresh();
        let of = json!({"label": "FS-9", "home_site_id": field.site.to_string(), "fuel": "petrol"});
        let parent = field.sent(create(Target::Unit(new), &of), 9, Base::default());
        let child = field.reading(new, at, 5.0);
        [parent, child].map(|mut edit| {
            edit.sent.as_mut().unwrap().group = group(id);
            edit
        })
    };
    let [parent, child] = pair(&mut field, 1, "2026-06-15T09:00:00Z");
    for edit in [&child, &child] {
        let pushed = field.push(vec![edit.clone()], field.calling(7));
        assert!(matches!(fate(&pushed.outcomes[0]), Fate::Parked(ParkedFor::GroupIncomplete)), "{pushed:?}");
        assert_eq!(pushed.ready, BTreeSet::new());
    }
    let rows = field.world.database.log_rows();
    let pushed = field.push(vec![parent.clone()], field.calling(7));
    assert_eq!(pushed.ready, BTreeSet::from([parent.edit.id, child.edit.id]));
    assert_eq!(field.world.database.log_rows(), rows);
    let both = field.again(NOON, pushed.ready, Some(2)).outcomes;
    assert!(both.iter().all(|outcome| taken(outcome) == (vec![], vec![])), "{both:?}");
    assert_eq!(field.world.database.log_rows(), rows + 2);
    assert!(matches!(field.outcomes(vec![child])[0], Outcome::AlreadyApplied(_)));

    // One that lies ahead holds the other back, too.
    let [parent, child] = pair(&mut field, 2, "2026-06-16T09:00:00Z");
    let pushed = field.push(vec![parent.clone(), child.clone()], field.calling(7));
    let both = field.again(NOON, pushed.ready, Some(2)).outcomes;
    for held in &both {
        assert!(matches!(fate(held), Fate::Held { reason: Reason::FutureEvent, .. }), "{both:?}");
    }
    assert_eq!(field.held().len(), 2);

    // One that is refused takes the other with it.
    let [mut parent, child] = pair(&mut field, 3, "2026-06-15T09:00:00Z");
    parent.edit.action = create(
        Target::Unit(field.unit),
        &json!({"label": "Twin", "home_site_id": field.site.to_string(), "fuel": "petrol"}),
    )
    .edit
    .action;
    let pushed = field.push(vec![parent, child], field.calling(7));
    let both = field.again(NOON, pushed.ready, Some(2)).outcomes;
    assert!(matches!(&both[0], Outcome::Refused(Refusal::Exists)), "{both:?}");
    let kept =
        field.world.database.texts("SELECT reason AS t FROM inbox WHERE state = 'refused' ORDER BY reason");
    assert_eq!(kept.len(), 2, "{kept:?} {both:?}");
    is_clean(&field.world.database);
}

fn what_cannot_be_read_is_kept(backend: Backend) {
    let field = Field::new(backend);
    let unread = |number: i64, format: i64, text: &str| Unread {
        id: fresh(),
        author: field.person,
        number,
        previous: None,
        raw: Stamp { clock: 5, handset: 7 },
        format,
        group: None,
        text: text.to_owned(),
    };
    let edits = [unread(1, 3, r#"{"format":3}"#), unread(2, 1, r#"{"format":1}"#)];
    let other = Unread { text: r#"{"format":4}"#.to_owned(), ..edits[0].clone() };
    for round in 0..2 {
        let push = Push { unread: edits.to_vec(), ..field.calling(7) };
        let outcomes = field.push(Vec::new(), push).unread;
        assert!(matches!(fate(&outcomes[0]), Fate::Parked(ParkedFor::NewerFormat)), "{round} {outcomes:?}");
        assert!(matches!(&outcomes[1], Outcome::Refused(Refusal::Unreadable)), "{round} {outcomes:?}");
    }
    let outcomes = field.push(Vec::new(), Push { unread: vec![other], ..field.calling(7) }).unread;
    assert!(matches!(&outcomes[0], Outcome::Refused(Refusal::IdReused(_))), "{outcomes:?}");
    let kept = field.world.database.texts("SELECT body AS t FROM inbox ORDER BY handset_edit");
    assert_eq!(kept, [r#"{"format":3}"#, r#"{"format":1}"#]);
}

/// The store of a handset was copied: both copies count on from one, and each edits what the other does not know.
fn two_copies_of_a_handset_are_found_out(backend: Backend) {
    let mut field = Field::new(backend);
    let label = |field: &mut Field, number: i64, clock: u64, value: &str| {
        field.numbers = number - 1;
        let proposal = set(Target::Unit(field.unit), &json!({"label": value}));
        let base = field.base("label");
        field.sent(proposal, clock << 40, base)
    };
    let own = [label(&mut field, 1, 1000, "One"), label(&mut field, 2, 1001, "Two")];
    field.previous = Some(own[0].edit.id);
    let copy = [label(&mut field, 2, 1002, "Copy"), label(&mut field, 3, 1003, "More")];
    let outcomes = field.outcomes(own.to_vec());
    assert!(outcomes.iter().all(|outcome| taken(outcome) == (vec![], vec![])), "{outcomes:?}");
    let outcomes = field.outcomes(copy.to_vec());
    for outcome in &outcomes {
        assert_eq!(taken(outcome), (vec!["label".to_owned()], vec![Flag::Forked]), "{outcomes:?}");
    }
    // What the copies wrote without knowing of each other is all there.
    assert_eq!(field.contested()[0].1, [json!("More"), json!("Copy"), json!("Two")]);
    is_clean(&field.world.database);
}

fn a_parent_that_never_comes_is_for_a_person(backend: Backend) {
    let mut field = Field::new(backend);
    let child = field.reading(fresh(), "2026-06-15T09:00:00Z", 5.0);
    field.outcomes(vec![child.clone()]);
    for (now, waits) in [("2026-07-15T12:00:00Z", true), ("2026-07-15T12:00:01Z", false)] {
        let (organization, since) = (field.organization, at(now).plus_seconds(-30 * 24 * 3600));
        let overdue = field.direct.ask(|store| async move { store.overdue(organization, since, 10).await });
        let overdue = overdue.unwrap();
        assert_eq!(overdue.is_empty(), waits, "{now}");
        let tried = field.again(now, BTreeSet::from([child.edit.id]), None).outcomes;
        match fate(&tried[0]) {
            Fate::Parked(ParkedFor::MissingParent) => assert!(waits, "{now}"),
            Fate::Held { reason: Reason::ParentMissing, .. } => assert!(!waits, "{now}"),
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(field.held()[0].proposal.edit.id, child.edit.id);
    assert!(matches!(
        fate(&field.outcomes(vec![child])[0]),
        Fate::Held { reason: Reason::ParentMissing, .. }
    ));
    is_clean(&field.world.database);
}
