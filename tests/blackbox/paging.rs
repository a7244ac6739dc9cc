//! Pages, filters and order of lists.

mod instant;
mod keyset;

use std::collections::{BTreeMap, BTreeSet};

use blackbox::{Backend, Town, World, none_failed, on_both, world::new_id};
use serde_json::{Value, json};

on_both!(
    pages_of_units_lose_and_repeat_nothing,
    pages_of_events_lose_and_repeat_nothing,
    pages_of_due_lose_and_repeat_nothing,
    a_cursor_is_good_for_its_own_list,
    filters_agree_with_sorting_out_by_hand,
    the_list_agrees_with_every_unit,
);

/// Commissioned units in many states: one for each row, at one of the two sites.
fn fleet(town: &Town) -> Vec<String> {
    let mut units = Vec::new();
    for (n, (site, meter, oil)) in [
        (0, Some(5.0), None),
        (0, Some(80.0), Some((75.0, "2026-06-01T12:00:00Z"))),
        (1, Some(240.0), Some((140.0, "2026-04-01T12:00:00Z"))),
        (1, Some(260.0), Some((140.0, "2026-04-01T12:00:00Z"))),
        (0, Some(235.0), Some((140.0, "2026-05-01T12:00:00Z"))),
        (1, None, Some((19.0, "2026-02-01T12:00:00Z"))),
    ]
    .into_iter()
    .enumerate()
    {
        let unit = town.unit_in_service(&format!("U-{n}"), site);
        if let Some((hours, at)) = oil {
            town.happened(
                &unit,
                at,
                json!({"kind": "service", "jobs": [{"job": "oil_change"}], "meter_hours": hours}),
            );
        }
        if let Some(hours) = meter {
            town.happened(&unit, "2026-06-15T06:00:00Z", json!({"kind": "reading", "meter_hours": hours}));
        }
        units.push(unit);
    }
    // Nothing known of this one; and one that stands on loan at the other site.
    let blank = town.unit("U-6");
    town.happened(&blank, "2026-01-10T12:00:00Z", town.adoption());
    let loaned = town.unit_in_service("U-7", 0);
    town.happened(&loaned, "2026-06-01T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    units.extend([blank, loaned]);
    units
}

fn ids(items: &[Value]) -> Vec<String> {
    items.iter().map(|item| item["id"].as_str().unwrap().to_owned()).collect()
}

/// P01: rows added before and after the cursor between pages; nothing that was there is skipped, nothing comes twice.
/// Gives all that came.
fn page_through(
    town: &Town,
    path: &str,
    key: impl Fn(&Value) -> String,
    mut add: impl FnMut(usize),
) -> Vec<Value> {
    let joint = if path.contains('?') { '&' } else { '?' };
    let there: BTreeSet<String> = town.coordinator().all(path, 500).iter().map(&key).collect();
    let (mut came, mut cursor, mut page) = (Vec::new(), String::new(), 0);
    loop {
        let answer = town.coordinator().get(&format!("{path}{joint}limit=2{cursor}")).expect(200).json();
        let items = answer["items"].as_array().unwrap();
        assert!((1..=2).contains(&items.len()), "{answer}");
        came.extend(items.clone());
        match answer["next"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => break,
        }
        add(page);
        page += 1;
        assert!(page < 100, "{path} has an end");
    }
    let keys: Vec<String> = came.iter().map(&key).collect();
    let distinct: BTreeSet<String> = keys.iter().cloned().collect();
    assert_eq!(distinct.len(), keys.len(), "nothing comes twice: {keys:?}");
    assert!(distinct.is_superset(&there), "nothing that was there is skipped: {keys:?} of {there:?}");
    came
}

/// An id that sorts before (or after) every one made now.
fn extreme_id(first: bool, n: usize) -> String {
    let rest = new_id();
    format!("{}{n:02x}{}", if first { "000000" } else { "ffffff" }, &rest[8..])
}

fn pages_of_units_lose_and_repeat_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    fleet(&town);
    let add = |id: String| {
        let unit = json!({"id": id, "label": "new", "home_site_id": town.sites[0], "fuel": "petrol"});
        town.coordinator().post("/v1/units", &unit).expect(201);
    };
    let mut after = Vec::new();
    let came = page_through(
        &town,
        "/v1/units",
        |unit| unit["id"].as_str().unwrap().to_owned(),
        |page| {
            if page < 3 {
                add(extreme_id(true, page));
                after.push(extreme_id(false, page));
                add(after[page].clone());
            }
        },
    );
    let came = ids(&came);
    assert!(came.is_sorted(), "by id: {came:?}");
    assert!(after.iter().all(|id| came.contains(id)), "what is added ahead of the cursor comes: {came:?}");
    assert_eq!(
        came.iter().filter(|id| id.starts_with("000000")).count(),
        0,
        "what is added behind it does not"
    );
}

