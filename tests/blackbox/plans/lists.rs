//! Every list of the store, each asked for as the service does, and what a write looks up.

use std::{collections::BTreeSet, sync::Arc};

use blackbox::{
    captured::Sent,
    direct::{self, create, event, set},
    world::{edition, fresh, new_id},
};
use interval::{DueState, QualityCode};
use model::{
    BlobHash, Code, Label, MediaType, SiteId,
    edit::{RecordKind, Target},
    event::EventKind,
};
use proof::Prefix;
use serde_json::{Value, json};
use store::{
    Command, Store,
    blobs::{Blob, Sender},
    imports::{ImportQuery, Wanted},
    readiness::{For, Judge, Judged, ReadinessQuery, SiteSeen, UnitSeen},
    view::{
        ChangesQuery, Cursor, DueFilter, DuePlace, DueQuery, EventQuery, ExternalQuery, KeptPlace, KeptQuery,
        KeptState, Known, Mode, Moment, Most, Pull, QualityPlace, QualityQuery, SiteQuery, SiteThenQuery,
        Sites, ThenQuery,
    },
};

use super::ground::{Ground, now};

/// At most so many lines of a list.
const LIMIT: usize = 100;

/// A list's name, and what it asks of the database.
pub(super) type Asked = (&'static str, Sent);

/// Asks for each list; gives its name and the statements that it sent.
pub(super) fn asked(ground: &Ground) -> Vec<Asked> {
    let mut all = Vec::new();
    let mut heard = |name| all.push((name, reads(ground.captured.take())));
    ground.captured.take();
    records(ground, &mut heard);
    open(ground, &mut heard);
    events(ground, &mut heard);
    due(ground, &mut heard);
    then(ground, &mut heard);
    quality(ground, &mut heard);
    readiness(ground, &mut heard);
    jobs(ground, &mut heard);
    imports(ground, &mut heard);
    blobs(ground, &mut heard);
    feed(ground, &mut heard);
    writes(ground, &mut heard);
    all
}

/// What reads of a transaction's statements.
fn reads(mut sent: Sent) -> Sent {
    sent.retain(|text, _| {
        text.trim_start_matches('(').starts_with("SELECT")
            && text.contains("FROM")
            && !text.contains("record_lock")
            // The counter is one row by its key, of few.
            && !text.contains("next_seq")
    });
    sent
}

/// Waits for what the store answers.
macro_rules! ask {
    ($ground:ident, |$store:ident| $question:expr) => {
        $ground.direct.ask(|$store: Store| async move { $question.await }).unwrap()
    };
}

fn records(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let Ground { id, person, site, unit, schedule, handset, .. } = *ground;
    for after in [None, Some(fresh())] {
        ask!(ground, |store| store.sites(id, None, after, LIMIT));
    }
    heard("sites");
    ask!(ground, |store| store.sites(id, Some([site].into()), None, LIMIT));
    heard("some sites");
    for after in [None, Some(fresh())] {
        ask!(ground, |store| store.units(id, vec![], after, LIMIT));
    }
    heard("units");
    for sets in [vec![vec![site]], vec![vec![site, fresh()], vec![site]]] {
        ask!(ground, |store| store.units(id, sets, None, LIMIT));
    }
    heard("units of sites");
    for kind in [RecordKind::Unit, RecordKind::Site] {
        let (organization, sets) = (id, vec![vec![site, fresh()]]);
        let [system, external] = ["gis", "GN-0042"];
        let (system, id) = (Code::parse(system).unwrap(), Label::parse(external).unwrap());
        let query = ExternalQuery { organization, kind, system, id, sets, after: None, limit: LIMIT };
        ask!(ground, |store| store.records_with(query));
    }
    heard("with an external id");
    ask!(ground, |store| store.labels(id, [unit].into()));
    heard("labels");
    for after in [None, Some(fresh())] {
        ask!(ground, |store| store.schedules(id, after, LIMIT));
    }
    heard("schedules");
    for after in [None, Some(fresh())] {
        ask!(ground, |store| store.editions(id, schedule, after, LIMIT));
    }
    heard("editions");
    for kind in [RecordKind::Incident, RecordKind::Promise] {
        for (sees, after) in
            [(None, None), (Some(vec![site]), Some(fresh::<model::id::kind::Promise>().uuid()))]
        {
            ask!(ground, |store| store.outages(id, kind, sees, after, LIMIT));
        }
    }
    heard("outages");
    ask!(ground, |store| store.promises(id, None));
    heard("promises");
    ask!(ground, |store| store.promises(id, Some(unit)));
    heard("promises of a spare");
    ask!(ground, |store| store.fields(id, [unit].into(), [site].into()));
    heard("fields");
    ask!(ground, |store| store.grants(id, person));
    heard("grants");
    ask!(ground, |store| store.look(id, person, Target::Unit(unit)));
    heard("look");
    for after in [None, Some(fresh())] {
        ask!(ground, |store| store.handsets(id, None, after, LIMIT));
    }
    heard("handsets");
    ask!(ground, |store| store.handsets(id, Some(person), None, LIMIT));
    heard("own handsets");
    ask!(ground, |store| store.handset(id, handset));
    heard("handset");
    let place = KeptPlace { received_at: now(), edit: fresh(), other: Some(proof::sha256("x")) };
    for state in [None, Some(KeptState::Parked), Some(KeptState::Refused)] {
        for after in [None, Some(place.clone())] {
            for sites in [None, Some(vec![site, fresh()])] {
                let own = Some(person);
                let (state, after, organization) = (state, after.clone(), id);
                let query = KeptQuery { organization, handset, state, sites, own, after, limit: LIMIT };
                ask!(ground, |store| store.kept(query));
            }
        }
    }
    heard("kept edits");
}

/// What waits for a person, and what people set without knowing of each other.
fn open(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let Ground { id, site, .. } = *ground;
    for after in [0, 5] {
        ask!(ground, |store| store.held(id, None, after, LIMIT));
    }
    heard("held");
    ask!(ground, |store| store.held(id, Some(vec![site, fresh()]), 0, LIMIT));
    heard("held at some sites");
    for kind in [RecordKind::Unit, RecordKind::Site] {
        for after in [None, Some((uuid::Uuid::now_v7(), "label".to_owned()))] {
            ask!(ground, |store| store.contested(id, kind, vec![], after, LIMIT));
        }
    }
    heard("contested");
    for kind in [RecordKind::Unit, RecordKind::Site] {
        ask!(ground, |store| store.contested(id, kind, vec![vec![site, fresh()], vec![site]], None, LIMIT));
    }
    heard("contested at some sites");
}

fn events(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    for kind in [None, Some(EventKind::Reading)] {
        for after in [None, Some((now().plus_seconds(-400 * 86_400), fresh()))] {
            let query = EventQuery { organization: ground.id, unit: ground.unit, kind, after, limit: LIMIT };
            ask!(ground, |store| store.events(query));
        }
    }
    heard("events");
    let (id, unit) = (ground.id, ground.unit);
    ask!(ground, |store| store.unit_due(id, unit));
    heard("due of a unit");
    ask!(ground, |store| store.bundle(id, unit, fresh(), Known::All));
    heard("bundle of a service");
}

fn due(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let id = ground.id;
    ask!(ground, |store| store.due_as_of(id, now()));
    heard("due as of");
    for (name, filter) in filters(ground) {
        let pages = [(false, None), (true, None), (false, Some(place(ground))), (true, Some(place(ground)))];
        for (descending, after) in pages {
            let query = DueQuery { filter: filter.clone(), as_of: now(), descending, after, limit: LIMIT };
            ask!(ground, |store| store.due(query));
        }
        heard(name);
    }
    // Before anything was recorded: what has changed since is answered from what it was.
    let query = DueQuery {
        filter: whole(ground),
        as_of: now().plus_seconds(-86_400),
        descending: false,
        after: None,
        limit: LIMIT,
    };
    ask!(ground, |store| store.due(query));
    heard("due, pinned");
    for (_, filter) in filters(ground) {
        for after in [None, Some(fresh::<model::id::kind::Site>())] {
            let query = SiteQuery { filter: filter.clone(), as_of: now(), after, limit: LIMIT };
            ask!(ground, |store| store.due_by_site(query));
        }
    }
    heard("due by site");
}

/// Lists for which units are folded.
fn then(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let known = [Known::All, Known::Row(3), Known::At(now())];
    let moment = |known| Moment { at: now().plus_seconds(-86_400), until: true, known };
    let (id, unit) = (ground.id, ground.unit);
    for known in known {
        ask!(ground, |store| store.unit_then(id, unit, moment(known)));
    }
    heard("then, of a unit");
    let struck = Some([ground.site, fresh()].into());
    ask!(ground, |store| store.ever_standing(DueFilter::all(id), struck, moment(Known::All)));
    heard("then, of some");
    for (_, filter) in filters(ground).into_iter().filter(|(_, filter)| filter.states.is_empty()) {
        let of_some = filter.sites.is_some() || filter.site.is_some() || filter.unit.is_some();
        let query = ThenQuery {
            filter: filter.clone(),
            moment: moment(Known::All),
            descending: false,
            after: None,
            limit: LIMIT,
        };
        ask!(ground, |store| store.due_then(query));
        let query = SiteThenQuery { filter, moment: moment(Known::All), after: None, limit: LIMIT };
        ask!(ground, |store| store.due_by_site_then(query));
        heard(if of_some { "then, of some" } else { "then" });
    }
    for (_, filter) in filters(ground) {
        let of_some = filter.sites.is_some() || filter.site.is_some() || filter.unit.is_some();
        let since = now().plus_seconds(-3600);
        let query =
            ChangesQuery { filter, since, as_of: now(), known: Known::All, after: None, limit: LIMIT };
        ask!(ground, |store| store.due_changes(query));
        heard(if of_some { "changes, of some" } else { "changes" });
    }
}

fn quality(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let place = QualityPlace { from: now().plus_seconds(-9_000_000), unit: ground.unit, n: 0 };
    let named = filters(ground).into_iter().filter(|(_, filter)| {
        filter.states.is_empty() && filter.task.is_none() && filter.due_before.is_none()
    });
    for (_, of) in named {
        let name = match (&of.sites, of.site, of.unit) {
            (None, None, None) => "quality",
            (_, _, Some(_)) => "quality, one unit",
            _ => "quality at some sites",
        };
        for (codes, after) in [(vec![], None), (vec![QualityCode::Quiet], Some(place))] {
            let query = QualityQuery { of: of.clone(), codes, at: now(), after, limit: LIMIT };
            ask!(ground, |store| store.quality(query));
        }
        heard(name);
    }
    let (of, unit, site) = (DueFilter::all(ground.id), ground.unit, ground.site);
    let moment = Moment { at: now(), until: false, known: Known::All };
    ask!(ground, |store| store.beside(of, unit, site, moment));
    heard("then, beside");
}

/// Finds everything ready.
#[derive(Debug)]
struct Ready;

impl Judge for Ready {
    fn unit(&self, _: &UnitSeen) -> serde_json::Result<Judged> {
        Ok(Judged { verdict: "ready", until: None, capacity: None, told: "[]".to_owned() })
    }

    fn site(&self, _: &SiteSeen) -> serde_json::Result<Judged> {
        Ok(Judged { verdict: "ready", until: None, capacity: None, told: "{}".to_owned() })
    }

    fn version(&self) -> &'static str {
        "a"
    }
}

