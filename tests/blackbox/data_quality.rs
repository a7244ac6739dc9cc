//! What is to be put right in the records: what looks fine because nobody looked.

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{Backend, Client, Town, World, none_failed, on_both, service::is_clean, world::id_of};
use serde_json::{Value, json};

on_both!(
    each_code_is_told_with_its_events,
    work_that_may_be_told_twice_is_told_until_it_is_settled,
    the_list_agrees_with_every_unit_folded,
    everybody_sees_what_is_theirs,
    pages_neither_repeat_nor_skip,
);

const LIST: &str = "/v1/data-quality";

fn text<'v>(value: &'v Value, name: &str) -> &'v str {
    value[name].as_str().unwrap_or_else(|| panic!("no {name} in {value}"))
}

/// Codes by label of unit.
fn by_unit(lines: &[Value]) -> BTreeMap<String, BTreeSet<String>> {
    let mut found: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for line in lines {
        found.entry(text(line, "unit_label").to_owned()).or_default().insert(text(line, "code").to_owned());
    }
    found
}

fn reading(meter: f64) -> Value {
    json!({"kind": "reading", "meter_hours": meter})
}

/// Units with all that can be wrong with a record; it is 2026-06-15.
fn fleet(town: &Town) -> BTreeMap<&'static str, String> {
    let fine = town.unit_in_service("fine", 0);
    town.happened(&fine, "2026-06-10T12:00:00Z", reading(20.0));
    // Not read since it was put to work in January.
    let stale = town.unit_in_service("stale", 1);
    town.happened(&stale, "2026-06-01T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    let aside = town.unit_in_service("aside", 0);
    town.happened(&aside, "2026-06-08T12:00:00Z", reading(30.0));
    town.happened(&aside, "2026-06-09T12:00:00Z", reading(3010.0));
    let blank = town.unit_at("blank", 1);
    town.happened(&blank, "2026-06-01T12:00:00Z", town.adoption());
    let quiet = town.unit("quiet");
    town.happened(&quiet, "2025-10-01T12:00:00Z", reading(700.0));
    // Away from home.
    town.happened(&aside, "2026-06-12T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    BTreeMap::from([("fine", fine), ("stale", stale), ("aside", aside), ("blank", blank), ("quiet", quiet)])
}

fn each_code_is_told_with_its_events(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    let client = town.coordinator();
    let all = client.all(LIST, 500);
    let of = |label: &str, codes: &[&str]| {
        (label.to_owned(), codes.iter().map(|code| (*code).to_owned()).collect::<BTreeSet<_>>())
    };
    let expected = BTreeMap::from([
        of("stale", &["stale_reading"]),
        of("aside", &["reading_set_aside"]),
        of("blank", &["no_history"]),
        of("quiet", &["stale_reading", "quiet"]),
    ]);
    assert_eq!(by_unit(&all), expected, "{all:?}");
    for line in &all {
        // That a reading is old is told by there being no newer one.
        let names_none = line["code"] == "stale_reading";
        assert_eq!(line["event_ids"].as_array().unwrap().is_empty(), names_none, "{line}");
    }
    let aside = all.iter().find(|line| line["code"] == "reading_set_aside").unwrap();
    let event = aside["event_ids"][0].as_str().unwrap();
    let shown = client.get(&format!("/v1/service-events/{event}")).expect(200).json();
    assert_eq!((&shown["meter_hours"], &aside["since"]), (&json!(3010), &json!("2026-06-09T12:00:00Z")));
    // Once it is taken back, or read anew, it is right.
    let reason = "slip of the pen";
    let void = json!({"kind": "correction", "action": "void", "target_id": event, "reason": reason});
    town.happened(&units["aside"], "2026-06-14T12:00:00Z", void);
    town.happened(&units["stale"], "2026-06-14T12:00:00Z", reading(4.0));
    town.happened(&units["quiet"], "2026-06-14T12:00:00Z", reading(710.0));
    assert_eq!(by_unit(&client.all(LIST, 500)), BTreeMap::from([of("blank", &["no_history"])]));
    // As it was, and as it was known.
    let then = format!("{LIST}?valid_at=2026-06-13T12:00:00Z");
    assert_eq!(by_unit(&client.all(&then, 2)).get("stale"), expected.get("stale"));
    assert_eq!(by_unit(&client.all(&format!("{LIST}?known_at=2026-06-15T11:00:00Z"), 500)), BTreeMap::new());
    let ahead = by_unit(&client.all(&format!("{LIST}?valid_at=2027-06-15T12:00:00Z"), 2));
    assert_eq!(ahead.get("fine"), Some(&of("", &["stale_reading", "quiet"]).1));
    is_clean(&world.database);
}

/// The rows that the fold writes are what folding each unit for the question comes to, after events in and out of order.
fn the_list_agrees_with_every_unit_folded(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    for n in 0..6 {
        let day = 10 + n % 5;
        for (m, unit) in units.values().enumerate() {
            let at = format!("2026-06-{day}T{:02}:00:00Z", 10 + (n * 3 + u32::try_from(m).unwrap()) % 12);
            town.happened(unit, &at, reading(if n % 4 == 3 { 9000.0 } else { 31.0 + f64::from(n) }));
        }
    }
    let client = town.coordinator();
    let mut failures = Vec::new();
    let plain = |lines: Vec<Value>| lines;
    for filter in
        ["", "&code=stale_reading,reading_set_aside", "&code=quiet", &format!("&site={}", town.sites[1])]
    {
        // An instant ahead is read from the rows; by what is known until far ahead every unit is folded.
        let at = "valid_at=2026-06-20T12:00:00Z";
        let rows = plain(client.all(&format!("{LIST}?{at}{filter}"), 3));
        let folded = plain(client.all(&format!("{LIST}?{at}&known_at=2030-01-01T00:00:00Z{filter}"), 3));
        if rows != folded {
            failures.push(format!("{filter}: rows {rows:?}, folded {folded:?}"));
        }
    }
    none_failed(&failures);
    is_clean(&world.database);
}

/// One thing at a time is recorded and applied or refolded; after each the rows are what a fold of all comes to.
fn work_that_may_be_told_twice_is_told_until_it_is_settled(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("twice", 0);
    let pairs = || -> Vec<(Value, Value)> {
        is_clean(&world.database);
        let lines = client.all(&format!("{LIST}?code=possible_duplicate"), 2);
        let folded = client.all(&format!("{LIST}?code=possible_duplicate&known_at=2030-01-01T00:00:00Z"), 2);
        assert_eq!(lines, folded);
        lines.iter().map(|line| (line["since"].clone(), line["event_ids"].clone())).collect()
    };
    let oil = |meter: Option<f64>| json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": meter});
    let say = |at: &str, event: Value| id_of(&town.happened(&unit, at, event));
    let correct = |mut what: Value| {
        what["kind"] = json!("correction");
        what["reason"] = json!("asked them");
        say("2026-06-15T08:00:00Z", what);
    };
    let first = say("2026-06-01T12:00:00Z", oil(Some(30.0)));
    say("2026-06-01T14:00:00Z", oil(Some(30.2)));
    assert_eq!(pairs(), [], "told twice for certain");
    let later = say("2026-06-02T00:00:00Z", oil(None));
    let open = (json!("2026-06-02T00:00:00Z"), json!([first, later]));
    assert_eq!(pairs(), std::slice::from_ref(&open));
    say("2026-06-03T12:00:00Z", oil(None));
    assert_eq!(pairs(), std::slice::from_ref(&open), "farther than the window");
    correct(json!({"action": "void", "target_id": later}));
    assert_eq!(pairs(), []);
    correct(json!({"action": "reinstate", "target_id": later}));
    assert_eq!(pairs(), [open]);
    correct(json!({"action": "unlink", "target_id": first, "other_id": later}));
    assert_eq!(pairs(), []);
    // On another unit, whose state is still applied.
    let unit = town.unit_in_service("fitted", 0);
    let say = |at: &str, event: Value| id_of(&town.happened(&unit, at, event));
    let rebuilt = || json!({"kind": "component", "component": "engine", "action": "rebuilt"});
    let one = say("2026-06-05T12:00:00Z", rebuilt());
    assert_eq!(pairs(), []);
    let other = say("2026-06-06T11:00:00Z", rebuilt());
    assert_eq!(pairs(), [(json!("2026-06-06T11:00:00Z"), json!([one, other]))]);
    let both = json!({"kind": "correction", "action": "unlink", "target_id": one, "other_id": other, "reason": "rebuilt twice"});
    say("2026-06-15T08:00:00Z", both);
    assert_eq!(pairs(), []);
}

fn everybody_sees_what_is_theirs(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    fleet(&town);
    fleet(&other);
    let of_site = |site: usize| {
        world.client(town.id, world.person(town.id, &[("custodian", json!([town.sites[site]]))]))
    };
    let labels = |client: &Client, query: &str| -> Vec<String> {
        by_unit(&client.all(&format!("{LIST}{query}"), 2)).into_keys().collect()
    };
    assert_eq!(labels(&of_site(0), ""), ["aside", "quiet"]);
    assert_eq!(labels(&of_site(1), ""), ["aside", "blank", "stale"], "one is lent to it");
    assert_eq!(labels(town.coordinator(), &format!("?site={}", town.sites[0])), ["aside", "quiet"]);
    assert_eq!(labels(&of_site(1), &format!("?site={}", town.sites[0])), ["aside"]);
    let nobody = world.client(town.id, world.person(town.id, &[]));
    assert_eq!(labels(&nobody, ""), Vec::<String>::new());
    let client = town.coordinator();
    for (wrong, parameter) in
        [("code=none", "code"), ("site=1", "site"), ("state=due", "state"), ("known_at=now", "known_at")]
    {
        let reply = client.get(&format!("{LIST}?{wrong}"));
        reply.problem(400, "invalid_parameter");
        assert_eq!(reply.errors()[0].0, parameter, "{}", reply.text);
    }
    world.service.anonymous().get(LIST).problem(401, "unauthenticated");
}

fn pages_neither_repeat_nor_skip(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    for n in 0..3 {
        let unit = town.unit_in_service(&format!("U-{n}"), 0);
        town.happened(&unit, "2026-03-01T12:00:00Z", reading(5.0));
        let blank = town.unit(&format!("B-{n}"));
        town.happened(&blank, "2026-06-01T12:00:00Z", town.adoption());
    }
    let client = town.coordinator();
    for query in ["", "?valid_at=2026-12-20T00:00:00Z", "?valid_at=2026-06-14T12:00:00Z", "?code=no_history"]
    {
        let whole = client.all(&format!("{LIST}{query}"), 500);
        assert!(whole.len() >= 3, "{query}: {whole:?}");
        assert!(whole.iter().map(|line| text(line, "since")).is_sorted(), "longest first: {whole:?}");
        for limit in [1, 2] {
            assert_eq!(client.all(&format!("{LIST}{query}"), limit), whole, "{query} by {limit}");
        }
    }
}
