//! The list of what is due is about one instant, and right at any.

use blackbox::{Backend, Client, Town, World, none_failed, on_both, world::id_of};
use model::Instant;
use serde_json::{Value, json};

use super::{fleet, line};

on_both!(
    pages_keep_their_instant,
    what_takes_effect_later_is_not_on_it,
    what_time_alone_moved_is_listed_at_once,
    every_two_filters_agree_with_sorting_out_by_hand,
);

fn pages_keep_their_instant(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    let client = town.coordinator();
    let there: Vec<String> = client.all("/v1/due", 500).iter().map(line).collect();
    for sort in ["due_at", "-due_at"] {
        let (mut found, mut cursor, mut as_of) = (Vec::new(), String::new(), None);
        for page in 0.. {
            let path = format!("/v1/due?sort={sort}&limit=4{cursor}");
            let answer = client.get(&path).expect(200).json();
            let at = answer["as_of"].clone();
            assert_eq!(*as_of.get_or_insert(at.clone()), at, "page {page} by {sort}");
            found.extend(answer["items"].as_array().unwrap().iter().map(line));
            let Some(next) = answer["next"].as_str() else { break };
            cursor = format!("&cursor={next}");
            // Writes that leave every date of being due where it is, and one of a unit that was not there.
            let unit = &units[page % units.len()];
            town.happened(unit, "2026-06-15T11:00:00Z", json!({"kind": "correction", "action": "void", "target_id": note(&town, unit), "reason": "nothing"}));
            if page < 2 {
                town.unit_in_service("Newcomer", 1);
            }
        }
        let mut once = found.clone();
        once.sort();
        once.dedup();
        assert_eq!(once.len(), found.len(), "nothing comes twice by {sort}: {found:?}");
        let missing: Vec<_> = there.iter().filter(|line| !found.contains(line)).collect();
        assert!(missing.is_empty(), "skipped by {sort}: {missing:?}");
    }
}

/// An event that changes no figure: a placement where the unit stands already.
fn note(town: &Town, unit: &str) -> String {
    let due = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
    let stands = json!({"kind": "placement", "site_id": due["standing_site_id"]});
    id_of(&town.happened(unit, "2026-06-15T11:00:00Z", stands))
}

/// An edition adopted between two pages holds from its day on, so it asks for nothing at the instant of the pages.
fn what_takes_effect_later_is_not_on_it(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = ["FS-1", "FS-2"].map(|label| town.unit_in_service(label, 0));
    let client = town.coordinator();
    let tasks = json!([{"task": "belt_inspect", "job": "belt_inspect", "title": "Inspect the belt", "limits": {"months": 24}}]);
    let later =
        json!({"edition": "B", "effective_from": "2026-07-01", "source": "common practice", "tasks": tasks});
    let path = format!("/v1/schedules/{}/editions", town.schedule);
    let later = id_of(&client.post(&path, &later).expect(201).json());

    let first = client.get("/v1/due?limit=1").expect(200).json();
    for unit in &units {
        let adoption = json!({"kind": "adoption", "schedule_id": town.schedule, "edition_id": later, "effective_from": "2026-07-01"});
        town.happened(unit, "2026-06-15T11:00:00Z", adoption);
    }
    let rest = client.get(&format!("/v1/due?cursor={}", first["next"].as_str().unwrap())).expect(200).json();
    let early: Vec<&Value> =
        rest["items"].as_array().unwrap().iter().filter(|item| item["task"] == "belt_inspect").collect();
    assert!(early.is_empty(), "not before its day: {early:?}");
    assert_eq!(
        client.all("/v1/due?task=belt_inspect", 500),
        [] as [Value; 0],
        "nor on a list begun afterwards"
    );
}

