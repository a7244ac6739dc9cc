//! What becomes of records that a newer service told, or that nobody can read.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

use device::{Include, Records, Remark, RemarkCode, UnitDue};
use model::{Instant, SiteId, UnitId};
use serde_json::{Value, json};

const SITE: &str = "019a0b5e-7c00-7000-8000-00000000000a";
const UNIT: &str = "019a0b5e-7c00-7000-8000-00000000000b";
const OTHER: &str = "019a0b5e-7c00-7000-8000-00000000000c";
const SCHEDULE: &str = "019a0b5e-7c00-7000-8000-00000000000d";
const EDITION: &str = "019a0b5e-7c00-7000-8000-00000000000e";
const PERSON: &str = "019a0b5e-7c00-7000-8000-00000000000f";

fn site() -> Value {
    json!({"name": "Depot", "zone": "America/Denver"})
}

fn unit() -> Value {
    json!({"label": "G-1", "home_site_id": SITE, "fuel": "petrol"})
}

fn edition() -> Value {
    json!({"id": EDITION, "schedule_id": SCHEDULE, "edition": "A", "effective_from": "2025-01-01",
           "source": "common practice", "tasks": [
               {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6}}]})
}

fn event(n: u8, kind: &str, more: Value) -> Value {
    let mut event = json!({"id": format!("019a0b5e-7c00-7000-8000-0000000001{n:02}"), "unit_id": UNIT, "kind": kind,
                           "occurred_on": "2025-03-10"});
    event.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    event
}

fn events() -> Vec<Value> {
    vec![
        event(
            1,
            "adoption",
            json!({"occurred_on": "2025-01-02", "edition_id": EDITION, "schedule_id": SCHEDULE}),
        ),
        event(
            2,
            "service",
            json!({"jobs": [{"job": "oil_change"}], "meter_hours": 10,
                                   "recorded_at": "2025-03-11T08:00:00Z", "author": PERSON}),
        ),
    ]
}

struct World {
    site: Value,
    unit: Value,
    edition: Value,
    events: Vec<Value>,
}

impl World {
    fn new() -> Self {
        Self { site: site(), unit: unit(), edition: edition(), events: events() }
    }

    fn records(&self) -> Records {
        let mut records = Records::new();
        records.site(SiteId::parse(SITE).unwrap(), &self.site);
        records.unit(UnitId::parse(UNIT).unwrap(), &self.unit);
        records.edition(&self.edition);
        self.events.iter().for_each(|event| records.event(event));
        records
    }

    fn due(&self) -> UnitDue {
        let at = Instant::parse("2025-04-01T12:00:00Z").unwrap();
        let due = self.records().due(UnitId::parse(UNIT).unwrap(), at, Include::default()).unwrap();
        let text = serde_json::to_value(&due).unwrap();
        let state = text.pointer("/items/0/state").cloned();
        assert!(due.remarks.are_harmless() || state.is_none() || state == Some(json!("unknown")), "{text}");
        due
    }
}

/// The state of the one item, and why it is unknown.
fn state(due: &UnitDue) -> (String, Value) {
    let text = serde_json::to_value(due).unwrap();
    let item = &text["items"][0];
    (item["state"].as_str().unwrap_or("none").to_owned(), item["reason"].clone())
}

fn ok() -> (String, Value) {
    ("ok".to_owned(), Value::Null)
}

fn unreadable() -> (String, Value) {
    ("unknown".to_owned(), json!("unreadable"))
}

type Remarked<'r> = (&'r str, RemarkCode);

/// What was passed over, and what makes the answer unknown: the kind and the code of each.
fn remarks(due: &UnitDue) -> (Vec<Remarked<'_>>, Vec<Remarked<'_>>) {
    fn told(remarks: &[Remark]) -> Vec<Remarked<'_>> {
        remarks.iter().map(|remark| (remark.record.as_ref(), remark.code)).collect()
    }
    (told(&due.remarks.passed_over), told(&due.remarks.unknown_because))
}