fn pages_of_events_lose_and_repeat_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    // Several at one instant, so that the order needs its tie-break.
    for n in 0..7 {
        town.happened(
            &unit,
            "2026-03-01T12:00:00Z",
            json!({"kind": "reading", "meter_hours": 5, "note": format!("{n}")}),
        );
    }
    let path = format!("/v1/service-events?unit={unit}");
    let came = page_through(
        &town,
        &path,
        |event| event["id"].as_str().unwrap().to_owned(),
        |page| {
            if page < 3 {
                for at in ["2026-02-01T12:00:00Z", "2026-04-01T12:00:00Z"] {
                    town.happened(&unit, at, json!({"kind": "reading", "meter_hours": 5}));
                }
            }
        },
    );
    let late = came.iter().filter(|event| event["occurred_at"] == "2026-04-01T12:00:00Z").count();
    assert_eq!(late, 3, "what happened later than the cursor comes");
    let kinds: Vec<Value> = town.coordinator().all(&format!("{path}&kind=adoption"), 1);
    assert_eq!(kinds.len(), 1, "{kinds:?}");
}

fn line(item: &Value) -> String {
    ["unit_id", "schedule_id", "task"].map(|name| item[name].as_str().unwrap()).join(" ")
}

fn pages_of_due_lose_and_repeat_nothing(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    fleet(&town);
    let mut pinned = BTreeSet::new();
    for sort in ["due_at", "-due_at"] {
        let path = format!("/v1/due?sort={sort}");
        page_through(&town, &path, line, |page| {
            if page < 3 {
                // Items due long ago, and some that are not due for months.
                town.unit_in_service("new", 0);
                let fresh = town.unit("newer");
                town.happened(&fresh, "2026-06-14T12:00:00Z", town.adoption());
                let commissioning = json!({"kind": "commissioning", "site_id": town.sites[0]});
                town.happened(&fresh, "2026-06-14T12:00:00Z", commissioning);
            }
        });
    }
    let mut cursor = String::new();
    for _ in 0..4 {
        let page = town.coordinator().get(&format!("/v1/due?limit=3{cursor}")).expect(200).json();
        pinned.insert(page["as_of"].as_str().unwrap().to_owned());
        cursor = format!("&cursor={}", page["next"].as_str().unwrap());
    }
    assert_eq!(pinned.len(), 1, "all pages are about one instant: {pinned:?}");
}

fn a_cursor_is_good_for_its_own_list(backend: Backend) {
    let world = World::new(backend);
    let (town, other) = (world.town(), world.town());
    let unit = town.unit_in_service("FS-1", 0);
    town.unit_in_service("FS-2", 0);
    other.unit_in_service("FS-1", 0);
    let client = town.coordinator();
    let lists: Vec<(String, String)> = vec![
        ("/v1/units".into(), format!("site={}", town.sites[0])),
        ("/v1/sites".into(), String::new()),
        (format!("/v1/service-events?unit={unit}"), "kind=adoption".into()),
        ("/v1/due".into(), "state=overdue".into()),
        ("/v1/due?sort=due_at".into(), "task=oil_change".into()),
    ];
    for (path, filter) in lists {
        let joint = if path.contains('?') { '&' } else { '?' };
        let cursor = client.get(&format!("{path}{joint}limit=1")).expect(200).json()["next"].clone();
        let cursor = cursor.as_str().unwrap_or_else(|| panic!("{path} has a second page"));
        let next = format!("{path}{joint}cursor={cursor}");
        client.get(&next).expect(200);
        client.get(&format!("{next}&limit=7")).expect(200);
        let refused = |client: &blackbox::Client, path: &str| {
            client.get(path).problem(400, "cursor_invalid");
        };
        // One character after another: no place in it may be changed.
        for at in (0..cursor.len()).step_by(7) {
            let mut tampered = cursor.to_owned();
            tampered.replace_range(at..=at, if &cursor[at..=at] == "A" { "B" } else { "A" });
            refused(client, &format!("{path}{joint}cursor={tampered}"));
        }
        refused(client, &format!("{path}{joint}cursor={}", &cursor[..cursor.len() - 2]));
        if !filter.is_empty() {
            refused(client, &format!("{next}&{filter}"));
        }
        if !path.contains("unit=") {
            refused(other.coordinator(), &next);
        }
    }
}