fn readiness(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let (id, unit, site) = (ground.id, ground.unit, ground.site);
    ask!(ground, |store| store.judge_unit(id, unit, Arc::new(Ready), now(), For::Chore));
    ask!(ground, |store| store.judge_site(id, site, Arc::new(Ready), now(), For::Chore));
    heard("judge");
    let named = filters(ground).into_iter().filter(|(_, filter)| {
        filter.states.is_empty()
            && filter.task.is_none()
            && filter.due_before.is_none()
            && filter.unit.is_none()
    });
    for (_, of) in named {
        let all = of.sites.is_none() && of.site.is_none();
        let verdicts = [vec![], vec!["not_ready"], vec!["unknown", "not_ready"]];
        for (verdicts, after) in verdicts.into_iter().zip([None, Some(unit.uuid()), None]) {
            let judged_with = "a".to_owned();
            let query =
                ReadinessQuery { of: of.clone(), verdicts, now: now(), judged_with, after, limit: LIMIT };
            let sites = query.clone();
            ask!(ground, |store| store.readiness(query));
            heard(if all { "readiness" } else { "readiness at some sites" });
            ask!(ground, |store| store.site_readiness(sites));
            heard(if all { "ready sites" } else { "ready sites of some" });
        }
        ask!(ground, |store| store.unjudged(of, &Ready, now(), 100));
        heard(if all { "to judge" } else { "to judge at some sites" });
    }
    let all = DueFilter::all(id);
    let moment = Moment { at: now(), until: false, known: Known::All };
    ask!(ground, |store| store.unit_story(id, unit, moment));
    heard("unit story");
    for standing in [true, false] {
        let all = all.clone();
        ask!(ground, |store| store.site_story(all, site, moment, standing));
        heard("site story");
    }
    ask!(ground, |store| store.fleet_story(all, moment, 1000));
    heard("fleet story");
}