#[test]
fn all_that_is_known_leaves_nothing_to_remark() {
    let due = World::new().due();
    assert_eq!((state(&due), remarks(&due)), (ok(), (vec![], vec![])));
}

#[test]
fn what_is_new_is_passed_over_and_named() {
    let mut world = World::new();
    world.site["newer"] = json!(1);
    world.unit["newer"] = json!({"a": [1]});
    world.edition["newer"] = json!(null);
    world.edition["tasks"][0]["newer"] = json!("x");
    world.events[1]["newer"] = json!(true);
    world.events.push(event(3, "overhaul", json!({"what": 1})));
    let due = world.due();
    let newer = |record| (record, RemarkCode::NewerMembers);
    let expected = vec![
        newer("unit"),
        newer("service_event"),
        ("service_event", RemarkCode::NewerKind),
        newer("site"),
        newer("edition"),
    ];
    assert_eq!((state(&due), remarks(&due)), (ok(), (expected, vec![])));
    let pointers = due.remarks.passed_over.last().unwrap().pointers.clone();
    assert_eq!(pointers, ["/tasks/0/newer", "/newer"]);
}

#[test]
fn what_is_new_in_many_records_is_told_once() {
    let mut world = World::new();
    for n in 10..50 {
        world.events.push(event(n, "overhaul", json!({})));
        world.events.push(event(n + 40, "reading", json!({"meter_hours": 11, "newer": n})));
    }
    let due = world.due();
    let counts: Vec<_> = due.remarks.passed_over.iter().map(|remark| (remark.code, remark.count)).collect();
    assert_eq!(counts, [(RemarkCode::NewerKind, 40), (RemarkCode::NewerMembers, 40)]);
}

#[test]
fn a_limit_that_is_new_makes_its_task_unknown() {
    let mut world = World::new();
    world.edition["tasks"][0]["limits"]["starts"] = json!(500);
    let due = world.due();
    assert_eq!(state(&due), ("unknown".to_owned(), json!("newer_limit")));
    let item = &due.known.unwrap().items[0];
    assert_eq!(item.state_otherwise.map(interval::DueState::as_str), Some("ok"));
}

/// However much else is new: the limit may come last.
#[test]
fn a_limit_that_is_new_is_seen_among_many_new_members() {
    let mut world = World::new();
    let many: Vec<Value> =
        (0..120).map(|n| json!({"caution": format!("c{n}"), "source": "x", "newer": 1})).collect();
    for chunk in many.chunks(20) {
        let n = world.edition["tasks"].as_array().unwrap().len();
        let task = json!({"task": format!("a{n}"), "job": format!("a{n}"), "title": "A", "limits": {"months": 600},
                          "newer": chunk, "grade": 1});
        world.edition["tasks"].as_array_mut().unwrap().insert(0, task);
    }
    for n in 0..120 {
        world.edition[format!("newer_{n:03}")] = json!(n);
    }
    for (place, expected) in [("lead", "newer_limit"), ("limits", "newer_limit")] {
        let mut newer = world.edition.clone();
        newer["tasks"][6][place]["starts"] = json!(5);
        let world = World { edition: newer, ..World::new() };
        let text = serde_json::to_value(world.due()).unwrap();
        let items = text["items"].as_array().unwrap();
        let oil = items.iter().find(|item| item["task"] == "oil_change").unwrap();
        assert_eq!((&oil["state"], &oil["reason"]), (&json!("unknown"), &json!(expected)), "{place}");
    }
}

#[test]
fn a_limit_that_is_new_and_decided_for_the_unit_alone_makes_its_task_unknown() {
    let limits = json!({"limits_of": {"schedule_id": SCHEDULE, "task": "oil_change", "limits": {"months": 3, "starts": 9}}});
    let mut amended = event(
        5,
        "correction",
        json!({"action": "amend", "reason": "x", "target_id": event(4, "setting", json!({}))["id"],
                                                    "replacement": {"kind": "setting", "occurred_on": "2025-03-01"}}),
    );
    amended["replacement"].as_object_mut().unwrap().extend(limits.as_object().unwrap().clone());
    for newer in [event(4, "setting", limits), amended] {
        let mut world = World::new();
        world.events.push(newer);
        assert_eq!(state(&world.due()), ("unknown".to_owned(), json!("newer_limit")));
    }
}