fn what_time_alone_moved_is_listed_at_once(backend: Backend) {
    let mut world = World::new(backend);
    let mut town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let service = json!({"kind": "service", "jobs": [{"job": "plug_inspect"}], "meter_hours": 1});
    town.happened(&unit, "2026-06-01T12:00:00Z", service);
    // Six months on it is 1 December; a tenth of 183 days before, from 13 November on, it is coming due. The reading
    // leaves hours far behind. Midnight there is 07:00Z.
    let clocks = [
        ("2026-06-15T12:00:00Z", "ok"),
        ("2026-11-13T06:00:00Z", "ok"),
        ("2026-11-13T07:00:00Z", "coming_due"),
        ("2026-12-01T06:00:00Z", "coming_due"),
        ("2026-12-01T07:00:00Z", "due"),
        ("2026-12-02T06:00:00Z", "due"),
        ("2026-12-02T07:00:00Z", "overdue"),
        ("2028-01-01T00:00:00Z", "overdue"),
    ];
    for (clock, state) in clocks {
        if clock != clocks[0].0 {
            world.restart_at(clock);
            world.reach(&mut town);
        }
        // The very first request, then another after whatever the service does by itself.
        for _ in 0..2 {
            for word in ["ok", "coming_due", "due", "overdue", "unknown"] {
                let found = town.coordinator().all(&format!("/v1/due?state={word}&task=plug_inspect"), 1);
                assert_eq!(found.len(), usize::from(word == state), "{word} at {clock}: {found:?}");
            }
        }
        let single = town.due(&unit, "plug_inspect");
        let listed = &town.coordinator().all("/v1/due?task=plug_inspect", 1)[0];
        assert_eq!([&single["state"], &single["due_at"]], [&listed["state"], &listed["due_at"]], "{clock}");
    }
}

/// A filter, and what it lets through.
type Filter = (String, Box<dyn Fn(&Value) -> bool>);

fn every_two_filters_agree_with_sorting_out_by_hand(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    let client = town.coordinator();
    let all = client.all("/v1/due", 500);
    let kinds = filters(&town, &units);
    let mut failures = Vec::new();
    for (n, kind) in kinds.iter().enumerate() {
        for (query, wanted) in kind {
            check(client, &all, query, &|item| wanted(item), &mut failures);
            for (second, also) in kinds[n + 1..].iter().flatten() {
                let both = |item: &Value| wanted(item) && also(item);
                check(client, &all, &format!("{query}&{second}"), &both, &mut failures);
            }
        }
    }
    none_failed(&failures);
}

/// Filters by kind; two of a kind cannot be combined.
fn filters(town: &Town, units: &[String]) -> Vec<Vec<Filter>> {
    let is = |member: &'static str, value: &str| -> Box<dyn Fn(&Value) -> bool> {
        let value = value.to_owned();
        Box::new(move |item| item[member] == *value)
    };
    let state = |words: &'static str| -> Filter {
        let wanted = |item: &Value| words.split(',').any(|word| item["state"] == word);
        (format!("state={words}"), Box::new(wanted))
    };
    let site = |site: &String| -> Filter {
        let (home, standing) = (is("home_site_id", site), is("standing_site_id", site));
        (format!("site={site}"), Box::new(move |item| home(item) || standing(item)))
    };
    let before = |text: &str| -> Filter {
        let before = Instant::parse(text).unwrap();
        let wanted = move |item: &Value| {
            item["due_at"].as_str().is_some_and(|at| Instant::parse(at).unwrap() < before)
        };
        (format!("due_before={text}"), Box::new(wanted))
    };
    let named =
        |name: &str, member: &'static str, value: &str| (format!("{name}={value}"), is(member, value));
    let instants =
        ["2026-02-10T07:00:00Z", "2026-06-15T12:00:00Z", "2026-12-01T00:00:00-07:00", "2100-01-01T00:00:00Z"];
    vec![
        ["ok", "overdue", "unknown", "due,overdue", "ok,coming_due,unknown"].map(state).into(),
        town.sites.iter().map(site).collect(),
        [&units[0], &units[6], &units[7]].map(|unit| named("unit", "unit_id", unit)).into(),
        ["oil_change", "plug_inspect"].map(|task| named("task", "task", task)).into(),
        // An offset has a colon and a sign, which a client escapes.
        instants.map(|at| before(at)).into_iter().map(|(query, f)| (query.replace('+', "%2B"), f)).collect(),
    ]
}

fn check(
    client: &Client,
    all: &[Value],
    query: &str,
    wanted: &dyn Fn(&Value) -> bool,
    failures: &mut Vec<String>,
) {
    let expected: Vec<Value> = all.iter().filter(|item| wanted(item)).cloned().collect();
    let mut found = client.all(&format!("/v1/due?{query}"), 500);
    // Which lines are copies depends on the site asked for.
    found.iter_mut().for_each(|line| drop(line.as_object_mut().unwrap().remove("copy")));
    if found != expected {
        failures.push(format!("{query}: expected {expected:?}, found {found:?}"));
    }
}