fn jobs(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let (id, unit) = (ground.id, ground.unit);
    ask!(ground, |store| store.waiting(id, now(), 100));
    heard("waiting");
    ask!(ground, |store| store.finish(id, now()));
    heard("finish");
    ask!(ground, |store| store.advance(id, unit, now()));
    heard("advance");
}

/// Photos and papers, of which one is there for somebody else who sees its unit.
fn blobs(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let (id, sites, sha256) = (ground.id, Some([ground.site].into()), BlobHash::from_bytes([7; 32]));
    let sender = &Sender { organization: id, person: ground.person, sites };
    let reader = &Sender { person: fresh(), ..sender.clone() };
    let (place, old) = (uuid::Uuid::now_v7(), now().plus_seconds(60));
    assert!(ask!(ground, |store| store.take_upload(sender, sha256, 9, place, now())).is_ok());
    heard("room for a photo");
    let blob = Blob { sha256, media_type: MediaType::Pdf, bytes: 9, place, kept_at: now() };
    assert_eq!(ask!(ground, |store| store.keep_blob(sender, blob, None)), Some(place));
    ask!(ground, |store| store.blob_for(reader, sha256));
    ask!(ground, |store| store.upload(id, reader.person, sha256));
    heard("a photo");
    ask!(ground, |store| store.idle_uploads(id, old));
    heard("idle uploads");
    for after in [None, Some((now().plus_seconds(-9), sha256))] {
        ask!(ground, |store| store.orphans(id, old, after));
    }
    heard("orphans");
    ask!(ground, |store| store.strays(id, vec![(sha256, uuid::Uuid::now_v7())]));
    heard("strays");
    ask!(ground, |store| store.has_blobs(id));
    heard("any photo");
}