#[test]
fn what_cannot_be_read_makes_the_answer_unknown() {
    for event in [
        event(3, "service", json!({"jobs": [{"job": "oil_change", "result": "half"}]})),
        event(3, "reading", json!({"meter_hours": "many"})),
        event(3, "reading", json!({"id": 7, "meter_hours": 12})),
        event(3, "correction", json!({"action": "turn_round", "target_id": EDITION, "reason": "x"})),
        json!({"unit_id": UNIT}),
        json!({"kind": "reading"}),
        json!([1]),
        json!(null),
    ] {
        let mut world = World::new();
        world.events.push(event.clone());
        let due = world.due();
        assert_eq!(state(&due), unreadable(), "{event}");
        assert_eq!(remarks(&due), (vec![], vec![("service_event", RemarkCode::Unreadable)]), "{event}");
    }
}

#[test]
fn what_does_not_bear_on_it_leaves_it_known() {
    let mut world = World::new();
    world.events.push(event(3, "fuel", json!({"action": "evaporated"})));
    world.unit["rated_kw"] = json!("much");
    world.site["latitude"] = json!("north");
    assert_eq!(state(&world.due()), ok());
    world.unit["fuel"] = json!("hydrogen");
    assert_eq!(state(&world.due()), unreadable());
    world.unit = unit();
    world.site["zone"] = json!("Mars/Olympus");
    assert_eq!(state(&world.due()), unreadable());
}

#[test]
fn a_unit_without_a_home_has_no_items_and_says_why() {
    let mut world = World::new();
    world.unit["home_site_id"] = json!(7);
    let due = world.due();
    assert!(due.known.is_none());
    assert_eq!(remarks(&due), (vec![], vec![("unit", RemarkCode::Unreadable)]));
    let site = SiteId::parse(SITE).unwrap();
    let here = world.records().while_here(site, due.as_of);
    assert_eq!(here.place_unknown, [UnitId::parse(UNIT).unwrap()]);
    assert!(!here.remarks.are_harmless());
}

#[test]
fn a_unit_of_which_a_placement_cannot_be_read_is_missed_nowhere() {
    let elsewhere = SiteId::parse(OTHER).unwrap();
    for kind in ["placement", "correction", "commissioning"] {
        let mut world = World::new();
        world.events.push(event(3, kind, json!({"site_id": 7, "action": "turn_round"})));
        let mut records = world.records();
        records.site(elsewhere, &site());
        let at = world.due().as_of;
        assert_eq!(records.while_here(elsewhere, at).place_unknown, [UnitId::parse(UNIT).unwrap()], "{kind}");
        assert_eq!(records.while_here(SiteId::parse(SITE).unwrap(), at).units.len(), 1, "{kind}");
        records.site(elsewhere, &json!({"name": "Hall", "zone": "America/Denver", "needs_kw": 5}));
        let ready = records.site_readiness(elsewhere, at);
        assert_eq!((ready.readiness.verdict.as_str(), ready.place_unknown.len()), ("unknown", 1), "{kind}");
    }
    let mut world = World::new();
    world.events.push(event(3, "reading", json!({"meter_hours": "many"})));
    assert!(world.records().while_here(elsewhere, world.due().as_of).place_unknown.is_empty());
}

#[test]
fn readiness_at_a_site_that_is_not_here_is_unknown_at_best() {
    let mut world = World::new();
    world.events.push(event(3, "placement", json!({"site_id": OTHER})));
    let (unit, at) = (UnitId::parse(UNIT).unwrap(), world.due().as_of);
    let ready = world.records().readiness(unit, at).unwrap();
    assert_eq!(ready.remarks.unknown_because[0].code, RemarkCode::NotHere);
    assert!(world.due().remarks.are_harmless());
}