fn filters_agree_with_sorting_out_by_hand(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    let client = town.coordinator();
    let all = client.all("/v1/due", 500);
    let states: BTreeSet<&str> = all.iter().map(|item| item["state"].as_str().unwrap()).collect();
    assert!(states.len() >= 5, "the fleet shows many states: {states:?}");
    assert_eq!(client.all("/v1/due", 2), all, "pages make up the whole");
    let reversed: Vec<Value> = client.all("/v1/due?sort=-due_at", 3).into_iter().rev().collect();
    assert_eq!(reversed, all, "one order is the other one reversed");
    // What has no date of being due comes last.
    let dates: Vec<&str> = all.iter().map(|item| item["due_at"].as_str().unwrap_or("9")).collect();
    assert!(dates.is_sorted(), "{dates:?}");

    let at_site = |item: &Value, site: &str| item["home_site_id"] == site || item["standing_site_id"] == site;
    type Wanted<'a> = Box<dyn Fn(&Value) -> bool + 'a>;
    let mut cases: Vec<(String, Wanted)> = vec![
        ("state=overdue,due".into(), Box::new(|i| i["state"] == "overdue" || i["state"] == "due")),
        ("task=plug_inspect".into(), Box::new(|i| i["task"] == "plug_inspect")),
        ("task=no_such_task".into(), Box::new(|_| false)),
        (format!("unit={}", new_id()), Box::new(|_| false)),
    ];
    for state in ["ok", "coming_due", "due", "overdue", "unknown", "deferred", "suspended", "not_applicable"]
    {
        cases.push((format!("state={state}"), Box::new(move |i| i["state"] == state)));
    }
    for site in &town.sites {
        cases.push((format!("site={site}"), Box::new(move |i| at_site(i, site))));
        cases.push((
            format!("site={site}&state=overdue&task=oil_change"),
            Box::new(move |i| at_site(i, site) && i["state"] == "overdue" && i["task"] == "oil_change"),
        ));
    }
    for unit in &units {
        cases.push((format!("unit={unit}"), Box::new(move |i| i["unit_id"] == unit.as_str())));
    }
    for before in
        ["2026-02-10T07:00:00Z", "2026-02-10T07:00:01Z", "2026-06-15T12:00:00Z", "2027-01-01T00:00:00Z"]
    {
        // All dates here are whole seconds of UTC, which compare as texts.
        cases.push((
            format!("due_before={before}"),
            Box::new(move |i| i["due_at"].as_str().is_some_and(|at| at < before)),
        ));
    }
    let mut failures = Vec::new();
    for (query, wanted) in &cases {
        for limit in [2, 500] {
            let expected: Vec<Value> = all.iter().filter(|item| wanted(item)).cloned().collect();
            let mut found = client.all(&format!("/v1/due?{query}"), limit);
            // Which lines are copies depends on the site asked for.
            found.iter_mut().for_each(|line| drop(line.as_object_mut().unwrap().remove("copy")));
            if found != expected {
                failures.push(format!("{query} by {limit}: expected {expected:?}, got {found:?}"));
            }
        }
    }
    for (site, expected) in [(&town.sites[0], 5), (&town.sites[1], 4)] {
        let found = client.all(&format!("/v1/units?site={site}"), 2).len();
        if found != expected {
            failures.push(format!("units of site {site}: expected {expected}, got {found}"));
        }
    }
    none_failed(&failures);
}

fn the_list_agrees_with_every_unit(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let units = fleet(&town);
    let mut of_list: BTreeMap<&str, Vec<Value>> = BTreeMap::new();
    let all = town.coordinator().all("/v1/due", 500);
    let told = |item: &Value| {
        let due_at = item["due_at"].as_str().filter(|at| !at.starts_with("2199"));
        json!([item["schedule_id"], item["task"], item["state"], item["reason"], due_at])
    };
    for item in &all {
        of_list.entry(item["unit_id"].as_str().unwrap()).or_default().push(told(item));
    }
    assert_eq!(of_list.len(), units.len(), "every unit has items");
    for unit in &units {
        let due = town.coordinator().get(&format!("/v1/units/{unit}/due")).expect(200).json();
        let mut single: Vec<Value> = due["items"].as_array().unwrap().iter().map(told).collect();
        let mut listed = of_list[unit.as_str()].clone();
        single.sort_by_key(Value::to_string);
        listed.sort_by_key(Value::to_string);
        assert_eq!(single, listed, "{unit}");
    }
}