/// Files that are brought in.
fn imports(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let (id, person, unit, site) = (ground.id, ground.person, ground.unit, ground.site);
    for after in [None, Some((now(), fresh()))] {
        for author in [None, Some(person)] {
            let query = ImportQuery { organization: id, author, now: now(), after, limit: LIMIT };
            ask!(ground, |store| store.imports(query));
        }
    }
    heard("imports");
    ask!(ground, |store| store.import(id, fresh()));
    ask!(ground, |store| store.import_report(id, fresh(), 5, LIMIT));
    ask!(ground, |store| store.piece(id, uuid::Uuid::now_v7(), 0));
    heard("import");
    let file = uuid::Uuid::now_v7();
    ask!(ground, |store| store.lease_import(id, file, now(), now().plus_seconds(60)));
    heard("import to work at");
    ask!(ground, |store| store.forget_imports(id, now()));
    ask!(ground, |store| store.drop_file(id, file));
    heard("imports to forget");
    let external = BTreeSet::from([(RecordKind::Unit, "gis".to_owned(), "GN-1".to_owned())]);
    let wanted = Wanted { external, records: [Target::Unit(unit), Target::Site(site)].into() };
    ask!(ground, |store| store.find_for_import(id, wanted));
    heard("import names");
}

/// What a reader of the feed is told, from its first fill to a change of its sites.
fn feed(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let Ground { id, site, handset, .. } = *ground;
    for (name, sites) in [("feed", None), ("feed of some sites", Some(BTreeSet::from([site])))] {
        let pull = Pull {
            organization: id,
            sites,
            handset: Some(handset),
            revoked: false,
            cursor: None,
            page: true,
            most: Most { changes: 2, bytes: 1 << 20 },
        };
        // A page at a time, as a fill goes, and then the lines of every row.
        let filled = pages(ground, &pull);
        let begun = Cursor { mode: Mode::Lines { after: 0, within: None }, ..filled };
        pages(ground, &Pull { cursor: Some(begun.clone()), ..pull.clone() });
        let elsewhere = Cursor { sites: Sites::Only([fresh()].into()), ..begun };
        pages(ground, &Pull { cursor: Some(elsewhere), ..pull.clone() });
        heard(name);
    }
    ask!(ground, |store| store.parts(id, site, Prefix::default()));
    ask!(ground, |store| store.part(id, site, Prefix::default(), LIMIT));
    heard("fingerprints");
    ask!(ground, |store| store.parked(id, [fresh()].into()));
    heard("parked");
    ask!(ground, |store| store.overdue(id, now(), 100));
    heard("parked for long");
}