#[test]
fn an_edition_that_is_not_here_is_missed() {
    let mut world = World::new();
    for edition in [json!({"id": EDITION}), json!({"id": OTHER}), json!("x")] {
        world.edition = edition;
        let due = world.due();
        assert_eq!(state(&due).0, "none");
        assert!(remarks(&due).1.iter().any(|(record, _)| *record == "edition"), "{:?}", due.remarks);
        let here = world.records().while_here(SiteId::parse(SITE).unwrap(), due.as_of);
        assert_eq!((here.units.len(), here.clear), (1, 0));
    }
}

#[test]
fn of_units_that_are_one_machine_all_have_to_be_here() {
    let mut world = World::new();
    world.events.push(event(
        3,
        "correction",
        json!({"action": "link", "other_unit_id": OTHER, "reason": "x"}),
    ));
    assert_eq!(remarks(&world.due()).1, [("unit", RemarkCode::NotHere)]);
    assert_eq!(state(&world.due()), unreadable());

    let at = Instant::parse("2025-04-01T12:00:00Z").unwrap();
    let mut records = world.records();
    records.unit(UnitId::parse(OTHER).unwrap(), &unit());
    let due = records.due(UnitId::parse(OTHER).unwrap(), at, Include::default()).unwrap();
    assert_eq!((due.machine_id, state(&due)), (UnitId::parse(UNIT).ok(), ok()));
    assert_eq!(records.while_here(SiteId::parse(SITE).unwrap(), at).clear, 1);
}

/// By links that no other correction took back; a unit that an event was moved to is another machine.
#[test]
fn the_units_that_are_one_machine() {
    let (unit_id, other) = (UnitId::parse(UNIT).unwrap(), UnitId::parse(OTHER).unwrap());
    let correction = |n, action: Value| {
        let mut correction = event(n, "correction", action);
        correction["reason"] = json!("x");
        correction["occurred_on"] = json!(format!("2025-03-{n:02}"));
        correction
    };
    let link = correction(20, json!({"action": "link", "other_unit_id": OTHER}));
    let unlink = correction(21, json!({"action": "unlink", "other_unit_id": OTHER}));
    let target = event(2, "service", json!({}))["id"].clone();
    let moved = correction(22, json!({"action": "reassign", "target_id": target, "to_unit_id": OTHER}));
    let cases = [
        (vec![], false),
        (vec![link.clone()], true),
        (vec![link.clone(), unlink], false),
        (vec![moved], false),
    ];
    for (corrections, is_one) in cases {
        let mut world = World::new();
        world.events.extend(corrections.clone());
        let mut records = world.records();
        records.unit(other, &unit());
        let both = [(unit_id, other), (other, unit_id)];
        for (one, other) in both {
            assert_eq!(records.machine(one).contains(&other), is_one, "{corrections:?}");
            assert!(records.machine(one).contains(&one));
        }
    }
    // Where one cannot be read, nobody knows, and what hangs on either is heeded.
    let mut records =
        World { unit: json!({"home_site_id": 5}), events: vec![link], ..World::new() }.records();
    records.unit(other, &unit());
    assert_eq!(records.machine(unit_id).len(), 2);
}

#[test]
fn an_event_is_read_without_what_no_answer_rests_on() {
    for aside in ["note", "attachments", "on_behalf_of"] {
        let mut world = World::new();
        world.events[1][aside] = json!(7);
        assert_eq!(state(&world.due()), ok(), "{aside}");
        world.events[1]["meter_hours"] = json!("many");
        assert_eq!(state(&world.due()), unreadable(), "{aside}");
    }
}

#[test]
fn what_is_told_anew_or_taken_out_is_remarked_no_more() {
    let (bad, good) = (json!({"meter_hours": "many"}), json!({"meter_hours": 11}));
    let mut world = World::new();
    world.events.push(event(3, "reading", bad));
    assert_eq!(state(&world.due()), unreadable());
    let target = world.events[2]["id"].clone();
    let correction = |n: u8, action: &str| {
        event(n, "correction", json!({"action": action, "target_id": target, "reason": "x"}))
    };
    let (void, back) = (correction(4, "void"), correction(5, "reinstate"));
    let with = |more: &[Value]| World { events: [&world.events[..], more].concat(), ..World::new() };
    assert_eq!(state(&with(std::slice::from_ref(&void)).due()), ok());
    assert_eq!(state(&with(&[void, back]).due()), unreadable());
    let again = with(&[event(3, "reading", good)]).due();
    assert_eq!((state(&again), remarks(&again)), (ok(), (vec![], vec![])));
}

#[test]
fn a_correction_that_cannot_be_read_makes_both_units_unknown() {
    let mut world = World::new();
    let moved =
        json!({"action": "reassign", "target_id": 7, "to_unit_id": UNIT, "unit_id": OTHER, "reason": "x"});
    world.events.push(event(3, "correction", moved));
    assert_eq!(state(&world.due()), unreadable());
    world.events.pop();
    let moved = json!({"action": "reassign", "target_id": EDITION, "to_unit_id": OTHER, "reason": "x"});
    world.events.push(event(3, "correction", moved));
    assert_eq!(remarks(&world.due()).1, [("unit", RemarkCode::NotHere)]);
}

#[test]
fn a_text_that_was_erased_changes_nothing() {
    let mut world = World::new();
    world.events[1]["note"] = json!({"erased": true});
    world.unit["note"] = json!({"erased": true});
    let due = world.due();
    assert_eq!((state(&due), remarks(&due)), (ok(), (vec![], vec![])));
}

#[test]
fn a_clock_that_was_put_right_counts_as_it_is_told() {
    let mut world = World::new();
    let done = |more: Value| {
        let mut event =
            event(2, "service", json!({"jobs": [{"job": "oil_change"}], "occurred_source": "clock"}));
        let members = event.as_object_mut().unwrap();
        members.remove("occurred_on");
        members.extend(more.as_object().unwrap().clone());
        event
    };
    let date =
        |due: &UnitDue| serde_json::to_value(due).unwrap()["items"][0]["calendar"]["anchor_date"].clone();
    for (happened_at, expected) in
        [(json!(null), "2025-03-09"), (json!("2025-03-10T12:00:00Z"), "2025-03-10")]
    {
        world.events[1] = done(json!({"occurred_at": "2025-03-10T01:00:00Z", "happened_at": happened_at}));
        let due = world.due();
        assert_eq!((date(&due), remarks(&due)), (json!(expected), (vec![], vec![])));
    }
}

#[test]
fn a_run_ends_as_much_later_as_its_clock_was_slow() {
    let mut world = World::new();
    let run = |source: &str| {
        let mut run = event(
            3,
            "run",
            json!({"occurred_at": "2023-03-10T01:00:00Z", "occurred_source": source, "happened_at": "2025-03-10T12:00:00Z", "stopped_at": "2023-03-10T03:30:00Z"}),
        );
        run.as_object_mut().unwrap().remove("occurred_on");
        run
    };
    world.unit["meter_fitted"] = json!(false);
    world.events[1].as_object_mut().unwrap().insert("meter_hours".to_owned(), json!(0));
    world.events.push(run("clock"));
    let hours = |due: &UnitDue| serde_json::to_value(due).unwrap()["engine_hours"].clone();
    let since = |due: &UnitDue| serde_json::to_value(due).unwrap()["items"][0]["hours"].clone();
    let right = world.due();
    world.events[2] =
        event(3, "run", json!({"occurred_at": "2025-03-10T12:00:00Z", "stopped_at": "2025-03-10T14:30:00Z"}));
    world.events[2].as_object_mut().unwrap().remove("occurred_on");
    assert_eq!((hours(&right), since(&right)), (hours(&world.due()), since(&world.due())));
    assert!(hours(&right).to_string().contains("2.5"), "{}", hours(&right));
}

#[test]
fn of_two_with_one_id_the_later_stands() {
    let mut world = World::new();
    world.events.push(event(
        2,
        "service",
        json!({"jobs": [{"job": "oil_change"}], "occurred_on": "2024-03-10"}),
    ));
    assert_eq!(state(&world.due()).0, "overdue");
}