/// What a write looks up before it writes.
fn writes(ground: &Ground, heard: &mut impl FnMut(&'static str)) {
    let Ground { id, site, unit, schedule, ref direct, .. } = *ground;
    let happened = |mut body: Value| {
        (body["id"], body["unit_id"]) = (json!(new_id()), json!(unit));
        body["occurred_at"] = json!("2026-06-02T12:00:00Z");
        event(&body)
    };
    let edits = vec![
        happened(json!({"kind": "reading", "meter_hours": 40})),
        happened(json!({"kind": "placement", "site_id": site})),
        set(Target::Unit(unit), &json!({"label": "FS-3"})),
        set(Target::Site(site), &json!({"name": "Fire Station 1", "external_ids": {"gis": "ST-1"}})),
        create(Target::Unit(fresh()), &json!({"label": "FS-9", "home_site_id": site, "fuel": "petrol"})),
        direct::edition(schedule, &edition()),
    ];
    direct.apply(Command { now: now(), ..direct::command(id, edits) });
    heard("write");
}

/// Reads until there is no more; gives the cursor then.
fn pages(ground: &Ground, pull: &Pull) -> Cursor {
    let mut pull = pull.clone();
    loop {
        let page = pull.clone();
        let pulled = ask!(ground, |store| store.pull(page));
        pull.cursor = pulled.cursor;
        if !pulled.more {
            return pull.cursor.unwrap();
        }
    }
}

fn whole(ground: &Ground) -> DueFilter {
    DueFilter {
        organization: ground.id,
        sites: None,
        site: None,
        unit: None,
        task: None,
        states: Vec::new(),
        due_before: None,
    }
}

fn place(ground: &Ground) -> DuePlace {
    DuePlace {
        due_at: now(),
        unit: ground.unit,
        schedule: ground.schedule,
        task: Code::parse("oil_change").unwrap(),
    }
}

/// What a list of due items can be asked for.
fn filters(ground: &Ground) -> Vec<(&'static str, DueFilter)> {
    let whole = whole(ground);
    let site: SiteId = ground.site;
    let seen = Some(vec![site, fresh()]);
    vec![
        ("due", whole.clone()),
        ("due in a state", DueFilter { states: vec![DueState::Overdue], ..whole.clone() }),
        ("due in some states", DueFilter { states: vec![DueState::Overdue, DueState::Due], ..whole.clone() }),
        ("due, one task", DueFilter { task: Code::parse("oil_change").ok(), ..whole.clone() }),
        ("due, one unit", DueFilter { unit: Some(ground.unit), ..whole.clone() }),
        ("due at a site", DueFilter { site: Some(site), ..whole.clone() }),
        ("due at the asker's sites", DueFilter { sites: seen.clone(), ..whole.clone() }),
        (
            "due at the asker's sites, in a state",
            DueFilter { sites: seen.clone(), states: vec![DueState::Overdue], ..whole.clone() },
        ),
        ("due at a site of the asker's", DueFilter { sites: seen, site: Some(site), ..whole.clone() }),
        ("due before", DueFilter { due_before: Some(now()), ..whole }),
    ]
}
